"""The command ``leaks``: the leak ledger of a home."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli.options import Reading, spread_options
from flowsift.cli.study_output import Answer, Pricing
from flowsift.cli.terminal import working
from flowsift.report.leaks_text import ledger_sections
from flowsift.study.leaks_ledger import leaks


def register(app: typer.Typer) -> None:
    """Add ``leaks`` to the command line."""
    app.command("leaks")(spread_options(leaks_command))


def leaks_command(
    file: Annotated[Path, typer.Argument(help="Flow data of one meter: CSV, CSV.gz or Parquet.", metavar="FILE")],
    reading: Reading,
    answer: Answer,
    pricing: Pricing,
) -> None:
    """List every constant or recurring loss: since when, how much, what it costs, where to look first."""
    answer.check(file, pricing.tariff)
    tariff = pricing.read()
    with working(f"reading {file.name}"):
        trace = reading.read(file)
    with working("looking for losses"):
        ledger = leaks(fs.disaggregate(trace), tariff)
    units = answer.system(trace)
    answer.give(ledger, ledger.table(), ledger_sections(ledger, units=units), units=units)
