"""The command ``checks``: can the meter be trusted?"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

import flowsift as fs
from flowsift.cli.options import Reading, check_needed, parsed_flow_lpm, parsed_volume_l, spread_options
from flowsift.cli.study_output import Answer
from flowsift.cli.terminal import working
from flowsift.files import check_table_path, write_table
from flowsift.report.checks_text import checks_sections
from flowsift.study.isolation_log import seconds_since_start
from flowsift.study.meter_checks import Factor, bucket_test, corrected, register_check, zero_test
from flowsift.study.meter_checks_report import meter_report
from flowsift.tables import Table


@dataclass(frozen=True, kw_only=True)
class Checking:
    """Which checks, and whether their factor is applied."""

    zero: Annotated[
        tuple[str, str] | None, typer.Option(help="Everything was closed between these two times.", metavar="FROM TO")
    ] = None
    register: Annotated[
        tuple[str, str, str, str] | None,
        typer.Option(help="Two readings with their times; readings with a unit (12.345m3).", metavar="T1 R1 T2 R2"),
    ] = None
    least_count: Annotated[
        str | None,
        typer.Option(help="Smallest step read off the register, with its unit [default: 1L].", metavar="VOLUME"),
    ] = None
    bucket: Annotated[
        tuple[str, str, str] | None,
        typer.Option(help="A known volume was drawn between two times.", metavar="FROM TO VOLUME"),
    ] = None
    resolution: Annotated[
        str | None,
        typer.Option(help="How well the bucket's volume is known, with its unit [default: 0.1L].", metavar="VOLUME"),
    ] = None
    background: Annotated[
        str | None,
        typer.Option(help="Steady flow during the bucket test, which is taken off, such as 0.1gpm.", metavar="FLOW"),
    ] = None
    starting_flow: Annotated[
        str | None, typer.Option(help="Flow below which the meter reads nothing, such as 0.03gpm.", metavar="FLOW")
    ] = None
    corrected: Annotated[
        Path | None,
        typer.Option(
            help="Write the flow, corrected by the factor known best (.csv, .csv.gz, .parquet).", metavar="PATH"
        ),
    ] = None

    def check(self, *, table: Path | None) -> None:
        """Raise `OptionError` for an option that would do nothing."""
        check_needed("--register", self.register, least_count=self.least_count)
        check_needed("--bucket", self.bucket, resolution=self.resolution, background=self.background)
        factor = self.register or self.bucket
        check_needed("--register or --bucket: they give the factor", factor, corrected=self.corrected, table=table)


def register(app: typer.Typer) -> None:
    """Add ``checks`` to the command line."""
    app.command("checks")(spread_options(checks_command))


def checks_command(
    file: Annotated[Path, typer.Argument(help="Flow data of one meter: CSV, CSV.gz or Parquet.", metavar="FILE")],
    checking: Checking,
    reading: Reading,
    answer: Answer,
) -> None:
    """Check the meter: does it read zero when closed, does it agree with the register and with a bucket?"""
    answer.check(file)
    checking.check(table=answer.table)
    if checking.corrected is not None:
        check_table_path(checking.corrected, file, answer.table, answer.json)
    with working(f"reading {file.name}"):
        trace = reading.read(file)
    zero = None
    if checking.zero is not None:
        start_s, end_s = (seconds_since_start(text, trace) for text in checking.zero)
        zero = zero_test(trace, start_s=start_s, end_s=end_s)
    starting = parsed_flow_lpm(checking.starting_flow, name="starting flow") if checking.starting_flow else 0.0
    report = meter_report(
        trace, zero=zero, register=_register(trace, checking), bucket=_bucket(trace, checking), starting_lpm=starting
    )
    if checking.corrected is not None and report.best is not None:
        write_table(flow_table(corrected(trace, report.best)), checking.corrected)
    units = answer.system(trace)
    rows = [f for f in (report.register, report.bucket) if f is not None]
    table = Table([vars(factor) for factor in rows]) if rows else None
    answer.give(report, table, checks_sections(report, units=units), units=units)


def flow_table(trace: fs.Trace) -> Table:
    """Return every interval with data: its start (UTC) and volume [L], to be read again as a trace."""
    times_ns, volume_l = trace.rows()
    return Table({"time": pd.to_datetime(times_ns, utc=True), "volume_l": volume_l})


def _register(trace: fs.Trace, checking: Checking) -> Factor | None:
    if checking.register is None:
        return None
    first, first_reading, last, last_reading = checking.register
    return register_check(
        trace,
        start_s=seconds_since_start(first, trace),
        end_s=seconds_since_start(last, trace),
        first_l=parsed_volume_l(first_reading, name="reading"),
        last_l=parsed_volume_l(last_reading, name="reading"),
        least_count_l=parsed_volume_l(checking.least_count or "1L", name="least count"),
    )


def _bucket(trace: fs.Trace, checking: Checking) -> Factor | None:
    if checking.bucket is None:
        return None
    first, last, volume = checking.bucket
    background = parsed_flow_lpm(checking.background, name="background") if checking.background else None
    return bucket_test(
        trace,
        spans_s=[(seconds_since_start(first, trace), seconds_since_start(last, trace))],
        volumes_l=[parsed_volume_l(volume, name="bucket")],
        resolution_l=parsed_volume_l(checking.resolution or "0.1L", name="resolution"),
        background_lpm=background,
    )
