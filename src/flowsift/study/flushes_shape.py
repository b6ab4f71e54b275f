"""What the shape of a refill tells on a coarse trace: whether it ran alone, or with hands washed during or after it.

A valve that fills a tank alone gives one flow, later perhaps a throttled one; water on top of it gives cells that hold
more than the others, and water after it cells that hold less. How often either kind of refill looks like that depends
on how many cells it lasts: a short one shows no shape, and in a long one the float's throttling shows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.disaggregation import Disaggregation
from flowsift.disaggregation.shares import merged

COARSE_S = 5.0
"""Length of an interval from which on hands washed during a refill are one event with it [s]."""

LEAST_CELLS = 3
"""Cells from which on there is one between the first and the last, which are filled in part."""

LONGER_CELLS = (4, 5, 6, 7, 9, 12, 17)
"""Numbers of cells from which on the next column of `SHARES` counts."""

ON_TOP, STEADY = 0, 2
"""Looks of a refill: water on top of its usual flow, one flow from start to end, or (1) less flow at times."""

SHARES = {
    "clean": (
        (0.01, 0.04, 0.04, 0.08, 0.06, 0.05, 0.06, 0.06),
        (0.01, 0.02, 0.09, 0.11, 0.19, 0.32, 0.36, 0.45),
        (0.98, 0.94, 0.87, 0.81, 0.75, 0.63, 0.58, 0.49),
    ),
    "mixed": (
        (0.05, 0.11, 0.16, 0.33, 0.36, 0.38, 0.31, 0.26),
        (0.01, 0.11, 0.24, 0.21, 0.31, 0.38, 0.43, 0.54),
        (0.94, 0.78, 0.60, 0.46, 0.33, 0.24, 0.26, 0.20),
    ),
    "none": (
        (0.03, 0.07, 0.07, 0.12, 0.13, 0.20, 0.16, 0.20),
        (0.01, 0.04, 0.11, 0.18, 0.23, 0.31, 0.47, 0.50),
        (0.96, 0.89, 0.82, 0.70, 0.64, 0.49, 0.37, 0.30),
    ),
}
"""Share of each look (rows) by number of cells (columns) of refills that ran alone, of those with other water in them
and of those of no toilet or in part (counted on 200 simulated homes of the training seeds at 10 s and 0.4 L)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ShapeOdds:
    """How much the shapes of refills speak for clean and for mixed ones, against those of no group.

    Attributes
    ----------
    clean, mixed : ndarray, shape (n_refills,)
        Log odds; 0 where the shape can't tell.
    """

    clean: FloatArray
    mixed: FloatArray

    def chosen(self, which: BoolArray | IntArray) -> ShapeOdds:
        """Return the odds of those refills only."""
        return ShapeOdds(clean=self.clean[which], mixed=self.mixed[which])


def no_shape_odds(n_refills: int) -> ShapeOdds:
    """Return the odds of refills whose shape tells nothing."""
    return ShapeOdds(clean=np.zeros(n_refills), mixed=np.zeros(n_refills))


def shape_odds(result: Disaggregation, row: IntArray) -> ShapeOdds:
    """Return how much the shapes of some events speak for a refill alone and for a mixed one, shape (n_rows,).

    Parameters
    ----------
    result : Disaggregation
        All zero where the trace is not coarse (`COARSE_S`): there the segmentation has parted what it could.
    row : ndarray of int64, shape (n_rows,)
        Rows of the table of events.
    """
    trace = result.trace
    odds = no_shape_odds(row.size)
    if trace.interval_s < COARSE_S:
        return odds
    shares = merged(result.shares)
    cell, volume = trace.cell[shares.flow], shares.volume_l
    first, stop = np.searchsorted(shares.event, row), np.searchsorted(shares.event, row, side="right")
    slack_l = trace.pulse_l * (1.0 + 1e-6)
    for k in range(row.size):
        own = slice(first[k], stop[k])
        if first[k] == stop[k] or cell[own][-1] - cell[own][0] + 1 < LEAST_CELLS:
            continue
        flow = np.zeros(int(cell[own][-1] - cell[own][0]) + 1)
        flow[cell[own] - cell[own][0]] = volume[own]
        column = int(np.searchsorted(LONGER_CELLS, flow.size, side="right"))
        look = _look(flow, slack_l)
        clean, mixed, none = (np.log(share[look][column]) for share in SHARES.values())
        odds.clean[k], odds.mixed[k] = clean - none, mixed - none
    return odds


def _look(flow_l: FloatArray, slack_l: float) -> int:
    """Return the look of a refill from its cells' volumes; a difference of one pulse is none."""
    # The first and the last cell are filled in part: they may hold less, not more.
    inner, most = flow_l[1:-1], flow_l.max()
    if most - inner.min() <= slack_l:
        return STEADY
    return ON_TOP if most > float(np.median(inner)) + slack_l else 1
