"""The command ``fleet``: answer every home of a data set."""

from __future__ import annotations

from typing import Annotated

import typer

from flowsift.cli.options import Reading, Units, spread_options
from flowsift.cli.terminal import SOME_FAILED, complain, counting, show_sections, working
from flowsift.fleet import Outcome, find_homes, run_fleet
from flowsift.fleet.names import KEY, printable
from flowsift.fleet.text import fleet_sections


def register(app: typer.Typer) -> None:
    """Add ``fleet`` to the command line."""
    app.command()(spread_options(fleet))


def fleet(
    source: Annotated[
        str,
        typer.Argument(
            help="Path or URL: a data set with a folder KEY=ID a home, or a folder with a file a home.",
            metavar="SOURCE",
        ),
    ],
    reading: Reading,
    output: Annotated[
        str, typer.Option("--out", "--output", "-o", help="Folder or URL for the answers.", metavar="DIR")
    ],
    key: Annotated[str, typer.Option("--key", help="Partition key whose values are the homes.", metavar="NAME")] = KEY,
    workers: Annotated[
        int | None,
        typer.Option("--workers", "-w", min=1, help="Processes to run at a time [default: one a core].", metavar="N"),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(help="Run on the Dask cluster with this address instead, such as tcp://host:8786.", metavar="URL"),
    ] = None,
    units: Annotated[Units | None, typer.Option(help="Units of what is printed [default: those of the input].")] = None,
) -> None:
    """Tell which fixture used what in every home of a data set, in parallel.

    Writes partitioned Parquet (events, trickle, fixtures, balance, toilets; litres), a summary of one row a home, and a
    list of the homes that failed. Run it again after an interrupt or a failure: finished homes are kept. Ends with
    status 0 when every home is answered, 3 when some failed.
    """
    with working(f"looking for homes in {source}"):
        found = find_homes(source, key=key)
    with counting() as progress:
        task = progress.add_task("homes", total=len(found))

        def report(outcome: Outcome) -> None:
            progress.advance(task)
            if outcome.state == "failed":
                complain(f"{printable(outcome.home)}: {outcome.error}")

        run = run_fleet(found, output, reading=reading.given(), workers=workers, scheduler=scheduler, report=report)
    system = units.value if units is not None else run.totals.units
    show_sections(fleet_sections(run, units=system))
    if len(run.failed):
        raise typer.Exit(SOME_FAILED)
