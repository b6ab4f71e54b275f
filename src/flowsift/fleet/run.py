"""`run_fleet`: every home of a data set answered, in parallel, again and again until all are done."""

from __future__ import annotations

import logging
import os
from collections import Counter
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import Any

import pandas as pd

from flowsift.errors import OptionError
from flowsift.files import guard_formulas
from flowsift.fleet.cluster import connected, outcomes
from flowsift.fleet.names import as_text
from flowsift.fleet.source import FleetSource, absolute
from flowsift.fleet.store import FleetStore
from flowsift.fleet.summary import Totals, write_summary
from flowsift.fleet.work import Job, Outcome, code_here
from flowsift.readers.reading_options import checked_reading
from flowsift.tables import Table

SUMMARY, FAILED = "summary.parquet", "failed.csv"
"""Files beside the tables: one row a home that was answered, and one a home that wasn't."""

FAILED_COLUMNS = ("home", "error", "what_to_do")

logger = logging.getLogger(__name__)

Report = Callable[[Outcome], None]
"""Told of every home that is done."""


@dataclass(frozen=True, kw_only=True)
class FleetRun:
    r"""What a run did.

    Attributes
    ----------
    out : str
        Where the answers are.
    n_homes, n_answered, n_kept : int
        Homes of the source; answered by this run; answered by an earlier one and kept.
    failed : Table
        Homes without an answer: home, error, what_to_do; sorted by home.
    totals : Totals
        Sums over the homes with an answer.

    Examples
    --------
    >>> from pathlib import Path
    >>> from flowsift.fleet import find_homes, run_fleet
    >>> for name in ("a", "b"):
    ...     Path("homes").mkdir(exist_ok=True)
    ...     _ = Path(f"homes/{name}.csv").write_text("time,volume_l\n2024-06-12 07:00,0\n2024-06-12 07:01,6\n")
    >>> run_fleet(find_homes("homes"), "answers", workers=1).n_homes
    2
    """

    out: str
    n_homes: int
    n_answered: int
    n_kept: int
    failed: Table
    totals: Totals


def run_fleet(
    source: FleetSource,
    out: str | os.PathLike[str],
    *,
    reading: Mapping[str, Any] | None = None,
    random_state: int = 0,
    workers: int | None = None,
    scheduler: str | None = None,
    report: Report | None = None,
) -> FleetRun:
    r"""Answer every home of a data set.

    Homes whose answer is there, from the same files, options and code, are kept; the rest is answered and what failed
    before is tried again. The number of workers and of interrupts changes nothing in what is written.

    Parameters
    ----------
    source : FleetSource
        From `find_homes`.
    out : str or path
        Folder or URL of `fsspec` for the answers; created if need be. Gets the data sets ``events``, ``trickle``,
        ``fixtures``, ``balance`` and ``toilets``, each with a folder ``home=ID`` a home; ``receipts``,
        ``summary.parquet`` and ``failed.csv``.
    reading : mapping, optional
        Options of `flowsift.read_trace`, the same for every home.
    random_state : int
        Seed given to `flowsift.disaggregate` for every home.
    workers : int, optional
        Processes on this machine; one a core where neither this nor `scheduler` is given.
    scheduler : str, optional
        Address of a Dask scheduler instead; its workers must reach `source` and `out` under the same names.
    report : callable, optional
        Called with the outcome of each home, in any order.

    Returns
    -------
    FleetRun

    Raises
    ------
    OptionError
        A wrong option, `out` holding something else, nobody at `scheduler`, Dask not installed.
    FlowsiftError
        The scheduler went away, or a worker can't run this flowsift.

    Examples
    --------
    >>> from pathlib import Path
    >>> from flowsift.fleet import find_homes, run_fleet
    >>> for name in ("a", "b"):
    ...     Path("homes").mkdir(exist_ok=True)
    ...     _ = Path(f"homes/{name}.csv").write_text("time,volume_l\n2024-06-12 07:00,0\n2024-06-12 07:01,6\n")
    >>> run = run_fleet(find_homes("homes"), "answers", workers=1)
    >>> run.n_answered, len(run.failed)
    (2, 0)
    """
    options = checked_reading(reading or {})
    place = absolute(out)
    if place.rstrip("/") == source.url.rstrip("/"):
        raise OptionError(f"{place} is the source: give another folder for the answers")
    store = FleetStore(place)
    store.prepare(home.name for home in source.homes())
    code = code_here()
    jobs = (
        Job(
            home=home,
            source=source.url,
            key=source.key,
            partitioned=source.partitioned,
            out=place,
            reading=options,
            random_state=random_state,
            code=code,
        )
        for home in source.homes()
    )
    counts: Counter[str] = Counter()
    failures: list[Outcome] = []
    with connected(workers=workers, scheduler=scheduler) as client:
        for outcome in outcomes(client, jobs):
            counts[outcome.state] += 1
            if outcome.state == "failed":
                failures.append(outcome)
            if report is not None:
                report(outcome)
    for outcome in failures:
        # An answer of before would be of another input or other options.
        with suppress(OSError):
            store.remove(outcome.home)
    without = {outcome.home for outcome in failures}
    receipts = store.receipts(home.name for home in source.homes() if home.name not in without)
    with store.written(SUMMARY) as sink:
        totals = write_summary((receipt["summary"] for receipt in receipts), sink)
    failed = _failed_table(failures)
    with store.written(FAILED) as sink:
        sink.write(guard_formulas(failed).to_csv(index=False, lineterminator="\n").encode())
    store.clear()
    logger.debug("fleet %s: %d homes, %s", place, len(source), dict(counts))
    return FleetRun(
        out=place,
        n_homes=len(source),
        n_answered=counts["answered"],
        n_kept=counts["kept"],
        failed=failed,
        totals=totals,
    )


def _failed_table(failures: list[Outcome]) -> Table:
    rows = sorted(((as_text(f.home), f.error, f.what_to_do) for f in failures), key=lambda row: row[0])
    return Table(pd.DataFrame(rows, columns=list(FAILED_COLUMNS)).astype("str"))
