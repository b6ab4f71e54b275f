"""Zones that water by a clock, and the ones whose flow rose above their own history: a broken head, a split pipe.

A zone is known by its timer, not by its name: it starts at one time of the day and runs for one time. A flow that rose
would make it another fixture by name, and is the very thing that is looked for.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray, IntArray
from flowsift.disaggregation import Disaggregation
from flowsift.standards.conversion import DAYS_PER_YEAR
from flowsift.study.flushes_volume import Z
from flowsift.study.leaks_lines import LeakLine
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

TIMED = ("irrigation", "pool_fill", "hose")
"""Labels of what a timer may run: at one flow a single zone looks much like a fill or a hose."""

SAME_CLOCK_S, SAME_LENGTH = 300.0, 0.08
"""Starts so near in the time of the day [s], and lengths within this share or two intervals, are one timer's."""

ZONE_RISE = 0.10
"""Least rise of a zone's flow that makes a line, as a share: pressure moves it by a few per cent."""

ZONE_SCATTER = 0.015
"""Least scatter taken for the flow of a zone from run to run, as a share."""

ZONE_RUNS = (4, 2)
"""Runs needed before and after a rise."""

RESTS_D = 14.0
"""A zone that has not run for so long has stopped [d] (assumption: longer than any usual schedule waits)."""


def clock_time_s(local: pd.Series) -> FloatArray:
    """Return the time of the day that the clock shows, shape (n,) [s]: what a timer goes by.

    Where clocks change it isn't the time since midnight, which may not even exist.

    Parameters
    ----------
    local : Series of Timestamp, shape (n,)
        Times in the zone of the clock.
    """
    wall = local.dt.tz_localize(None)
    return np.asarray((wall - wall.dt.normalize()).dt.total_seconds(), dtype=np.float64)


def timed_runs(clock_s: FloatArray, length_s: FloatArray, *, slack_s: float) -> IntArray:
    """Put runs that start at one time of the day and last alike in one group.

    Parameters
    ----------
    clock_s, length_s : ndarray, shape (n_runs,)
        Clock time of the start and length of each run [s], in order of time.
    slack_s : float
        Lengths that differ by no more than this are alike in any case [s].

    Returns
    -------
    ndarray of int64, shape (n_runs,)
        Group of each run, counted from 0.
    """
    group = np.full(clock_s.size, -1, dtype=np.int64)
    latest: list[int] = []
    for k in range(clock_s.size):
        for g, other in enumerate(latest):
            off_s = abs(clock_s[k] - clock_s[other])
            near = min(off_s, SECONDS_PER_DAY - off_s) <= SAME_CLOCK_S
            if near and abs(length_s[k] - length_s[other]) <= max(SAME_LENGTH * length_s[other], slack_s):
                group[k], latest[g] = g, k
                break
        else:
            group[k] = len(latest)
            latest.append(k)
    return group


def raised_zones(result: Disaggregation, *, days: float) -> list[LeakLine]:
    """Return a line for each zone of a timer whose flow rose above its own history and stayed there."""
    trace = result.trace
    events = result.events[result.events["label"].isin(TIMED)].sort_values("start")
    local = events["start"].dt.tz_convert(trace.timezone)
    clock_s = clock_time_s(local)
    length_s = events["duration_s"].to_numpy(dtype=np.float64)
    member = timed_runs(clock_s, length_s, slack_s=2.0 * trace.interval_s)
    lines = []
    for g in range(int(member.max(initial=-1)) + 1):
        runs = events[member == g]
        flow = runs["mean_lpm"].to_numpy(dtype=np.float64)
        minutes = runs["duration_s"].to_numpy(dtype=np.float64) / SECONDS_PER_MINUTE
        split = rise(flow)
        if split is None:
            continue
        usual, error = _middle(flow[:split])
        now, error_now = _middle(flow[split:])
        excess = float(np.sum(np.maximum(flow[split:] - usual, 0.0) * minutes[split:]))
        since, until = runs["start"].iloc[split], runs["end"].iloc[-1]
        running_d = max((trace.end - since).total_seconds() / SECONDS_PER_DAY, 1.0)
        ongoing = (trace.end - until).total_seconds() <= RESTS_D * SECONDS_PER_DAY
        half = Z * float(np.hypot(error, error_now))
        share = half / (now - usual)
        per_day = excess / min(running_d, max(days, 1.0))
        lines.append(
            LeakLine(
                kind="zone above its history",
                fixture=str(runs["fixture"].iloc[:split].mode().iloc[0]),
                since=since.tz_convert(trace.timezone),
                until=until.tz_convert(trace.timezone),
                ongoing=ongoing,
                rate_lpm=now - usual,
                low_lpm=max(now - usual - half, 0.0),
                high_lpm=now - usual + half,
                volume_l=min(excess, float(runs["volume_l"].sum())),
                per_day_l=per_day,
                low_per_day_l=per_day * max(1.0 - share, 0.0),
                high_per_day_l=per_day * (1.0 + share),
                per_year_l=per_day * DAYS_PER_YEAR if ongoing else 0.0,
                cost_per_year=float("nan"),
                sure="firm" if flow.size - split >= 4 and share < 0.3 else "likely",
                reason=f"{100 * (now / usual - 1):.0f} % more flow than in the {split} runs before, at the same clock "
                f"time (about {local[runs.index[0]]:%H:%M})",
                where=(
                    "heads of this zone while it runs: broken, missing or tilted",
                    "its lateral pipe: a wet or sunken spot",
                ),
            )
        )
    return lines


def rise(flow_lpm: FloatArray) -> int | None:
    """Return the first run of a lasting rise of a zone's flow, or None.

    Parameters
    ----------
    flow_lpm : ndarray, shape (n_runs,)
        Mean flow of each run, in order of time.
    """
    before, after = ZONE_RUNS
    best, at = 0.0, None
    for split in range(before, flow_lpm.size - after + 1):
        usual, error = _middle(flow_lpm[:split])
        now, error_now = _middle(flow_lpm[split:])
        score = (now - usual) / float(np.hypot(error, error_now))
        if now >= (1.0 + ZONE_RISE) * usual and flow_lpm[split] >= (1.0 + ZONE_RISE / 2) * usual and score > best:
            best, at = score, split
    return at if best > 4.0 else None


def _middle(flow_lpm: FloatArray) -> tuple[float, float]:
    """Median and its standard error, from the robust scatter of the runs."""
    middle = float(np.median(flow_lpm))
    scatter = max(1.4826 * float(np.median(np.abs(flow_lpm - middle))), ZONE_SCATTER * middle)
    return middle, 1.2533 * scatter / float(np.sqrt(flow_lpm.size))
