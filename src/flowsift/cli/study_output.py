"""What the study commands share: where answers go, and how they become JSON."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, is_dataclass
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pandas as pd
import typer

import flowsift as fs
from flowsift.cli.options import Units
from flowsift.cli.terminal import show, show_sections
from flowsift.files import check_folder, check_table_path, write_table, write_text
from flowsift.report.account_text import Section
from flowsift.study.tariff import Tariff, read_tariff
from flowsift.tables import Table
from flowsift.units import UnitSystem, system_of, us_column

STANDARD_OUTPUT = Path("-")


@dataclass(frozen=True, kw_only=True)
class Answer:
    """In which units to answer, and which files to write."""

    units: Annotated[Units | None, typer.Option(help="Units of the answer [default: those of the input].")] = None
    table: Annotated[
        Path | None, typer.Option(help="Write the table here (.csv, .csv.gz or .parquet).", metavar="PATH")
    ] = None
    json: Annotated[
        Path | None, typer.Option(help="Write everything as JSON here; - for standard output.", metavar="PATH")
    ] = None

    def check(self) -> None:
        """Find out before the work whether the files asked for can be written (OptionError)."""
        if self.table is not None:
            check_table_path(self.table)
        if self.json not in (None, STANDARD_OUTPUT):
            check_folder(self.json)

    def system(self, trace: fs.Trace | None) -> UnitSystem:
        """Return the unit system asked for, or that of the trace."""
        if self.units is not None:
            return self.units.value
        return system_of(trace.unit) if trace is not None else "si"

    def give(self, record: Any, table: Table | None, sections: Sequence[Section], *, units: UnitSystem) -> None:
        """Write the files asked for and print the sections, or the JSON where that goes to standard output."""
        if self.table is not None and table is not None:
            write_table(table.in_us_units() if units == "us" else table, self.table)
        if self.json is None:
            show_sections(sections)
            return
        as_json = json.dumps({"units": units, **plain_record(record, units)}, indent=2, allow_nan=False) + "\n"
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


def plain_record(record: Any, units: UnitSystem) -> dict[str, Any]:
    """Return a result as nested dicts and lists that JSON can hold.

    Parameters
    ----------
    record : dataclass or mapping
    units : {"si", "us"}
        ``us`` gives gallons and renames the fields to match. Numbers that are not finite become None.
    """
    fields = asdict(record) if is_dataclass(record) and not isinstance(record, type) else record
    plain: dict[str, Any] = {}
    for name, content in fields.items():
        new_name, litres = us_column(str(name)) if units == "us" else (str(name), 1.0)
        plain[new_name] = _plain(content, units, litres)
    return plain


def _plain(content: Any, units: UnitSystem, litres: float) -> Any:
    if isinstance(content, Mapping) or (is_dataclass(content) and not isinstance(content, type)):
        return plain_record(content, units)
    if isinstance(content, pd.Timestamp):
        return content.isoformat()
    if isinstance(content, list | tuple | set | frozenset):
        items = sorted(content) if isinstance(content, set | frozenset) else content
        return [_plain(item, units, litres) for item in items]
    if isinstance(content, bool | np.bool_):
        return bool(content)
    if isinstance(content, float | int | np.number):
        value = content.item() if isinstance(content, np.number) else content
        if isinstance(value, float):
            return value / litres if math.isfinite(value) else None
        return value
    return content
