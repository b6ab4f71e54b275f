"""Options that several commands share, each defined once.

A command takes a group of options as one parameter (``reading: Reading``) and is wrapped in `spread_options`, which
puts the group's options on the command line and hands the command the filled group.
"""

from __future__ import annotations

import functools
import inspect
import re
from collections.abc import Callable
from dataclasses import dataclass, fields, is_dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, get_type_hints

import typer

import flowsift as fs
from flowsift.errors import OptionError
from flowsift.readers.unit_names import Unit, unit_option
from flowsift.units import L_PER_UNIT, UnitSystem, system_of

_AMOUNT = re.compile(r"\s*([0-9.]+(?:[eE][+-]?[0-9]+)?)\s*(\S.*?)\s*")


class Units(StrEnum):
    """Unit systems of the answer."""

    us = "us"
    si = "si"


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How to read a file of flow data; what isn't given is found out from the file."""

    unit: Annotated[
        str | None, typer.Option(help="Unit of the values: L, mL, m3, gal, ft3, CCF, L/min, gpm ...", metavar="UNIT")
    ] = None
    kind: Annotated[
        str | None, typer.Option(help="What the values are: volume, flow, register, counts or pulses.", metavar="KIND")
    ] = None
    time_column: Annotated[
        str | None, typer.Option(help="Column with the times: its name, or its number from 1.", metavar="NAME")
    ] = None
    value_column: Annotated[
        str | None, typer.Option(help="Column with the values: its name, or its number from 1.", metavar="NAME")
    ] = None
    timezone: Annotated[
        str | None,
        typer.Option(help="Time zone of the answer, and of times without one, such as America/Denver.", metavar="ZONE"),
    ] = None
    pulse: Annotated[
        str | None, typer.Option(help="Volume of one meter pulse, such as 10L or 0.1gal.", metavar="VOLUME")
    ] = None
    interval: Annotated[float | None, typer.Option(help="Length of an interval in seconds.", metavar="SECONDS")] = None
    absent: Annotated[
        str | None, typer.Option(help="What an interval without a row means: missing or zero.", metavar="WORD")
    ] = None
    delimiter: Annotated[str | None, typer.Option(help="Character between the columns.", metavar="CHAR")] = None
    decimal: Annotated[str | None, typer.Option(help="Decimal sign of the numbers.", metavar="CHAR")] = None
    day_first: Annotated[
        bool | None, typer.Option("--day-first/--month-first", help="How dates such as 03/04/2024 are read.")
    ] = None

    def read(self, path: Path) -> fs.Trace:
        """Read the trace in `path`; where it tells no unit, as counts and pulses don't, it has that of the pulse."""
        trace = fs.read_trace(path, **self.given())
        told = self.unit is not None or any(finding.what == "unit" for finding in trace.findings)
        return trace if self.pulse is None or told else replace(trace, unit=parsed_volume(self.pulse)[1])

    def given(self) -> dict[str, Any]:
        """Return the options as `flowsift.read_trace` takes them."""
        return {
            "unit": self.unit,
            "kind": self.kind,
            "time_column": self.time_column,
            "value_column": self.value_column,
            "timezone": self.timezone,
            "pulse_l": None if self.pulse is None else parsed_volume_l(self.pulse),
            "interval_s": self.interval,
            "absent": self.absent,
            "delimiter": self.delimiter,
            "decimal": self.decimal,
            "day_first": self.day_first,
        }


def check_needed(other: str, given: object, **options: object) -> None:
    """Raise `OptionError` if one of `options` is given without the `other` option, for which alone it is there."""
    for name, value in options.items():
        if value is not None and not given:
            raise OptionError(f"--{name.replace('_', '-')} needs {other}")


def parsed_volume_l(text: str, *, name: str = "pulse") -> float:
    """Return a volume written with its unit, such as ``10L`` or ``0.1 gal`` [L]; errors as in `parsed_volume`."""
    return parsed_volume(text, name=name)[0]


def parsed_volume(text: str, *, name: str = "pulse") -> tuple[float, str]:
    """Return a volume written with its unit, such as ``10L`` or ``0.1 gallons``: its litres, and the unit.

    Raises
    ------
    OptionError
        If it isn't a number followed by a unit of volume.
    """
    try:
        value, unit = _amount(text)
        if unit.minutes is not None:
            raise ValueError
    except ValueError:
        known = ", ".join(L_PER_UNIT)
        raise OptionError(f"{name} {text!r}: expected a volume with its unit, one of {known}, such as 0.1gal") from None
    return value * unit.factor, unit.volume


def parsed_flow_lpm(text: str, *, name: str) -> float:
    """Return a flow written with its unit, such as ``0.05gpm`` or ``0.2 L/min`` [L/min].

    Raises
    ------
    OptionError
        If it isn't a number above 0 followed by a unit of flow.
    """
    try:
        value, unit = _amount(text)
        if unit.minutes is None or value <= 0:
            raise ValueError
    except ValueError:
        raise OptionError(f"{name} {text!r}: expected a flow with its unit, such as 0.05gpm or 0.2L/min") from None
    return value * unit.factor


def _amount(text: str) -> tuple[float, Unit]:
    """Return a number and the unit after it (ValueError for anything else)."""
    written = _AMOUNT.fullmatch(text)
    if written is None:
        raise ValueError
    return float(written[1]), unit_option(written[2])


@dataclass(frozen=True, kw_only=True)
class Answering:
    """In which units to answer, and which files to write."""

    units: Annotated[Units | None, typer.Option(help="Units of the answer [default: those of the input].")] = None
    events: Annotated[
        Path | None, typer.Option(help="Write the table of events here (.csv, .csv.gz or .parquet).", metavar="PATH")
    ] = None
    fixtures: Annotated[
        Path | None, typer.Option(help="Write the table of fixtures here, likewise.", metavar="PATH")
    ] = None
    json: Annotated[
        Path | None, typer.Option(help="Write the account as JSON here; - for standard output.", metavar="PATH")
    ] = None

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
            # What follows a group's options is an option too: they can only be given by name.
            grouped = any(p.kind is inspect.Parameter.KEYWORD_ONLY for p in parameters)
            parameters.append(parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY) if grouped else parameter)
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
