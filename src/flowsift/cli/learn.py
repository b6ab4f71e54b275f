"""The command ``learn``: what a record tells of its home, kept for watching it live."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flowsift.cli.options import Reading, spread_options
from flowsift.cli.terminal import show, working
from flowsift.files import check_folder, write_text
from flowsift.stream import home_to_json, learn_home


def register(app: typer.Typer) -> None:
    """Add ``learn`` to the command line."""
    app.command("learn")(spread_options(learn_command))


def learn_command(
    file: Annotated[Path, typer.Argument(help="Flow data of one meter: CSV, CSV.gz or Parquet.", metavar="FILE")],
    reading: Reading,
    output: Annotated[
        Path, typer.Option("--out", "--output", "-o", help="Write the learned home here (JSON).", metavar="PATH")
    ],
    false_alarms: Annotated[
        float, typer.Option(min=0.0, help="False alarms a year that are allowed.", metavar="N")
    ] = 1.0,
) -> None:
    """Learn a home from its record, for flowsift watch: its repeated uses, its fixtures, its alert levels."""
    check_folder(output, file)
    with working(f"reading {file.name}"):
        trace = reading.read(file)
    with working("learning the home"):
        home = learn_home(trace, false_per_year=false_alarms)
    write_text(home_to_json(home) + "\n", output)
    show(f"{home!r}\n")
