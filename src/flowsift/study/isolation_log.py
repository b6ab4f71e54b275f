"""The written steps of an isolation test: when which branch was closed or opened."""

from __future__ import annotations

import csv
import io
import itertools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from flowsift.errors import InputError
from flowsift.trace import Trace

CLOSING = frozenset({"close", "closed", "shut", "off"})
OPENING = frozenset({"open", "opened", "reopen", "reopened", "on"})
STARTING = frozenset({"start", "begin", "started"})
ENDING = frozenset({"end", "stop", "done", "ended"})
ACTIONS = CLOSING | OPENING | STARTING | ENDING

_TIME_NAMES = ("time", "when", "at")
_ACTION_NAMES = ("action", "did", "step")
_BRANCH_NAMES = ("branch", "valve", "what")
_CLOCK = re.compile(r"\d{1,2}:\d{2}(:\d{2})?")

USUAL_STEP_S = 1800.0
"""Length taken for a first or last step whose other end isn't written down [s]."""


@dataclass(frozen=True, kw_only=True)
class Step:
    """A stretch of time in which no valve moved.

    Attributes
    ----------
    start_s, end_s : float
        Seconds since the start of the trace.
    closed : frozenset of str
        Branches that were closed.
    opened : frozenset of str
        Branches that were opened at its start: their pipes refill first.

    Examples
    --------
    >>> from flowsift.study import Step
    >>> Step(start_s=0.0, end_s=600.0, closed=frozenset({"irrigation"})).closed
    frozenset({'irrigation'})
    """

    start_s: float
    end_s: float
    closed: frozenset[str]
    opened: frozenset[str] = frozenset()


