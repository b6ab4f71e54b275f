"""The command ``plot``: one picture of an answer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli.options import Reading, Units, spread_options
from flowsift.cli.terminal import show, working
from flowsift.errors import OptionError
from flowsift.plot.files import check_picture, save_picture
from flowsift.units import system_of


def register(app: typer.Typer) -> None:
    """Add ``plot`` to the command line."""
    app.command("plot")(spread_options(plot))


def plot(
    file: Annotated[Path, typer.Argument(help="Flow data of one meter: CSV, CSV.gz or Parquet.", metavar="FILE")],
    reading: Reading,
    what: Annotated[str, typer.Option(help="account, day, flushes, trace, trickle or week.", metavar="WORD")] = "day",
    output: Annotated[
        Path, typer.Option("--out", "--output", "-o", help="Picture to write: .png, .svg or .pdf.", metavar="PATH")
    ] = Path("picture.png"),
    start: Annotated[str | None, typer.Option(help="Start of the part of the trace to draw.", metavar="TIME")] = None,
    end: Annotated[str | None, typer.Option(help="End of that part.", metavar="TIME")] = None,
    units: Annotated[Units | None, typer.Option(help="Units of the picture [default: those of the input].")] = None,
) -> None:
    """Draw one picture into a file."""
    check_picture(what, output)
    if what != "trace" and (start is not None or end is not None):
        raise OptionError(f"--start and --end choose a part of the trace; the picture {what!r} takes none")
    with working(f"reading {file.name}"):
        trace = reading.read(file)
    with working("telling the fixtures apart"):
        result = fs.disaggregate(trace)
    system = units.value if units is not None else system_of(trace.unit)
    part = {"start": start, "end": end} if what == "trace" else {}
    save_picture(result, what, output, units=system, **part)
    show(f"{output}\n")
