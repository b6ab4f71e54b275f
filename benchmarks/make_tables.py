"""Run every method on the suites and write the tables: ``python benchmarks/make_tables.py --workers 2``.

Tables go to ``benchmarks/tables/<suite>.md`` (``.csv`` with every figure beside it), records of the runs to a folder of
their own, so that an interrupt costs one home. ``--apartment PATH`` adds the open apartment.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from flowsift.errors import OptionError
from flowsift.evaluate.homes import LabelledHome, OpenApartment
from flowsift.evaluate.open_data import APARTMENT
from flowsift.evaluate.plots import plot_resolution
from flowsift.evaluate.ranking import Run, by_condition, rank, read_run
from flowsift.evaluate.runner import run_suite
from flowsift.evaluate.scores import DEFINITIONS
from flowsift.evaluate.suites import suite, suites
from flowsift.evaluate.tables import ranking_text

HERE = Path(__file__).parent
METHODS = ("flowsift", "supervised", "hmm", "change-points", "floor", "empty", "oracle")
BY_READING = ("volume.share", "events.macro_f1", "boundaries.f1[time,isolated]", "boundaries.f1[time,overlapping]")
SUMMARY = ("volume.share", "events.macro_f1", "events.micro_f1", "volume.period_share", "loads.f1", "calibration.ece")
READ_METHODS = ("flowsift", "floor")
"""Figures and methods that are also given for each interval and pulse."""
TEST_SUITES = tuple(name for name, made in suites().items() if made.split == "test")


def make_table(
    name: str, homes: Sequence[LabelledHome], checksum: str, *, methods: Sequence[str], records: Path, workers: int
) -> None:
    folders = []
    for method in methods:
        folder = records / name / method.replace(":", "-")
        try:
            run_suite(method, homes, folder, suite=name, suite_checksum=checksum, workers=workers)
        except OptionError as error:
            print(f"{name}, {method}: left out ({error})")
            continue
        print(f"{name}, {method}: done", flush=True)
        folders.append(folder)
    runs = [read_run(folder) for folder in folders]
    ranking = rank(runs)
    tables = HERE / "tables"
    tables.mkdir(exist_ok=True)
    text = ranking_text(runs, ranking, style="markdown") + by_reading_text(runs)
    (tables / f"{name}.md").write_text(text, encoding="utf-8")
    ranking.round(6).to_csv(tables / f"{name}.csv", index=False)
    plot_resolution([run for run in runs if run.manifest.method != "oracle"], tables / f"{name}.png")


def by_reading_text(runs: Sequence[Run]) -> str:
    """Write the figures of `BY_READING` for each interval and pulse; empty where the homes know one reading only."""
    lines = []
    for figure in BY_READING:
        for run in runs:
            table = by_condition(run, figure=figure)
            if len(table) < 2 or run.manifest.method not in READ_METHODS:
                continue
            wide = table.pivot_table(index="interval_s", columns="pulse_l", values="value")
            lines += [
                "",
                f"{DEFINITIONS[figure.split('[')[0]].title}, {figure}, {run.manifest.method}:",
                "",
                "| interval | " + " | ".join(f"{pulse:g} L a pulse" for pulse in wide.columns) + " |",
                "|" + " --- |" * (wide.shape[1] + 1),
            ]
            lines += [
                f"| {interval:g} s | " + " | ".join(f"{value:.3f}" for value in row) + " |"
                for interval, row in zip(wide.index, wide.to_numpy(), strict=True)
            ]
    return "\n".join([*lines, ""]) if lines else ""


def summary_text(tables: Path, command: str) -> str:
    """Set the homes side by side, simulated ones and the real one: a row each, our own method and the floor."""
    names = [name for name in (*TEST_SUITES, APARTMENT) if (tables / f"{name}.csv").is_file()]
    titles = [DEFINITIONS[figure].title for figure in SUMMARY]
    lines = [
        "# Our own method, and the floor, on each set of homes",
        "",
        f"Written by `{command}`; value and 95 % interval over homes. The apartment is one real home: no interval.",
        "",
        "| homes | method | " + " | ".join(titles) + " |",
        "|" + " --- |" * (len(titles) + 2),
    ]
    for name in names:
        ranking = pd.read_csv(tables / f"{name}.csv").set_index(["method", "figure"])
        for method in READ_METHODS:
            cells = [_cell(ranking.loc[(method, figure)]) for figure in SUMMARY]
            lines.append(f"| [{name}]({name}.md) | {method} | " + " | ".join(cells) + " |")
    return "\n".join([*lines, ""])


def _cell(row: pd.Series) -> str:
    if pd.isna(row["value"]):
        return "n/a"
    interval = "" if pd.isna(row["low"]) else f" [{row['low']:.3f}, {row['high']:.3f}]"
    return f"{row['value']:.3f}{interval}"


def list_figures() -> str:
    lines = [
        "# Every figure of a table",
        "",
        "| figure | title | unit | better | meaning | source |",
        "|" + " --- |" * 6,
    ]
    for d in DEFINITIONS.values():
        cells = (d.name, d.title, d.unit, d.better, d.meaning, d.source)
        lines.append("| " + " | ".join(cell.replace("|", "\\|") for cell in cells) + " |")
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--suites", nargs="*", default=list(TEST_SUITES))
    parser.add_argument("--methods", nargs="*", default=list(METHODS))
    parser.add_argument("--apartment", type=Path)
    parser.add_argument("--records", type=Path, default=HERE / "results")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    (HERE / "FIGURES.md").write_text(list_figures(), encoding="utf-8")
    shared = {"methods": options.methods, "records": options.records, "workers": options.workers}
    if options.apartment:
        make_table(APARTMENT, [OpenApartment(folder=options.apartment)], "", **shared)
    for name in options.suites:
        make_table(name, suite(name).homes, suite(name).checksum, **shared)
    command = "python benchmarks/make_tables.py --apartment PATH"
    (HERE / "tables" / "README.md").write_text(summary_text(HERE / "tables", command), encoding="utf-8")


if __name__ == "__main__":
    main()
