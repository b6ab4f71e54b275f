"""The command ``budget``: a water budget to design by."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli.options import Reading, spread_options
from flowsift.cli.study_output import Answer
from flowsift.cli.terminal import working
from flowsift.errors import OptionError
from flowsift.report.budget_text import budget_sections
from flowsift.standards import figure
from flowsift.study.budget import water_budget
from flowsift.study.budget_greywater import LAVATORY_SHARE
from flowsift.study.budget_landscape import M2_PER_FT2, Landscape, parsed_eto, read_eto

_AREA = re.compile(r"\s*([0-9.]+)\s*(m2|ft2)\s*")


@dataclass(frozen=True, kw_only=True)
class Designing:
    """What is designed for."""

    eto: Annotated[
        str | None,
        typer.Option(
            help="Reference evapotranspiration: 5mm/day, 51in/yr, or a CSV of months (month, eto_mm).", metavar="DEPTH"
        ),
    ] = None
    area: Annotated[str | None, typer.Option(help="Area to be irrigated, such as 60m2 or 650ft2.", metavar="AREA")] = (
        None
    )
    plant_factor: Annotated[
        float, typer.Option(help="Need of the plants as a share of evapotranspiration.", metavar="SHARE")
    ] = 0.5
    efficiency: Annotated[float, typer.Option(help="Part of the water that reaches the roots.", metavar="SHARE")] = (
        figure("landscape.irrigation_efficiency_drip").value
    )
    bedrooms: Annotated[
        int | None, typer.Option(min=1, help="For the published estimate of greywater.", metavar="N")
    ] = None
    lavatory_share: Annotated[
        float, typer.Option(min=0.0, max=1.0, help="Part of the faucet water that runs in lavatories.", metavar="SHARE")
    ] = LAVATORY_SHARE
    keep_days: Annotated[int, typer.Option(min=0, help="Nights that greywater may be kept.", metavar="N")] = 1
    reliability: Annotated[
        float, typer.Option(min=0.01, max=1.0, help="Share of days on which a steady source must do.", metavar="SHARE")
    ] = 0.95

    def landscape(self) -> Landscape | None:
        """Return the landscape, None where none is given (OptionError where half of it is)."""
        if self.eto is None and self.area is None:
            return None
        if self.eto is None or self.area is None:
            raise OptionError("a landscape needs both --eto and --area")
        path = Path(self.eto)
        return Landscape(
            area_m2=parsed_area_m2(self.area),
            plant_factor=self.plant_factor,
            efficiency=self.efficiency,
            eto_mm_per_d=read_eto(path) if path.suffix.lower() == ".csv" else parsed_eto(self.eto),
        )


def register(app: typer.Typer) -> None:
    """Add ``budget`` to the command line."""
    app.command("budget")(spread_options(budget_command))


def budget_command(
    file: Annotated[Path, typer.Argument(help="Flow data of one meter: CSV, CSV.gz or Parquet.", metavar="FILE")],
    designing: Designing,
    reading: Reading,
    answer: Answer,
) -> None:
    """Draw up demand, greywater, what a landscape needs, and the storage between them."""
    answer.check(file, None if designing.eto is None else Path(designing.eto))
    landscape = designing.landscape()
    with working(f"reading {file.name}"):
        trace = reading.read(file)
    with working("telling the fixtures apart"):
        budget = water_budget(
            fs.disaggregate(trace),
            landscape=landscape,
            bedrooms=designing.bedrooms,
            lavatory_share=designing.lavatory_share,
            keep_days=designing.keep_days,
            reliability=designing.reliability,
        )
    units = answer.system(trace)
    answer.give(budget, budget.demand_table(), budget_sections(budget, units=units), units=units)


def parsed_area_m2(text: str) -> float:
    """Return an area written with its unit, such as ``60m2`` or ``650 ft2`` [m2] (OptionError otherwise)."""
    written = _AREA.fullmatch(text)
    try:
        if written is None:
            raise ValueError
        return float(written[1]) * (M2_PER_FT2 if written[2] == "ft2" else 1.0)
    except ValueError:
        raise OptionError(f"area {text!r}: expected such as 60m2 or 650ft2") from None
