"""Pictures into files."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import MappingProxyType
from typing import Any

from flowsift.disaggregation import Disaggregation
from flowsift.errors import OptionError
from flowsift.files import check_folder, replace_file
from flowsift.plot import draw
from flowsift.plot.flush_volumes import flush_volumes
from flowsift.study.flushes_homes import HomesStudy
from flowsift.units import UnitSystem

SUFFIXES = (".png", ".svg", ".pdf")
"""Endings of the names of files that a picture can be written to."""

PICTURES: MappingProxyType[str, Callable[..., Any]] = MappingProxyType(
    {
        "account": draw.account,
        "day": draw.day,
        "flushes": draw.flushes,
        "trace": draw.trace,
        "trickle": draw.trickle,
        "week": draw.week,
    }
)
"""Pictures by name."""


def check_picture(what: str, path: Path) -> None:
    """Raise `OptionError` unless there is such a picture and it can be written under that name."""
    if what not in PICTURES:
        raise OptionError(f"unknown picture {what!r}; known: {', '.join(PICTURES)}")
    check_file(path)


def check_file(path: Path) -> None:
    """Raise `OptionError` unless a picture can be written under that name."""
    if path.suffix.lower() not in SUFFIXES:
        raise OptionError(f"{path}: a picture is written as one of {', '.join(SUFFIXES)}")
    check_folder(path)


def save_picture(
    result: Disaggregation, what: str, path: str | Path, *, units: UnitSystem = "si", **options: Any
) -> None:
    """Draw one picture into a file.

    Parameters
    ----------
    result : Disaggregation
    what : str
        One of `PICTURES`.
    path : path
        File to write; its ending gives the form, one of `SUFFIXES`.
    units : {"si", "us"}
    **options
        Of the function that draws it: ``start`` and ``end`` of the trace.

    Raises
    ------
    OptionError
        If there is no such picture or form, or matplotlib isn't installed.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> fs.plot.save_picture(result, "day", "days.png", units="us")
    """
    path = Path(path)
    check_picture(what, path)
    _write(path, lambda axes: PICTURES[what](result, axes, units=units, **options), size_in=(9.0, 4.2))


def save_flush_volumes(study: HomesStudy, path: Path, *, units: UnitSystem = "si") -> None:
    """Draw the histogram of many homes' volumes per flush into a file; errors as in `save_picture`."""
    _write(path, lambda axes: flush_volumes(study, axes, units=units), size_in=(8.0, 4.5))


def _write(path: Path, draw_on: Callable[[Any], Any], *, size_in: tuple[float, float]) -> None:
    check_file(path)
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise OptionError("pictures need matplotlib: install flowsift[report]") from error
    # No pyplot: no global state, no window, nothing to close.
    canvas = Figure(figsize=size_in, layout="constrained")
    draw_on(canvas.add_subplot())
    replace_file(path, lambda temporary: canvas.savefig(temporary, dpi=150))
