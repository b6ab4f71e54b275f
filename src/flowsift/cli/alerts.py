"""The command ``alerts``: alert levels from the home's own record."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli.options import Reading, spread_options
from flowsift.cli.study_output import Answer
from flowsift.cli.terminal import working
from flowsift.report.alerts_text import alert_sections
from flowsift.study.alerts import alert_levels


def register(app: typer.Typer) -> None:
    """Add ``alerts`` to the command line."""
    app.command("alerts")(spread_options(alerts_command))


def alerts_command(
    file: Annotated[Path, typer.Argument(help="Flow data of one meter: CSV, CSV.gz or Parquet.", metavar="FILE")],
    reading: Reading,
    answer: Answer,
    false_alarms: Annotated[
        float, typer.Option(min=0.0, help="False alarms a year that are allowed.", metavar="N")
    ] = 1.0,
) -> None:
    """Choose a constant-flow and a high-flow alert level, and tell what each would have caught."""
    answer.check(file)
    with working(f"reading {file.name}"):
        trace = reading.read(file)
    with working("telling the fixtures apart"):
        plan = alert_levels(fs.disaggregate(trace), false_per_year=false_alarms)
    units = answer.system(trace)
    answer.give(plan, plan.table(), alert_sections(plan, units=units), units=units)
