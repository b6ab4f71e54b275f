"""What the study commands share: where answers go."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import typer

import flowsift as fs
from flowsift.cli.options import Units, parsed_volume
from flowsift.cli.terminal import show, show_sections
from flowsift.files import check_folder, check_table_path, write_table, write_text
from flowsift.report.as_json import json_dict
from flowsift.report.sections import Section
from flowsift.study.tariff import Tariff, read_tariff
from flowsift.tables import Table
from flowsift.units import UnitSystem, system_of

STANDARD_OUTPUT = Path("-")


@dataclass(frozen=True, kw_only=True)
class Answer:
    """In which units to answer, and which files to write."""

    units: Annotated[Units | None, typer.Option(help="Units of the answer [default: those of the input].")] = None
    table: Annotated[
        Path | None,
        typer.Option("--table", "--out", help="Write the table here (.csv, .csv.gz or .parquet).", metavar="PATH"),
    ] = None
    json: Annotated[
        Path | None, typer.Option(help="Write everything as JSON here; - for standard output.", metavar="PATH")
    ] = None

    def check(self, *read: Path | None) -> None:
        """Find out before the work whether the files asked for can be written, none in place of one that is read."""
        if self.table is not None:
            check_table_path(self.table, *read)
        if self.json not in (None, STANDARD_OUTPUT):
            check_folder(self.json, *read, self.table)

    def system(self, trace: fs.Trace | None, *, pulse: str | None = None) -> UnitSystem:
        """Return the unit system asked for, or that of the trace, or without one that of the pulse as written."""
        if self.units is not None:
            return self.units.value
        if trace is not None:
            return system_of(trace.unit)
        return "si" if pulse is None else system_of(parsed_volume(pulse)[1])

    def give(self, record: Any, table: Table | None, sections: Sequence[Section], *, units: UnitSystem) -> None:
        """Write the files asked for and print the sections, or the JSON where that goes to standard output."""
        if self.table is not None and table is not None:
            write_table(table.in_us_units() if units == "us" else table, self.table)
        if self.json is None:
            show_sections(sections)
            return
        as_json = json.dumps(json_dict(record, units=units), indent=2, allow_nan=False) + "\n"
        if self.json == STANDARD_OUTPUT:
            show(as_json)
            return
        write_text(as_json, self.json)
        show_sections(sections)


@dataclass(frozen=True, kw_only=True)
class Pricing:
    """What water costs."""

    tariff: Annotated[Path | None, typer.Option(help="Tariff in TOML; costs are given under it.", metavar="PATH")] = (
        None
    )

    def read(self) -> Tariff | None:
        """Return the tariff, None where none is given."""
        return None if self.tariff is None else read_tariff(self.tariff)
