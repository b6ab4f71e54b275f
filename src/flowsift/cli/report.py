"""The command ``report``: the account of a home as one page to look at."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli.isolate import measured
from flowsift.cli.options import Reading, Units, check_needed, spread_options
from flowsift.cli.study_output import Pricing
from flowsift.cli.terminal import show, working
from flowsift.errors import OptionError
from flowsift.files import check_folder
from flowsift.study.isolation_log import read_steps
from flowsift.units import system_of


def register(app: typer.Typer) -> None:
    """Add ``report`` to the command line."""
    app.command("report")(spread_options(report))


def report(
    file: Annotated[Path, typer.Argument(help="Flow data of one meter: CSV, CSV.gz or Parquet.", metavar="FILE")],
    reading: Reading,
    pricing: Pricing,
    output: Annotated[Path, typer.Option("--out", "--output", "-o", help="Page to write.", metavar="PATH")] = Path(
        "report.html"
    ),
    log: Annotated[
        Path | None,
        typer.Option(help="Written steps of an isolation test, CSV: time, action, branch.", metavar="PATH"),
    ] = None,
    date: Annotated[str | None, typer.Option(help="Day of log times that are clock times.", metavar="DATE")] = None,
    title: Annotated[str, typer.Option(help="Heading of the page.", metavar="TEXT")] = "Water account",
    units: Annotated[Units | None, typer.Option(help="Units shown first [default: those of the input].")] = None,
) -> None:
    """Write the account as one HTML page that opens from disk and fetches nothing."""
    check_folder(output, file, log, pricing.tariff)
    check_needed("--log, the written steps", log, date=date)
    tariff = pricing.read()
    try:
        page = import_module("flowsift.report.page")
    except ImportError as error:
        raise OptionError(f"a page needs {error.name}: install flowsift[report]") from error
    with working(f"reading {file.name}"):
        trace = reading.read(file)
    with working("telling the fixtures apart"):
        result = fs.disaggregate(trace)
    tested = None if log is None else measured(trace, read_steps(log, trace, date=date))
    with working("drawing the page"):
        system = units.value if units is not None else system_of(trace.unit)
        page.write_page(result, output, tariff=tariff, isolation=tested, units=system, title=title)
    show(f"{output}\n")
