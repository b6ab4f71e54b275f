"""When a trickle began and ended: dated by the pauses that rule it out."""

from __future__ import annotations

import numpy as np

from flowsift.signal.blocks import block_cells, block_resolution, without_data
from flowsift.signal.trickle_floor import PAUSE_SLACK
from flowsift.signal.trickle_rate import is_sparse
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

EVEN_SLACK = 1.2
"""How many spacings a pause of a trickle with evenly spaced pulses may last before it rules it out."""

DATED_WITHIN_S = SECONDS_PER_DAY
"""Pauses that rule the trickle out are looked for so far inside its first and last blocks [s]: through a day of uses
without a pause, a trickle is found as if it had run all day."""


def onset_cell(trace: Trace, first: int, half: int, rate_lpm: float, *, reach_s: float) -> int:
    """Move the start of a span to the last pause near it that rules the trickle out.

    Parameters
    ----------
    trace : Trace
    first, half : int
        Cell of its first block, and one in its middle.
    rate_lpm : float
    reach_s : float
        How far before that block it may have begun [s].

    Returns
    -------
    int
        Half a pulse before the first pulse after that pause: where it began on average.
    """
    spacing, allowed = _spacing_cells(trace, rate_lpm)
    reach = round(reach_s / trace.interval_s)
    inside = min(half, first + round(DATED_WITHIN_S / trace.interval_s))
    low, high = np.searchsorted(trace.cell, [max(first - reach, 0), inside])
    cells = np.append(trace.cell[low - 1] if low else 0, trace.cell[low:high])
    long = np.flatnonzero((np.diff(cells) > allowed) & ~without_data(trace, cells))
    return max(int(cells[long[-1] + 1]) - round(spacing / 2) if long.size else first - block_cells(trace.interval_s), 0)


def end_cell(trace: Trace, last: int, half: int, rate_lpm: float, *, reach_s: float) -> int:
    """Move the end of a span to the first pause near it that rules the trickle out; like `onset_cell`."""
    spacing, allowed = _spacing_cells(trace, rate_lpm)
    reach = round(reach_s / trace.interval_s)
    inside = max(half, last - round(DATED_WITHIN_S / trace.interval_s))
    low, high = np.searchsorted(trace.cell, [inside, min(last + reach, trace.n_cells)])
    cells = np.append(trace.cell[low:high], trace.cell[high] if high < trace.n_flow else trace.n_cells)
    long = np.flatnonzero((np.diff(cells) > allowed) & ~without_data(trace, cells))
    return min(
        int(cells[long[0]]) + 1 + round(spacing / 2) if long.size else last + block_cells(trace.interval_s),
        trace.n_cells,
    )


def _spacing_cells(trace: Trace, rate_lpm: float) -> tuple[float, float]:
    """Cells from one pulse of a trickle to the next, and the most that a pause may last."""
    spacing_s = trace.pulse_l / rate_lpm * SECONDS_PER_MINUTE
    resolution = block_resolution(pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    slack = EVEN_SLACK if is_sparse(rate_lpm, resolution) else PAUSE_SLACK
    return spacing_s / trace.interval_s, slack * (spacing_s + trace.interval_s) / trace.interval_s