def read_steps(path: str | Path, trace: Trace, *, date: str | None = None) -> tuple[Step, ...]:
    r"""Read the written steps from a CSV file.

    Parameters
    ----------
    path : str or Path
        Columns ``time``, ``action`` (close, open, start, end) and ``branch``. Times without a zone are those of the
        trace's; a clock time alone needs `date`, unless the trace lies within one day. A branch behind another is
        written ``house/kitchen``: closing ``house`` closes it too.
    trace : Trace
    date : str, optional
        Day of times that are clock times only, such as ``2024-06-03``.

    Returns
    -------
    tuple of Step
        In order. The time before the first row (everything open) and after the last counts as a step of at most
        `USUAL_STEP_S` unless a ``start`` or ``end`` row bounds it.

    Raises
    ------
    InputError
        A column is missing, a row can't be read, times go backwards or lie outside the trace, a branch is opened that
        wasn't closed or the other way round; it names file, row and column.

    Examples
    --------
    >>> from pathlib import Path
    >>> import flowsift as fs
    >>> trace = fs.households.read_shipped("demo").trace
    >>> rows = "time,action,branch\n2024-06-19 14:00,start,\n2024-06-19 14:20,close,irrigation\n2024-06-19 15:00,end,\n"
    >>> _ = Path("steps.csv").write_text(rows)
    >>> [step.end_s - step.start_s for step in fs.study.read_steps("steps.csv", trace)]
    [1200.0, 2400.0]
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("found bytes that are no UTF-8 text, expected a CSV file", file=str(path)) from error
    rows = list(csv.reader(io.StringIO(text)))
    if not rows:
        raise InputError("is empty, expected columns time, action, branch", file=str(path))
    header = [name.strip().lower() for name in rows[0]]
    columns = [_column(header, names, str(path)) for names in (_TIME_NAMES, _ACTION_NAMES, _BRANCH_NAMES)]
    written: list[tuple[int, str, str, str]] = []
    for number, row in enumerate(rows[1:], start=2):
        if not any(cell.strip() for cell in row):
            continue
        time, action, branch = (row[c].strip() if c < len(row) else "" for c in columns)
        written.append((number, time, action, branch))
    return steps_from_rows(written, trace, date=date, file=str(path))


def steps_from_rows(
    rows: Iterable[tuple[int, Any, str, str]], trace: Trace, *, date: str | None = None, file: str | None = None
) -> tuple[Step, ...]:
    """Return the steps that rows of (row number, time, action, branch) describe; errors as in `read_steps`."""
    moves: list[tuple[float, str, str]] = []
    closed: set[str] = set()
    for number, time, action, branch in rows:
        at_s = seconds_since_start(time, trace, date=date, file=file, row=number)
        if moves and at_s < moves[-1][0]:
            raise InputError("found a time before that of the row above", file=file, row=number, column="time")
        kind, name = action.lower(), _checked_branch(branch, file, number)
        if kind not in ACTIONS:
            known = ", ".join(sorted(ACTIONS))
            raise InputError(f"found {action!r}, expected one of {known}", file=file, row=number, column="action")
        if kind in STARTING | ENDING:
            moves.append((at_s, "start" if kind in STARTING else "end", ""))
            continue
        if not name:
            raise InputError("found nothing, expected the branch", file=file, row=number, column="branch")
        closing = kind in CLOSING
        if closing == (name in closed):
            state = "closed already" if closing else "not closed"
            raise InputError(f"{name!r} was {state}", file=file, row=number, column="branch")
        closed ^= {name}
        moves.append((at_s, "close" if closing else "open", name))
    if not any(kind in ("close", "open") for _, kind, _ in moves):
        raise InputError("found no valve closed or opened", file=file)
    return _steps(moves, trace)


def is_off(branch: str, closed: frozenset[str]) -> bool:
    """Tell whether a branch gets no water: it, or one that it lies behind, is closed."""
    parts = branch.split("/")
    return any("/".join(parts[: n + 1]) in closed for n in range(len(parts)))


def branches_of(steps: Sequence[Step]) -> tuple[str, ...]:
    """Return the branches that were moved, in the order in which they first were."""
    names: dict[str, None] = {}
    for step in steps:
        for name in sorted(step.closed):
            names.setdefault(name)
    return tuple(names)


def _steps(moves: list[tuple[float, str, str]], trace: Trace) -> tuple[Step, ...]:
    edges: list[tuple[float, frozenset[str], frozenset[str]]] = []
    closed: frozenset[str] = frozenset()
    stops: set[float] = set()
    if moves[0][1] != "start":
        edges.append((max(moves[0][0] - USUAL_STEP_S, 0.0), closed, frozenset()))
    for at_s, kind, name in moves:
        opened = frozenset({name}) if kind == "open" else frozenset()
        closed = closed | {name} if kind == "close" else closed - opened
        if kind == "end":
            stops.add(at_s)
        elif kind == "start" and at_s in stops:
            stops.remove(at_s)
            continue
        elif edges and edges[-1][0] == at_s:
            edges[-1] = (at_s, closed, edges[-1][2] | opened)
            continue
        edges.append((at_s, closed, opened))
    if not stops or max(stops) < edges[-1][0]:
        edges.append((min(edges[-1][0] + USUAL_STEP_S, trace.duration_s), closed, frozenset()))
    steps = []
    for (a, state, opened), (b, _, _) in itertools.pairwise(edges):
        if a not in stops and b > a:
            steps.append(Step(start_s=a, end_s=b, closed=state, opened=opened))
    return tuple(steps)


def _column(header: list[str], names: tuple[str, ...], file: str) -> int:
    for name in names:
        if name in header:
            return header.index(name)
    raise InputError(f"found columns {', '.join(header)}, expected one named {names[0]}", file=file, row=1)


def _checked_branch(branch: str, file: str | None, row: int) -> str:
    parts = [part.strip() for part in branch.split("/")]
    if branch and not all(parts):
        raise InputError(f"found {branch!r}, expected names between the slashes", file=file, row=row, column="branch")
    return "/".join(parts)


def seconds_since_start(
    time: Any, trace: Trace, *, date: str | None = None, file: str | None = None, row: int | None = None
) -> float:
    """Return a written time in seconds since the start of the trace.

    Parameters
    ----------
    time : str or Timestamp
        In the zone of the trace unless it carries one; a clock time alone needs `date`, or a trace of one day.
    trace : Trace
    date : str, optional
    file, row
        Where it stands, for the error.

    Raises
    ------
    InputError
        If it can't be read or lies outside the trace.
    """
    text = str(time)
    if isinstance(time, str) and _CLOCK.fullmatch(time):
        text = f"{date or _only_day(trace, file, row)} {time}"
    try:
        stamp = pd.Timestamp(text)
        if pd.isna(stamp):
            raise ValueError("no time")
        stamp = stamp.tz_localize(trace.timezone) if stamp.tzinfo is None else stamp
    except ValueError as error:
        problem = f"found {str(time)!r}, expected a time such as 2024-06-03 14:30 ({error})"
        raise InputError(problem, file=file, row=row, column="time") from error
    at_s = (stamp.tz_convert("UTC") - trace.start).total_seconds()
    if not -1.0 <= at_s <= trace.duration_s + 1.0:
        problem = f"found {stamp}, expected a time from {trace.start} to {trace.end}, which the trace covers"
        raise InputError(problem, file=file, row=row, column="time")
    return float(min(max(at_s, 0.0), trace.duration_s))


def _only_day(trace: Trace, file: str | None, row: int | None) -> str:
    last = trace.end - pd.Timedelta(trace.interval_s, "s")
    first, last = trace.start.tz_convert(trace.timezone), last.tz_convert(trace.timezone)
    if first.date() != last.date():
        problem = "found a clock time only, expected a date with it: the trace covers more than one day"
        raise InputError(problem, file=file, row=row, column="time")
    return str(first.date())
