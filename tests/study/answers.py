"""Disaggregated answers for the tests of studies, put together by hand so that the truth is known."""

import numpy as np
import pandas as pd

import flowsift as fs
from flowsift.disaggregation import Shares, TrickleSpans, assemble

MINUTE_CELLS = 1440
"""Cells of a day at one minute."""


def answer(days, *, uses=(), trickle=(), start="2024-06-03T00:00Z", timezone="UTC", unit="L", pulse_l=0.1):
    """An answer at one minute: uses are (day, minute, minutes, L/min, label, fixture), trickle (from, to day, L/min).

    The trickle flows below the uses; every use is found as it is.
    """
    n = days * MINUTE_CELLS
    drop = np.zeros(n)
    spans = [(round(a * MINUTE_CELLS), round(b * MINUTE_CELLS), rate) for a, b, rate in trickle]
    for a, b, rate in spans:
        drop[a:b] += rate
    rows, total = [], drop.copy()
    for day, minute, minutes, lpm, label, fixture in uses:
        a = round(day * MINUTE_CELLS + minute)
        rows.append((a, a + minutes, lpm, label, fixture))
        total[a : a + minutes] += lpm
    cell = np.flatnonzero(total > 0).astype(np.int64)
    trace = fs.Trace(
        start_ns=pd.Timestamp(start).value,
        interval_ns=60 * 10**9,
        n_cells=n,
        cell=cell,
        volume_l=total[cell],
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=pulse_l,
        timezone=timezone,
        unit=unit,
    )
    event = np.repeat(np.arange(len(rows)), [r[1] - r[0] for r in rows]) if rows else np.empty(0, np.int64)
    at = np.concatenate([np.arange(r[0], r[1]) for r in rows]) if rows else np.empty(0, np.int64)
    rate = np.array([r[2] for r in rows], float)
    return assemble(
        trace,
        start_cell=np.array([r[0] for r in rows], np.int64),
        end_cell=np.array([r[1] for r in rows], np.int64),
        label=[r[3] for r in rows],
        probability=np.full(len(rows), 0.9),
        fixture=[r[4] for r in rows],
        cycle=np.full(len(rows), -1, np.int64),
        shares=Shares(
            event=event.astype(np.int64), flow=np.searchsorted(cell, at).astype(np.int64), volume_l=rate[event]
        ),
        trickle=TrickleSpans(
            start=np.array([a for a, _, _ in spans], np.int64),
            end=np.array([b for _, b, _ in spans], np.int64),
            rate_lpm=np.array([r for _, _, r in spans], float),
            low_lpm=np.array([0.95 * r for _, _, r in spans], float),
            high_lpm=np.array([1.05 * r for _, _, r in spans], float),
        )
        if spans
        else None,
        trickle_l=drop[cell],
    )


def home_uses(days, *, seed=0, showers=2, first=0):
    """Flushes and showers of an ordinary home, differing from day to day."""
    rng = np.random.default_rng(seed)
    uses = []
    for day in range(first, first + days):
        uses += [(day, 400 + 60 * k + int(rng.integers(30)), 1, 6.0, "flush", "toilet-1") for k in range(12)]
        for k in range(int(rng.integers(1, 2 * showers))):
            uses.append((day, 1140 + 30 * k, int(rng.integers(5, 12)), 8.0, "shower", "shower-1"))
    return uses
