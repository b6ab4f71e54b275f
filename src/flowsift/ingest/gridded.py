"""The fields of a trace, as the gridding rooms hand them over, and the steps that every kind of input shares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.errors import InputError, OptionError
from flowsift.ingest.placing import Placed
from flowsift.ingest.rows import OrderedRows
from flowsift.ingest.spacing import prevailing_interval_ns
from flowsift.quality import Finding
from flowsift.units import L_PER_GAL, NS_PER_S, SECONDS_PER_MINUTE

Absent = Literal["missing", "zero"]

MAX_HOUSE_LPM = 4.0 * 50.0 * L_PER_GAL
"""Flow above this can't have passed a house's meter: four times the maximum normal flow of a 1-inch displacement
meter, 50 gal/min (meter accuracy table of a state rule that copies the AWWA C700 ratings). The factor is an
assumption: no service to one household passes 757 L/min, and a meter that short of its rating tears."""

MAX_METER_LPM = 50.0 * L_PER_GAL
"""Maximum normal flow of a 1-inch displacement meter, 50 gal/min (the same table) [L/min]."""

LARGEST_PULSE_L = 10.0 * L_PER_GAL
"""A larger common step of the values is not believed to be a pulse when spikes are judged: ten gallons, one turn of the
sweep hand of a gallon register (meter metrology table)."""

SMALLEST_GIVEN_PULSE_L, LARGEST_GIVEN_PULSE_L = 1e-6, 1e5
"""Pulse volumes that can be given [L]: meters emit pulses of 0.001 to 10 L, and up to 10 m3 where they only bill; a
wide margin on either side (assumption) still catches a volume in the wrong unit by many orders."""

LONGEST_INTERVAL_S = 366 * 86_400.0
"""Longest interval that can be given [s]."""

LONGEST_SPAN_YEARS = 30
"""Longest trace: longer than a meter stays in service (assumption); times further apart come from a wrong clock."""

LEAST_FLOW_L = 1e-15
"""Less than this in a cell counts as no flow: arithmetic on smaller numbers loses its digits."""

LARGEST_SPREAD_CELLS = 100_000_000
"""Cells over which rows of longer intervals are spread at most: more would need more memory than most machines have."""

FEW_SHARE = 0.01
"""Impossible values up to this share of the rows are faults; more of them mean that the input was misread."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Gridded:
    """Fields of `flowsift.trace.Trace`, by the same names."""

    start_ns: int
    interval_ns: int
    n_cells: int
    cell: IntArray
    volume_l: FloatArray
    gaps: IntArray
    gap_volume_l: FloatArray
    pulse_l: float
    findings: tuple[Finding, ...]


def chosen_interval_ns(rows: OrderedRows, interval_s: float | None) -> int:
    """Return the given interval, or the prevailing spacing of the rows [ns].

    Raises
    ------
    InputError
        If there is one distinct time only and no interval was given.
    OptionError
        If the interval given isn't positive.
    """
    if interval_s is not None:
        return checked_interval_ns(interval_s)
    if rows.ns[0] == rows.ns[-1]:
        raise InputError("found one time only, which doesn't tell how long an interval is: give interval_s")
    return prevailing_interval_ns(rows.ns if rows.regular_ns is None else rows.ns[:2])


def checked_interval_ns(interval_s: float) -> int:
    """Return an interval that was given [ns] (OptionError unless it is a positive number of seconds up to a year)."""
    if not (np.isfinite(interval_s) and interval_s * NS_PER_S >= 1 and interval_s <= LONGEST_INTERVAL_S):
        raise OptionError(f"interval_s is {interval_s!r}, expected a positive number of seconds, at most a year")
    return round(interval_s * NS_PER_S)


def checked_pulse_l(pulse_l: float) -> float:
    """Return a pulse volume that was given (OptionError unless it is one that a meter can have)."""
    if not (np.isfinite(pulse_l) and SMALLEST_GIVEN_PULSE_L <= pulse_l <= LARGEST_GIVEN_PULSE_L):
        raise OptionError(
            f"pulse_l is {pulse_l!r}, expected a volume from {SMALLEST_GIVEN_PULSE_L:g} to "
            f"{LARGEST_GIVEN_PULSE_L:,.0f} litres"
        )
    return float(pulse_l)


def checked_absent(absent: str) -> Absent:
    """Return `absent` if it is a known word (OptionError otherwise)."""
    if absent not in ("missing", "zero"):
        raise OptionError(f"absent is {absent!r}, expected 'missing' or 'zero'")
    return absent  # type: ignore[return-value]


