"""The command ``compare``: did the repair hold?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli.options import Reading, check_needed, spread_options
from flowsift.cli.study_output import Answer, Pricing
from flowsift.cli.terminal import working
from flowsift.errors import OptionError
from flowsift.report.comparison_text import comparison_sections
from flowsift.study.comparison import compare, compare_at


@dataclass(frozen=True, kw_only=True)
class Comparing:
    """What is compared."""

    at: Annotated[
        str | None,
        typer.Option(help="With one file: date or time of the repair; its day counts on neither side.", metavar="TIME"),
    ] = None
    cost: Annotated[
        float | None,
        typer.Option(min=0.0, help="What the repair cost, for its payback (needs --tariff).", metavar="MONEY"),
    ] = None
    random_state: Annotated[int, typer.Option(help="Seed of the intervals.", metavar="N")] = 0


def register(app: typer.Typer) -> None:
    """Add ``compare`` to the command line."""
    app.command("compare")(spread_options(compare_command))


def compare_command(
    before: Annotated[Path, typer.Argument(help="Flow data before, or before and after with --at.", metavar="BEFORE")],
    comparing: Comparing,
    reading: Reading,
    pricing: Pricing,
    answer: Answer,
    after: Annotated[Path | None, typer.Argument(help="Flow data after.", metavar="AFTER")] = None,
) -> None:
    """Tell what changed between two periods, what it saves, and whether a repair held."""
    answer.check(before, after, pricing.tariff)
    if (after is None) == (comparing.at is None):
        raise OptionError("give two files, or one file and --at, the day of the repair")
    check_needed("--tariff: a payback is in money", pricing.tariff, cost=comparing.cost)
    tariff = pricing.read()
    with working(f"reading {before.name}"):
        trace = reading.read(before)
    with working("telling the fixtures apart"):
        result = fs.disaggregate(trace)
        if after is not None:
            second = fs.disaggregate(reading.read(after))
            comparison = compare(
                result, second, tariff=tariff, cost=comparing.cost, random_state=comparing.random_state
            )
        else:
            comparison = compare_at(
                result, str(comparing.at), tariff=tariff, cost=comparing.cost, random_state=comparing.random_state
            )
    units = answer.system(trace)
    answer.give(comparison, comparison.table(), comparison_sections(comparison, units=units), units=units)
