"""Runs a method over homes: in parallel, resumable, a failing home is a row with its error."""

from __future__ import annotations

import logging
import platform
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from flowsift.disaggregation import Disaggregation
from flowsift.errors import OptionError
from flowsift.evaluate.account import Account, account_of_answer, account_of_truth
from flowsift.evaluate.checksums import home_checksum
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.contract import broken_invariant
from flowsift.evaluate.cost import count_cost, measure
from flowsift.evaluate.homes import LabelledHome, SimulatedHome
from flowsift.evaluate.method import LabelsEvents, Method, prepare
from flowsift.evaluate.precut import count_labels, count_unlabelled
from flowsift.evaluate.provenance import code_checksum, commit, method_checksum, versions
from flowsift.evaluate.record import HomeRecord, Manifest, open_run, read_records, write_record
from flowsift.evaluate.references import EmptyMethod, Oracle
from flowsift.evaluate.registry import load_method, module_of
from flowsift.evaluate.scores import count
from flowsift.evaluate.totals import Counts
from flowsift.households import Truth
from flowsift.trace import Trace

Number = TypeVar("Number", bound=np.generic)

logger = logging.getLogger(__name__)

Report = Callable[[HomeRecord], None]
"""Told of every home that is done."""


def run_suite(
    method: str,
    homes: Sequence[LabelledHome],
    folder: str | Path,
    *,
    suite: str,
    suite_checksum: str = "",
    workers: int = 1,
    report: Report | None = None,
) -> list[HomeRecord]:
    """Score a method on homes and write the record of the run.

    Homes that the folder holds already are not run again, unless they failed or their files changed. The number of
    workers changes nothing but the time.

    Parameters
    ----------
    method : str
        Name of a method, or ``module:attribute``.
    homes : sequence of LabelledHome
    folder : path
        Where the record goes; created if need be.
    suite : str
        Name of the set of homes.
    suite_checksum : str
        Its frozen checksum, if it has one.
    workers : int
        Number of processes, >= 1.
    report : callable, optional
        Called with the record of each home as it is done, in any order.

    Returns
    -------
    list of HomeRecord
        In the order of `homes`.

    Raises
    ------
    OptionError
        If the method is unknown, the number of workers is below 1, or the folder holds another run.
    """
    if workers < 1:
        raise OptionError(f"workers must be 1 or more, got {workers}")
    folder = Path(folder)
    loaded = load_method(method)
    names = [home.name for home in homes]
    open_run(
        folder,
        Manifest(
            method=method,
            method_class=f"{type(loaded).__module__}:{type(loaded).__qualname__}",
            training_data=str(getattr(loaded, "training_data", "none")),
            suite=suite,
            suite_checksum=suite_checksum,
            homes=names,
            seeds=[home.seed for home in homes if isinstance(home, SimulatedHome)],
            versions=versions(),
            commit=commit(),
            code=code_checksum(),
            method_code=method_checksum(loaded, module=module_of(method)),
            machine=f"{platform.system()} {platform.machine()}",
        ),
    )
    there = read_records(folder, names)
    done = {home.name: there[home.name] for home in homes if home.name in there and _holds(there[home.name], home)}
    tell = report or _say_nothing
    for record in done.values():
        tell(record)

    def keep(record: HomeRecord) -> None:
        write_record(record, folder)
        done[record.home] = record
        tell(record)

    left = [home for home in homes if home.name not in done]
    if workers == 1 or len(left) < 2:
        prepare(loaded)
        for home in left:
            keep(score_labelled_home(loaded, home))
    else:
        _run_parallel(method, left, workers=workers, keep=keep)
    return [done[name] for name in names]


def _holds(record: HomeRecord, home: LabelledHome) -> bool:
    """Whether a record is of the home as it is now; one that is simulated changes only with the code of the run."""
    return not record.error and (isinstance(home, SimulatedHome) or record.checksum == home_checksum(*home.load()))


def _say_nothing(_: HomeRecord) -> None:
    """Tell nobody."""