def ranges_of(cells: IntArray, length: IntArray) -> IntArray:
    """Join ranges ``[cell, cell + length)``, sorted, into disjoint ones, shape (n_ranges, 2)."""
    if not cells.size:
        return np.empty((0, 2), np.int64)
    end = np.maximum.accumulate(cells + length)
    first = np.flatnonzero(np.concatenate([[True], cells[1:] > end[:-1]]))
    last = np.concatenate([first[1:] - 1, [cells.size - 1]])
    return np.stack([cells[first], end[last]], axis=1)


def uncovered(cells: IntArray, length: IntArray | None, n_cells: int) -> IntArray:
    """Return the ranges of cells outside ``[cell, cell + length)``, shape (n_ranges, 2)."""
    if cells.size == n_cells and length is None and bool((np.diff(cells) == 1).all()):
        return np.empty((0, 2), np.int64)
    end = np.maximum.accumulate(cells + (1 if length is None else length)) if cells.size else cells
    before = np.concatenate([[0], end])
    after = np.concatenate([cells, [n_cells]])
    hole = after > before
    return np.stack([before[hole], after[hole]], axis=1).astype(np.int64)


def summed_by_cell(cell: IntArray, volume: FloatArray) -> tuple[IntArray, FloatArray]:
    """Sum volumes that share a cell (cells sorted); only cells with flow come back."""
    flows = volume >= LEAST_FLOW_L
    cell, volume = cell[flows], volume[flows]
    if cell.size and not (np.diff(cell) > 0).all():
        first = np.flatnonzero(np.concatenate([[True], np.diff(cell) > 0]))
        return cell[first], np.add.reduceat(volume, first)
    return cell, volume


def spread(cell: IntArray, volume: FloatArray, length: IntArray | None) -> tuple[IntArray, FloatArray]:
    """Spread each volume evenly over the cells it covers."""
    if length is None:
        return cell, volume
    flows = volume >= LEAST_FLOW_L
    cell, volume, length = cell[flows], volume[flows], length[flows]
    if float(length.sum(dtype=np.float64)) > LARGEST_SPREAD_CELLS:
        raise InputError(
            f"found long intervals with flow that would be spread over {length.sum(dtype=np.float64):.3g} intervals of "
            "the prevailing length, more than memory is set aside for: give interval_s, the length of the long ones"
        )
    first = np.cumsum(length) - length
    into = np.arange(int(length.sum()), dtype=np.int64) - np.repeat(first, length) + np.repeat(cell, length)
    return into, np.repeat(volume / length, length)


def spike_limit_l(length: IntArray | None, *, interval_ns: int, pulse_l: float) -> FloatArray | float:
    """Return the largest believable volume of each row [L]; a pulse at either edge is no flow."""
    most = MAX_HOUSE_LPM * interval_ns / NS_PER_S / SECONDS_PER_MINUTE
    spans = 1.0 if length is None else length.astype(np.float64)
    return most * spans + 2.0 * pulse_l


def shares_cell(cell: IntArray) -> BoolArray:
    """Tell which rows share their cell with a neighbour."""
    same = np.diff(cell) == 0
    both: BoolArray = np.concatenate([[False], same]) | np.concatenate([same, [False]])
    return both


def placing_findings(placed: Placed, ns: IntArray, *, interval_ns: int) -> list[Finding]:
    """Say what jitter, drift and changes of interval did."""
    found = []
    if placed.jitter:
        away = np.abs(ns - placed.start_ns - placed.cell * interval_ns)
        off = away > 0.02 * interval_ns
        # a stamp off by less than 2 % of an interval is not worth a line
        if off.any():
            found.append(
                Finding(
                    kind="fault",
                    what="irregular times",
                    count=int(off.sum()),
                    treatment=f"Times that stray from the regular grid were moved to their interval; "
                    f"the clock slipped {placed.n_slips:,} intervals in all. Volumes are unchanged.",
                    first_ns=int(ns[off][0]),
                )
            )
    if placed.n_shifted:
        found.append(
            Finding(
                kind="fault",
                what="rough time stamps",
                count=placed.n_shifted,
                treatment="Rows whose stamp fell into a neighbouring interval were moved to the one left empty.",
                first_ns=int(ns[0]),
            )
        )
    if placed.coarse is not None:
        found.append(
            Finding(
                kind="fault",
                what="longer intervals",
                count=int(placed.coarse.sum()),
                treatment=f"Rows of a stretch with longer intervals were spread evenly over intervals of "
                f"{interval_ns / NS_PER_S:g} s; uses can't be told apart there.",
                first_ns=int(ns[placed.coarse][0]),
            )
        )
    if placed.fine is not None:
        found.append(
            Finding(
                kind="fault",
                what="shorter intervals",
                count=int(placed.fine.sum()),
                treatment=f"Rows of a stretch with shorter intervals were added up to {interval_ns / NS_PER_S:g} s.",
                first_ns=int(ns[placed.fine][0]),
            )
        )
    return found


