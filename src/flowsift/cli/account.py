"""The commands that answer: ``account`` for a file, ``demo`` for the household that is shipped."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

import flowsift as fs
from flowsift.classify.earlier_file import read_earlier
from flowsift.classify.label_file import read_labels
from flowsift.cli.options import Answering, Reading, spread_options
from flowsift.cli.terminal import show, show_sections, working
from flowsift.disaggregation import Disaggregation
from flowsift.files import check_folder, check_table_path, write_table, write_text
from flowsift.households.shipped import read_shipped
from flowsift.report.account import water_account
from flowsift.report.account_text import account_sections
from flowsift.report.as_json import json_dict
from flowsift.units import UnitSystem

STANDARD_OUTPUT = Path("-")


def register(app: typer.Typer) -> None:
    """Add ``account`` and ``demo`` to the command line."""
    app.command()(spread_options(account))
    app.command()(spread_options(demo))


def account(
    file: Annotated[Path, typer.Argument(help="Flow data of one meter: CSV, CSV.gz or Parquet.", metavar="FILE")],
    reading: Reading,
    answering: Answering,
    labels: Annotated[
        Path | None,
        typer.Option(help="CSV of a few uses written down at home: time, label, fixture.", metavar="PATH"),
    ] = None,
    earlier: Annotated[
        Path | None,
        typer.Option(help="Table that --events wrote before: its fixtures keep their names.", metavar="PATH"),
    ] = None,
) -> None:
    """Print a household's water account.

    Says which fixture used what, what runs when nothing should, what each toilet takes per flush, and what could not
    be explained.
    """
    check_outputs(answering, file, labels, earlier)
    with working(f"reading {file.name}"):
        trace = reading.read(file)
        written_down = None if labels is None else read_labels(labels)
        household = None if earlier is None else fs.HomeFacts(earlier=read_earlier(earlier))
    answer(trace, answering, labels=written_down, household=household)


def demo(answering: Answering) -> None:
    """Print the account of a made-up home."""
    check_outputs(answering)
    answer(read_shipped("demo").trace, answering)


def answer(
    trace: fs.Trace,
    answering: Answering,
    *,
    labels: pd.DataFrame | None = None,
    household: fs.HomeFacts | None = None,
) -> None:
    """Disaggregate a trace, write the files asked for, and print its account."""
    with working("telling the fixtures apart"):
        result = fs.disaggregate(trace, household=household, labels=labels)
        drawn_up = water_account(result)
    units = answering.system(trace)
    write_tables(result, answering, units)
    as_json = json.dumps(json_dict(drawn_up, units=units), indent=2, allow_nan=False) + "\n"
    if answering.json == STANDARD_OUTPUT:
        show(as_json)
        return
    if answering.json is not None:
        write_text(as_json, answering.json)
    show_sections(account_sections(drawn_up, units=units))


def check_outputs(answering: Answering, *read: Path | None) -> None:
    """Find out before the work whether the files asked for can be written, none in place of one that is read."""
    if answering.events is not None:
        check_table_path(answering.events, *read)
    if answering.fixtures is not None:
        check_table_path(answering.fixtures, *read, answering.events)
    if answering.json not in (None, STANDARD_OUTPUT):
        check_folder(answering.json, *read, answering.events, answering.fixtures)


def write_tables(result: Disaggregation, answering: Answering, units: UnitSystem) -> None:
    """Write the tables asked for, in the units of the answer (their column names say which)."""
    for table, path in ((result.events, answering.events), (result.fixtures, answering.fixtures)):
        if path is not None:
            write_table(table.in_us_units() if units == "us" else table, path)
