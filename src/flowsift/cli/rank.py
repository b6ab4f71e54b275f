"""The command ``rank``: set recorded runs side by side."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from flowsift.cli.terminal import show
from flowsift.evaluate.plots import plot_resolution
from flowsift.evaluate.ranking import HEADLINE, RANKED_BY, read_run
from flowsift.evaluate.ranking import rank as rank_runs
from flowsift.evaluate.tables import ranking_text
from flowsift.files import write_table, write_text


def register(app: typer.Typer) -> None:
    """Add ``rank`` to the command line."""
    app.command()(rank)


def rank(
    folders: Annotated[list[Path], typer.Argument(help="Folders that `score` wrote, of one suite.", metavar="DIR")],
    by: Annotated[str, typer.Option("--by", help="Figure to rank by.", metavar="NAME")] = RANKED_BY,
    against: Annotated[
        str | None,
        typer.Option("--against", help="Method that the others are compared with [default: the best].", metavar="NAME"),
    ] = None,
    every: Annotated[bool, typer.Option("--all", help="Print every figure, not the short list.")] = False,
    output: Annotated[
        Path | None,
        typer.Option(
            "--out",
            "--output",
            "-o",
            help="Folder for ranking.txt, ranking.md, ranking.csv and resolution.png.",
            metavar="DIR",
        ),
    ] = None,
    random_state: Annotated[int, typer.Option("--random-state", help="Seed of the intervals.", metavar="N")] = 0,
) -> None:
    """Rank methods by their recorded scores, with intervals over homes."""
    runs = [read_run(folder) for folder in folders]
    ranking = rank_runs(runs, by=by, against=against, random_state=random_state)
    wanted = list(dict.fromkeys(ranking["figure"])) if every else HEADLINE
    text = ranking_text(runs, ranking, style="text", wanted=wanted)
    if output is not None:
        output.mkdir(parents=True, exist_ok=True)
        write_text(text, output / "ranking.txt")
        write_text(ranking_text(runs, ranking, style="markdown", wanted=wanted), output / "ranking.md")
        write_table(ranking, output / "ranking.csv")
        plot_resolution(runs, output / "resolution.png", figure=by)
    show(text)