def score_labelled_home(method: Method, home: LabelledHome) -> HomeRecord:
    """Run a method on one home and score it; whatever the method raises becomes the record's error."""
    trace, truth = home.load()
    trace = locked(trace)
    true = account_of_truth(truth, trace)
    error = ""
    try:
        measured = measure(lambda: _answer(method, trace, truth))
        broken = broken_invariant(measured.result, trace)
        if broken:
            raise ValueError(f"the answer breaks the contract: {broken}")
        comparison = Comparison(truth=true, answer=account_of_answer(measured.result))
        counts = count(comparison) | count_cost(measured, trace)
    except Exception as failure:  # a plug-in may raise anything; the row says what
        logger.warning("%s failed on %s", type(method).__name__, home.name, exc_info=True)
        error = f"{type(failure).__name__}: {failure}"
        comparison = _unanswered(true)
        counts = count(comparison)
    if isinstance(method, LabelsEvents):
        try:
            counts |= count_labels(method, true, smallest_event_l=comparison.smallest_event_l)
        except Exception as failure:
            logger.warning("%s failed to label %s", type(method).__name__, home.name, exc_info=True)
            error = error or f"label_events: {type(failure).__name__}: {failure}"
            counts |= count_unlabelled(true, smallest_event_l=comparison.smallest_event_l)
    return _record(home, trace, truth, counts=counts, error=error)


def _unanswered(true: Account) -> Comparison:
    return Comparison(truth=true, answer=account_of_answer(EmptyMethod().disaggregate(true.trace)))


def _record(home: LabelledHome, trace: Trace, truth: Truth, *, counts: Counts, error: str) -> HomeRecord:
    return HomeRecord(
        home=home.name,
        condition={"interval_s": trace.interval_s, "pulse_l": trace.pulse_l, **home.condition},
        checksum=home_checksum(trace, truth),
        attribution=str(truth.card.get("attribution", "")),
        counts=counts,
        error=error,
    )


def locked(trace: Trace) -> Trace:
    """Return the trace with arrays that can't be written to: truth and answer stand on it, whatever the method does."""

    def read_only(array: npt.NDArray[Number]) -> npt.NDArray[Number]:
        copy = array.copy()
        copy.flags.writeable = False
        return copy

    return replace(
        trace,
        cell=read_only(trace.cell),
        volume_l=read_only(trace.volume_l),
        gaps=read_only(trace.gaps),
        gap_volume_l=read_only(trace.gap_volume_l),
    )


def _answer(method: Method, trace: Trace, truth: Truth) -> Disaggregation:
    # The only place where a truth meets a method, and only this class gets it.
    return method.answer(trace, truth) if isinstance(method, Oracle) else method.disaggregate(trace)


@cache
def _prepared(name: str) -> Method:
    """Return a method, loaded and trained once a process."""
    method = load_method(name)
    prepare(method)
    return method


def _score_in_worker(method: str, home: LabelledHome) -> HomeRecord:
    return score_labelled_home(_prepared(method), home)


def _run_parallel(
    method: str, homes: Sequence[LabelledHome], *, workers: int, keep: Callable[[HomeRecord], None]
) -> None:
    lost: list[LabelledHome] = []
    with ProcessPoolExecutor(min(workers, len(homes))) as pool:
        running = {pool.submit(_score_in_worker, method, home): home for home in homes}
        try:
            for future in as_completed(running):
                try:
                    keep(future.result())
                except BrokenProcessPool:
                    lost.append(running[future])
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise
    # A process that dies takes its pool down: try what was lost one at a time to see which home kills it.
    for home in lost:
        with ProcessPoolExecutor(1) as pool:
            try:
                keep(pool.submit(_score_in_worker, method, home).result())
            except BrokenProcessPool:
                keep(_lost_home(home))


def _lost_home(home: LabelledHome) -> HomeRecord:
    trace, truth = home.load()
    counts = count(_unanswered(account_of_truth(truth, trace)))
    return _record(home, trace, truth, counts=counts, error="the process died (out of memory?)")
