"""The flow of each label, cell by cell."""

from __future__ import annotations

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray
from flowsift.disaggregation.shares import Shares
from flowsift.errors import OptionError
from flowsift.labels import PARTS, TRICKLE, UNEXPLAINED
from flowsift.tables import Table
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_MINUTE

MOST_ROWS = 5_000_000
"""Most rows of a table of flows: 130 bytes each, 650 MB. A volume that is known over a gap of a year has 31 million
cells at 1 s."""


def flow_table(
    trace: Trace,
    *,
    first: int,
    stop: int,
    label: pd.Series,
    shares: Shares,
    trickle_l: FloatArray,
    unexplained_l: FloatArray,
) -> Table:
    """Return the flow of each label at each cell of a range that has flow or a share of a known gap [L/min].

    Parameters
    ----------
    trace : Trace
    first, stop : int
        Half-open range of cells.
    label : Series of str, length n_events
    shares : Shares
    trickle_l, unexplained_l : ndarray, shape (trace.n_flow,)
        Parts of each metered cell [L].

    Raises
    ------
    OptionError
        If it would have more than `MOST_ROWS` rows.
    """
    to_lpm = SECONDS_PER_MINUTE / trace.interval_s
    low, high = np.searchsorted(trace.cell, [first, stop]).tolist()
    known = trace.gap_volume_l > 0
    gaps = np.clip(trace.gaps[known], first, stop)
    n_rows = high - low + int((gaps[:, 1] - gaps[:, 0]).sum())
    if n_rows > MOST_ROWS:
        raise OptionError(
            f"the flow of each label would have {n_rows:,} rows, more than {MOST_ROWS:,}; give start and end of a "
            "shorter span"
        )
    gap_cell = np.concatenate([np.empty(0, np.int64), *(np.arange(a, b) for a, b in gaps)])
    gap_lpm = to_lpm * trace.gap_volume_l[known] / (trace.gaps[known, 1] - trace.gaps[known, 0])
    cell = np.sort(np.concatenate([trace.cell[low:high], gap_cell]))
    row = np.searchsorted(cell, trace.cell[low:high])
    flow = np.zeros((n_rows, len(PARTS)))
    column = pd.Index(PARTS).get_indexer(pd.Index(label))
    mine = (shares.flow >= low) & (shares.flow < high)
    at = (row[shares.flow[mine] - low], column[shares.event[mine]])
    np.add.at(flow, at, shares.volume_l[mine] * to_lpm)
    flow[row, PARTS.index(TRICKLE)] = trickle_l[low:high] * to_lpm
    flow[row, PARTS.index(UNEXPLAINED)] = unexplained_l[low:high] * to_lpm
    flow[np.searchsorted(cell, gap_cell), PARTS.index(UNEXPLAINED)] = np.repeat(gap_lpm, gaps[:, 1] - gaps[:, 0])
    return Table(flow, index=trace.time_of(cell), columns=pd.Index(PARTS, name="flow_lpm"))
