"""The command ``simulate``: write made-up homes with their truth."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated, cast

import typer

from flowsift.cli.options import parsed_volume_l
from flowsift.cli.terminal import show, working
from flowsift.households import simulate as simulate_home
from flowsift.households.labelled_folder import write_labelled_folder
from flowsift.households.population import Stock
from flowsift.households.simulate import Population


class TraceForm(StrEnum):
    """Forms of a trace's file."""

    parquet = "parquet"
    csv = "csv"


def register(app: typer.Typer) -> None:
    """Add ``simulate`` to the command line."""
    app.command()(simulate)


def simulate(
    output: Annotated[
        Path, typer.Option("--out", "--output", "-o", help="Folder for the homes, one folder each.", metavar="DIR")
    ],
    homes: Annotated[int, typer.Option("--homes", "-n", min=1, help="Number of homes.", metavar="N")] = 1,
    days: Annotated[int, typer.Option("--days", "-d", min=1, help="Days of each.", metavar="N")] = 14,
    seed: Annotated[
        int, typer.Option("--seed", min=0, help="Seed of the first; the next has the next.", metavar="N")
    ] = 0,
    interval: Annotated[
        float, typer.Option("--interval", help="Length of an interval in seconds.", metavar="SECONDS")
    ] = 1.0,
    pulse: Annotated[
        str, typer.Option("--pulse", help="Volume of one meter pulse, such as 10L or 0.1gal.", metavar="VOLUME")
    ] = "0.03L",
    stock: Annotated[
        str, typer.Option("--stock", help="Building stock: us, us-efficient or europe.", metavar="WORD")
    ] = "us",
    population: Annotated[
        str, typer.Option("--population", help="Kind of homes: standard or shifted.", metavar="WORD")
    ] = "standard",
    form: Annotated[TraceForm, typer.Option("--format", help="Form of the trace's file.")] = TraceForm.parquet,
) -> None:
    """Write simulated homes: each a folder with the meter's log, the truth and a card that describes the home."""
    pulse_l = parsed_volume_l(pulse)
    for number in range(seed, seed + homes):
        with working(f"simulating home {number}"):
            household = simulate_home(
                number,
                days=days,
                interval_s=interval,
                pulse_l=pulse_l,
                stock=cast(Stock, stock),
                population=cast(Population, population),
            )
            folder = output / f"home-{number:06d}"
            log = write_labelled_folder(household, folder, form=form.value)
        show(f"{log}: {household.trace!r}, {len(household.truth.events)} events\n")
