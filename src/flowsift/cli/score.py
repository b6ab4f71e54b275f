"""The command ``score``: run a method over a suite of homes with known truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flowsift.cli.terminal import SOME_FAILED, complain, counting, show
from flowsift.errors import OptionError
from flowsift.evaluate.homes import LabelledHome, OpenApartment, RecordedHome
from flowsift.evaluate.open_data import APARTMENT
from flowsift.evaluate.ranking import rank, read_run
from flowsift.evaluate.record import HomeRecord
from flowsift.evaluate.runner import run_suite
from flowsift.evaluate.suites import suite as suite_named
from flowsift.evaluate.tables import ranking_text


def register(app: typer.Typer) -> None:
    """Add ``score`` to the command line."""
    app.command()(score)


def score(
    output: Annotated[
        Path, typer.Option("--out", "--output", "-o", help="Folder for the results, one file a home.", metavar="DIR")
    ],
    method: Annotated[
        str, typer.Option("--method", "-m", help="Name of an installed method, or module:attribute.", metavar="NAME")
    ] = "flowsift",
    suite: Annotated[
        str | None, typer.Option("--suite", "-s", help="Name of a suite [default: quick].", metavar="NAME")
    ] = None,
    data: Annotated[
        Path | None,
        typer.Option(
            "--data",
            help="Instead of a suite: a folder of labelled homes, each as `simulate` writes it.",
            metavar="DIR",
        ),
    ] = None,
    apartment: Annotated[
        Path | None,
        typer.Option("--apartment", help="Instead of a suite: the folder of the open apartment.", metavar="DIR"),
    ] = None,
    homes: Annotated[
        int | None, typer.Option("--homes", min=1, help="Only the first so many homes.", metavar="N")
    ] = None,
    workers: Annotated[
        int, typer.Option("--workers", "-w", min=1, help="Processes to run at a time.", metavar="N")
    ] = 1,
) -> None:
    """Score a method on homes with known truth. Run it again after an interrupt: it resumes.

    Ends with status 0 when the method answered for every home, 3 when it failed on some.
    """
    name, checksum, chosen = _homes(suite, data, apartment)
    chosen = chosen[:homes]
    if homes is not None and checksum:
        checksum = f"{checksum} (first {len(chosen)})"
    with counting() as progress:
        task = progress.add_task(f"{method} on {name}", total=len(chosen))

        def report(record: HomeRecord) -> None:
            progress.advance(task)
            if record.error:
                complain(f"{record.home}: {record.error}")

        run_suite(method, chosen, output, suite=name, suite_checksum=checksum, workers=workers, report=report)
    run = read_run(output)
    show(ranking_text([run], rank([run]), style="text"))
    if run.failed:
        raise typer.Exit(SOME_FAILED)


def _homes(suite: str | None, data: Path | None, apartment: Path | None) -> tuple[str, str, list[LabelledHome]]:
    """Return the name, the frozen checksum and the homes of whatever was asked for."""
    if sum(given is not None for given in (suite, data, apartment)) > 1:
        raise OptionError("give one of --suite, --data and --apartment")
    if apartment is not None:
        return APARTMENT, "", [OpenApartment(folder=apartment)]
    if data is not None:
        folders = sorted(path.parent for path in data.glob("*/card.json")) if data.is_dir() else []
        if not folders:
            raise OptionError(f"{data}: expected folders of homes as `flowsift simulate` writes them, found none")
        # No suite has such a name: a folder called as one isn't taken for it.
        return f"{data.resolve().name}/", "", [RecordedHome(folder=folder) for folder in folders]
    found = suite_named(suite or "quick")
    return found.name, found.checksum, list(found.homes)