def clock_findings(ns: IntArray, segment: IntArray | None, spacing_limit: float, contested: bool) -> list[Finding]:
    """Say where the clock was set back, or seems to have been set forward by whole hours.

    Parameters
    ----------
    ns, segment : ndarray, shape (n,)
        As in `OrderedRows`.
    spacing_limit : float
        Spacing above which rows are missing [ns].
    contested : bool
        Whether two rows claim the same interval.
    """
    found = []
    if segment is not None and contested:
        found.append(
            Finding(
                kind="fault",
                what="clock set back",
                count=int(segment.max()),
                treatment="The times step back and replay. Intervals that carry the same volume in both passes were "
                "kept once; those that differ are missing.",
                first_ns=_first_of_replay(ns, segment),
            )
        )
    step = np.diff(ns)
    wide = np.flatnonzero(step > spacing_limit)
    return found + forward_findings(step[wide], ns[wide], spacing_limit / 1.5)


def forward_findings(step: IntArray, before_ns: IntArray, interval_ns: float) -> list[Finding]:
    """Say where exactly an hour has no rows.

    Parameters
    ----------
    step, before_ns : ndarray of int64, shape (n_wide,)
        Spacings wider than an interval, and the times that they begin at [ns].
    interval_ns : float
        Length of an interval [ns].
    """
    hours = (step - interval_ns) / (3600.0 * NS_PER_S)
    forward = np.flatnonzero((hours > 0.5) & (np.abs(hours - 1.0) < 1e-9))
    if not forward.size:
        return []
    return [
        Finding(
            kind="fault",
            what="clock set forward",
            count=int(forward.size),
            treatment="Exactly one hour has no rows, as when a clock is set forward; it was left missing.",
            first_ns=int(before_ns[forward[0]]),
        )
    ]


def _first_of_replay(ns: IntArray, segment: IntArray) -> int:
    return int(ns[np.flatnonzero(segment > 0)[0]])


def volume_into_gaps(
    cell: IntArray, volume: FloatArray, gaps: IntArray, gap_volume: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Move volume that lies inside a gap to what is known of the gap.

    Two readings in the interval after which readings are missing give such a volume.
    """
    if not len(gaps) or not cell.size:
        return cell, volume, gap_volume
    gap = np.searchsorted(gaps[:, 0], cell, side="right") - 1
    inside = (gap >= 0) & (cell < gaps[gap, 1])
    if not inside.any():
        return cell, volume, gap_volume
    moved = np.bincount(gap[inside], volume[inside], minlength=len(gaps))
    return cell[~inside], volume[~inside], gap_volume + moved


def limit_findings(interval_ns: int) -> list[Finding]:
    """Say what an interval this long can't tell."""
    seconds = interval_ns / NS_PER_S
    if seconds < 60:
        return []
    if seconds < 300:
        text = (
            "Uses shorter than the interval can't be timed or told from their neighbours; flow rates are averages. "
            "Long uses (showers, irrigation), daily volume and a steady trickle can be told; flushes only roughly."
        )
    elif seconds < 3600:
        text = (
            "Single uses can't be told apart: only daily volume, a steady trickle, and uses that are large and long "
            "(irrigation, pool filling)."
        )
    else:
        text = "Only daily volume, the lowest hour (a steady trickle) and days of irrigation can be told."
    return [Finding(kind="limit", what=f"interval of {seconds:g} s", treatment=text)]


def gap_findings(gaps: IntArray, *, start_ns: int, interval_ns: int, known_l: float = 0.0) -> list[Finding]:
    """Count the missing intervals."""
    if not len(gaps):
        return []
    gap_count = "1 gap" if len(gaps) == 1 else f"{len(gaps):,} gaps"
    known = f" {known_l:,.6g} L are known to have passed over them." if known_l > 0 else ""
    return [
        Finding(
            kind="fault",
            what="missing intervals",
            count=int((gaps[:, 1] - gaps[:, 0]).sum()),
            treatment=f"Intervals without data are missing, never taken as zero flow ({gap_count}).{known}",
            first_ns=int(start_ns + gaps[0, 0] * interval_ns),
        )
    ]
