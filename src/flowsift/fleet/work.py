"""The work on one home: read it, tell its fixtures apart, write the answer; whatever fails, fails for it alone."""

from __future__ import annotations

import errno
import logging
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

from threadpoolctl import threadpool_limits

import flowsift as fs
from flowsift.errors import FlowsiftError, OptionError
from flowsift.evaluate.provenance import code_checksum
from flowsift.fleet.names import printable
from flowsift.fleet.reading import read_home
from flowsift.fleet.source import Home, input_files, open_files
from flowsift.fleet.store import FleetStore, Request
from flowsift.fleet.summary import summary_row
from flowsift.fleet.tables import answer_tables
from flowsift.study.flushes_homes import homes_study
from flowsift.study.flushes_study import flushes

logger = logging.getLogger(__name__)

_NO_SPACE = (errno.ENOSPC, errno.EDQUOT)


@dataclass(frozen=True, kw_only=True)
class Job:
    """What a worker needs to answer one home.

    Attributes
    ----------
    home : Home
    source : str
        Absolute path or URL of the data set.
    key : str
        Its partition key.
    partitioned : bool
        Whether its homes are partitions.
    out : str
        Absolute path or URL of the answers.
    reading : mapping
        Options of `flowsift.read_trace`.
    random_state : int
    code : str
        Checksum of the code that started the run.
    """

    home: Home
    source: str
    key: str
    partitioned: bool
    out: str
    reading: Mapping[str, str | float | bool]
    random_state: int
    code: str


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What became of one home.

    Attributes
    ----------
    home : str
    state : {"answered", "kept", "failed"}
        Answered now, answered by an earlier run and kept, or failed.
    error : str
        What went wrong; empty where nothing did.
    what_to_do : str
        What mends it; empty likewise.

    Examples
    --------
    >>> from flowsift.fleet import Outcome
    >>> Outcome(home="a", state="failed", error="no rows").error
    'no rows'
    """

    home: str
    state: Literal["answered", "kept", "failed"]
    error: str = ""
    what_to_do: str = ""


@lru_cache(maxsize=1)
def code_here() -> str:
    """Return the checksum of the code that this process runs."""
    return code_checksum()


def answer_home(job: Job) -> Outcome:
    """Answer one home unless its answer is there; what a home or a disk can do is an outcome, never raised.

    Raises
    ------
    OptionError
        If this process runs another flowsift than the one that started the run.
    """
    home = job.home.name
    if job.code != code_here():
        raise OptionError(
            f"a worker runs another flowsift ({fs.__version__}, {code_here()}) than this one ({job.code}): install the "
            "same on every worker, restart them and run again"
        )
    try:
        source, root = open_files(job.source)
        store = FleetStore(job.out)
        files = input_files(source, root, job.home)
        request = Request(code=job.code, options={**job.reading, "random_state": job.random_state}, files=files)
        if store.holds(home, request):
            return Outcome(home=home, state="kept")
        # One thread each: sums of many threads may differ in their last digit, and the cores are taken by other homes.
        with threadpool_limits(limits=1):
            trace = read_home(
                source, root, files, home=home if job.partitioned else None, key=job.key, options=job.reading
            )
            result = fs.disaggregate(trace, random_state=job.random_state)
            study = homes_study([(home, flushes(result))])
        store.put(
            home,
            request,
            version=fs.__version__,
            tables=answer_tables(result, study),
            summary=summary_row(result, study, home=home),
        )
    except Exception as error:
        logger.info("home %r failed", home, exc_info=True)
        return failed(home, said(error), what_to_do(error))
    return Outcome(home=home, state="answered")


def failed(home: str, error: str, advice: str) -> Outcome:
    """Return the outcome of a home that has no answer."""
    return Outcome(home=home, state="failed", error=printable(" ".join(error.split())), what_to_do=advice)


def said(error: BaseException) -> str:
    """Return an error in one line: flowsift's own as they are, others with their type."""
    text = " ".join(str(error).split())
    if isinstance(error, FlowsiftError):
        return text
    return f"{type(error).__name__}: {text}" if text else type(error).__name__


def what_to_do(error: BaseException) -> str:
    """Return what mends an error, then run again."""
    if isinstance(error, FlowsiftError):
        return "mend or replace the file, or pass the option that the error names, and run again"
    if isinstance(error, MemoryError):
        return "run again with fewer workers, or with more memory for each"
    if isinstance(error, OSError) and error.errno in _NO_SPACE:
        return "make room where the answers (or temporary files) go, and run again"
    if isinstance(error, OSError):
        return "check that every worker can reach the source and write the answers, and run again"
    return "a fault of flowsift: report it with this home's file"
