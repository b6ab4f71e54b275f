"""Options that several commands share, each defined once.

A command takes a group of options as one parameter (``reading: Reading``) and is wrapped in `spread_options`, which
puts the group's options on the command line and hands the command the filled group.
"""

from __future__ import annotations

import functools
import inspect
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer

import flowsift as fs
from flowsift.units import UnitSystem, system_of


class Units(StrEnum):
    """Unit systems of the answer."""

    us = "us"
    si = "si"


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How to read a file of flow data; what isn't given is found out from the file."""

    unit: Annotated[str | None, typer.Option(help="Unit of the values: L, mL, m3, gal, ft3, CCF.")] = None
    kind: Annotated[str | None, typer.Option(help="What the values are: volume, flow, pulses or register.")] = None
    time_column: Annotated[str | None, typer.Option(help="Name of the column with the times.")] = None
    value_column: Annotated[str | None, typer.Option(help="Name of the column with the values.")] = None
    timezone: Annotated[str | None, typer.Option(help="Time zone of times without one, such as America/Denver.")] = None
    pulse: Annotated[float | None, typer.Option(help="Volume of one meter pulse, in the unit of the values.")] = None
    interval: Annotated[float | None, typer.Option(help="Seconds from one reading to the next.")] = None
    absent: Annotated[str | None, typer.Option(help="What a missing row means: zero flow, or a gap.")] = None
    delimiter: Annotated[str | None, typer.Option(help="Character between the columns.")] = None
    decimal: Annotated[str | None, typer.Option(help="Decimal sign of the numbers.")] = None
    day_first: Annotated[
        bool | None, typer.Option("--day-first/--month-first", help="How dates such as 03/04/2024 are read.")
    ] = None

    def read(self, path: Path) -> fs.Trace:
        """Read the trace in `path`, handing over only the options that were given."""
        given = {f.name: getattr(self, f.name) for f in fields(self)}
        return fs.read_trace(path, **{name: value for name, value in given.items() if value is not None})


@dataclass(frozen=True, kw_only=True)
class Answering:
    """In which units to answer, and which files to write."""

    units: Annotated[Units | None, typer.Option(help="Units of the answer [default: those of the input].")] = None
    events: Annotated[Path | None, typer.Option(help="Write the table of events here (.csv or .parquet).")] = None
    fixtures: Annotated[Path | None, typer.Option(help="Write the table of fixtures here (.csv or .parquet).")] = None
    json: Annotated[Path | None, typer.Option(help="Write the account as JSON here; - for standard output.")] = None

    def system(self, trace: fs.Trace) -> UnitSystem:
        """Return the unit system asked for, or that of the trace."""
        return self.units.value if self.units is not None else system_of(trace.unit)


def spread_options(command: Callable[..., None]) -> Callable[..., None]:
    """Return the command with each parameter that is a group of options replaced by the group's options."""
    signature = inspect.signature(command, eval_str=True)
    groups: dict[str, type[Any]] = {
        name: p.annotation
        for name, p in signature.parameters.items()
        if isinstance(p.annotation, type) and is_dataclass(p.annotation)
    }
    parameters: list[inspect.Parameter] = []
    for name, parameter in signature.parameters.items():
        if name not in groups:
            parameters.append(parameter)
            continue
        hints = get_type_hints(groups[name], include_extras=True)
        parameters += [
            inspect.Parameter(f.name, inspect.Parameter.KEYWORD_ONLY, default=f.default, annotation=hints[f.name])
            for f in fields(groups[name])
        ]

    @functools.wraps(command)
    def with_groups(**given: Any) -> None:
        for name, group in groups.items():
            given[name] = group(**{f.name: given.pop(f.name) for f in fields(group)})
        command(**given)

    with_groups.__signature__ = signature.replace(parameters=parameters)  # type: ignore[attr-defined]
    with_groups.__annotations__ = {p.name: p.annotation for p in parameters} | {"return": None}
    return with_groups
