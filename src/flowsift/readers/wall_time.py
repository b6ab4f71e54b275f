"""Local wall time made UTC, through both changes of daylight saving."""

from __future__ import annotations

import numpy as np
import pandas as pd

from flowsift.arrays import BoolArray, IntArray
from flowsift.quality import Finding
from flowsift.units import NS_PER_S, SECONDS_PER_DAY

DAY_NS = int(SECONDS_PER_DAY) * NS_PER_S


def wall_to_utc_ns(wall_ns: IntArray, timezone: str) -> tuple[IntArray, list[Finding]]:
    """Return the instants of wall times in a zone.

    In the hour that comes twice, rows in the order of the file are the first pass until the times step back, then the
    second. Wall times that a change skips are read with the offset before the change: the clock wasn't set.

    Parameters
    ----------
    wall_ns : ndarray of int64, shape (n,)
        Wall times as if they were UTC [ns], in the order of the file.
    timezone : str
        Name of a zone of the tz database.
    """
    wall = pd.DatetimeIndex(wall_ns.view("M8[ns]"))
    everywhere = np.ones(wall_ns.size, bool)
    early = wall.tz_localize(timezone, ambiguous=everywhere, nonexistent="NaT")
    late = wall.tz_localize(timezone, ambiguous=~everywhere, nonexistent="NaT")
    utc = np.array(early.as_unit("ns").asi8, dtype=np.int64)
    skipped = np.asarray(early.isna(), dtype=np.bool_)
    twice = ~skipped & (utc != late.as_unit("ns").asi8)
    findings = []
    if skipped.any():
        before = wall_ns[skipped] - DAY_NS
        day_before = pd.DatetimeIndex(before.view("M8[ns]")).tz_localize(timezone, ambiguous="NaT", nonexistent="NaT")
        utc[skipped] = day_before.as_unit("ns").asi8 + DAY_NS
        findings.append(
            Finding(
                kind="fault",
                what="local times that don't exist",
                count=int(skipped.sum()),
                treatment=f"Daylight saving in {timezone} skips these times; they were read with the offset before the "
                "change.",
                first_ns=int(utc[skipped].min()),
            )
        )
    if twice.any():
        second = _second_pass(wall_ns, twice)
        utc = np.where(second, late.as_unit("ns").asi8, utc)
        findings.append(
            Finding(
                kind="assumption",
                what="local times that come twice",
                count=int(twice.sum()),
                treatment=f"Daylight saving in {timezone} repeats an hour; rows were taken as the first pass until the "
                f"times step back ({int(second.sum()):,} rows are the second pass).",
                first_ns=int(utc[twice].min()),
            )
        )
    return utc, findings


def _second_pass(wall_ns: IntArray, twice: BoolArray) -> BoolArray:
    rows = np.flatnonzero(twice)
    second = np.zeros(wall_ns.size, bool)
    change = wall_ns[rows] // DAY_NS
    for day in np.unique(change):
        member = rows[change == day]
        step = np.diff(wall_ns[member])
        # rows an hour apart show the repeated hour as the same time twice
        hourly = member.size == 2 and step[0] == 0
        back = np.flatnonzero((step < 0) | hourly)
        if back.size == 1:
            second[member[back[0] + 1 :]] = True
        elif back.size > 1:
            # shuffled rows: the first row of each time is the first pass
            second[member] = pd.Series(wall_ns[member]).groupby(wall_ns[member]).cumcount().to_numpy() > 0
    return second
