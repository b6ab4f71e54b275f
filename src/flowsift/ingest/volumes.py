"""Volumes or flows of intervals, put on a grid."""

from __future__ import annotations

import numpy as np

from flowsift import quality
from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.ingest.cells import ranges_of, shares_cell, spread, summed_by_cell, uncovered
from flowsift.ingest.checking import checked_values, require_span
from flowsift.ingest.contested import settle_contested, why_contested
from flowsift.ingest.findings import gap_findings, limit_findings
from flowsift.ingest.gridded import Gridded
from flowsift.ingest.limits import FEW_SHARE, LARGEST_PULSE_L, MAX_HOUSE_LPM, spike_limit_l
from flowsift.ingest.options import Absent
from flowsift.ingest.placing import Placed, place_rows
from flowsift.ingest.quantum import estimate_pulse_l, on_pulses
from flowsift.ingest.rows import OrderedRows, order_rows
from flowsift.ingest.spacing import chosen_interval_ns, prevailing_interval_ns
from flowsift.quality import Finding
from flowsift.units import NS_PER_S, SECONDS_PER_MINUTE

STUCK_S = 6 * 3600.0
"""One same value for longer than this [s] is more likely a stuck meter or logger than a use (assumption: even lawn
irrigation changes zones within hours)."""

STUCK_ROWS = 100
"""Same values in a row needed beside `STUCK_S`."""

STUCK_PULSES = 10
"""A constant count of fewer pulses is what a trickle looks like."""


@np.errstate(over="ignore", invalid="ignore")
def grid_volumes(
    ns: IntArray,
    value: FloatArray,
    *,
    is_flow: bool = False,
    pulse_l: float | None = None,
    interval_s: float | None = None,
    absent: Absent = "missing",
    column: str = "volume_l",
) -> Gridded:
    """Put one volume, or one flow, per interval on a regular grid.

    Parameters
    ----------
    ns : ndarray of int64, shape (n,)
        Interval starts, UTC nanoseconds, in any order.
    value : ndarray of float64, shape (n,)
        Volumes [L] or flows [L/min]; NaN where the row has none. Not changed.
    is_flow : bool
        Whether values are flows.
    pulse_l : float, optional
        Volume of a pulse [L]; estimated where it isn't given.
    interval_s : float, optional
        Length of an interval [s]; the prevailing spacing of the rows where it isn't given.
    absent : {"missing", "zero"}
        What an interval without a row means.
    column : str
        Name of the values in an error.

    Raises
    ------
    InputError
        No rows, no usable row, values that are infinite or, in number, negative or impossible.
    """
    findings: list[Finding] = []
    value = checked_values(ns, value, column, " L/min" if is_flow else " L", findings)
    rows = order_rows(ns, value)
    findings[:0] = rows.findings
    require_span(rows.ns, position=rows.position)
    interval_ns = chosen_interval_ns(rows, interval_s)
    spread_coarse = absent == "missing" and (
        interval_s is None or rows.ns[0] == rows.ns[-1] or prevailing_interval_ns(rows.ns) < 1.5 * interval_ns
    )
    placed = place_rows(rows, interval_ns=interval_ns, spread_coarse=spread_coarse)
    usable = ~np.isnan(rows.value)
    rows, placed, usable = settle_contested(rows, placed, usable, interval_ns, findings, column=column)
    volume = _row_volumes(rows, placed, usable, interval_ns=interval_ns) if is_flow else rows.value
    pulse_grace_l = pulse_l
    if pulse_l is None:
        pulse_l = estimate_pulse_l(volume[usable & (volume > 0)])
        pulse_grace_l = min(pulse_l, LARGEST_PULSE_L)
        findings.append(pulse_finding(pulse_l))
    volume = on_pulses(volume, pulse_l=pulse_l)
    usable = _without_spikes(rows, placed, volume, usable, interval_ns, pulse_grace_l or 0.0, column, findings)
    if not usable.any():
        raise InputError(f"found no row with a usable value{why_contested(findings)}", column=column)
    findings += _stuck(rows, volume, usable, interval_ns, pulse_l)
    return _collapse(placed, volume, usable, interval_ns, pulse_l, absent, findings)


def pulse_finding(pulse_l: float) -> Finding:
    """Say what the volume of a pulse was taken to be."""
    text = (
        "The values are multiples of {}, which is taken as the volume of one pulse."
        if pulse_l > 0
        else "The values show no common step; volumes are taken as continuous."
    )
    return quality.finding_of(text, quality.volume(pulse_l), kind="assumption", what="pulse volume")


def _row_volumes(rows: OrderedRows, placed: Placed, usable: BoolArray, *, interval_ns: int) -> FloatArray:
    """Return the volume of each row from its flow: over the interval, or the row's own span in a stretch of others."""
    minutes = interval_ns / NS_PER_S / SECONDS_PER_MINUTE
    volume = rows.value * minutes
    if placed.coarse is not None and placed.length is not None:
        volume[placed.coarse] *= placed.length[placed.coarse]
    if placed.fine is not None:
        share = np.ones(rows.ns.size)
        share[:-1] = np.minimum(np.diff(rows.ns) / interval_ns, 1.0)
        # the last row of a fine stretch is as short as the one before it
        last = np.flatnonzero(placed.fine & ~np.append(placed.fine[1:], False))
        share[last] = share[last - 1]
        volume[placed.fine] *= share[placed.fine]
    volume[~usable] = np.nan
    return volume


def _without_spikes(
    rows: OrderedRows,
    placed: Placed,
    volume: FloatArray,
    usable: BoolArray,
    interval_ns: int,
    pulse_l: float,
    column: str,
    findings: list[Finding],
) -> BoolArray:
    limit = spike_limit_l(placed.length, interval_ns=interval_ns, pulse_l=pulse_l)
    with np.errstate(invalid="ignore"):
        spike = usable & (volume > limit)
    n_spikes = int(spike.sum())
    if not n_spikes:
        return usable
    n_flow = int((usable & (volume > 0)).sum())
    if n_spikes == n_flow or n_spikes > max(3, 5 * FEW_SHARE * n_flow):
        row = int(np.flatnonzero(spike)[0])
        raise InputError(
            f"found {quality.in_both(quality.volume(float(volume[row])))} in one interval and {n_spikes - 1:,} more of "
            f"{n_flow:,} values above {quality.in_both(quality.flow(MAX_HOUSE_LPM))}, which no house's meter passes: "
            "is the unit right, and is it a volume or a flow of each interval?",
            row=rows.at(row),
            column=column,
        )
    findings.append(
        quality.finding_of(
            "Intervals above {}, more than a house's meter passes, are missing; {} were left out.",
            quality.flow(MAX_HOUSE_LPM),
            quality.volume(float(volume[spike].sum())),
            kind="fault",
            what="impossible flow",
            count=n_spikes,
            first_ns=int(rows.ns[spike][0]),
        )
    )
    return usable & ~spike


def _stuck(rows: OrderedRows, volume: FloatArray, usable: BoolArray, interval_ns: int, pulse_l: float) -> list[Finding]:
    """Flag flows that stay the same to the last digit for hours."""
    same = (volume[1:] == volume[:-1]) & (volume[1:] > STUCK_PULSES * pulse_l) & usable[1:] & usable[:-1]
    if not same.any():
        return []
    same &= np.diff(rows.ns) < 1.5 * interval_ns
    edge = np.flatnonzero(np.diff(np.concatenate([[False], same, [False]]).astype(np.int8)))
    start, stop = edge[::2], edge[1::2]
    long = (stop - start >= STUCK_ROWS) & ((stop - start) * (interval_ns / NS_PER_S) >= STUCK_S)
    if not long.any():
        return []
    return [
        Finding(
            kind="fault",
            what="stuck values",
            count=int((stop - start + 1)[long].sum()),
            treatment=f"One same flow for over {STUCK_S / 3600:g} hours looks like a stuck meter or logger; "
            "it was kept.",
            first_ns=int(rows.ns[start[long][0]]),
        )
    ]


def _collapse(
    placed: Placed,
    volume: FloatArray,
    usable: BoolArray,
    interval_ns: int,
    pulse_l: float,
    absent: Absent,
    findings: list[Finding],
) -> Gridded:
    cell, length = placed.cell, placed.length
    n_cells = int(cell[-1] + (1 if length is None else length[-1]))
    if not usable.all():
        # a cell with one bad row has no known volume
        shared = shares_cell(cell)
        if shared.any():
            first = np.flatnonzero(np.concatenate([[True], np.diff(cell) > 0]))
            good = np.logical_and.reduceat(usable, first)
            usable = good[np.cumsum(np.concatenate([[0], np.diff(cell) > 0]))]
        bad_cell, bad_length = cell[~usable], np.ones(1, np.int64) if length is None else length[~usable]
        cell, volume = cell[usable], volume[usable]
        length = None if length is None else length[usable]
        invalid = ranges_of(bad_cell, np.broadcast_to(bad_length, bad_cell.shape))
    else:
        invalid = np.empty((0, 2), np.int64)
    gaps = invalid if absent == "zero" else uncovered(cell, length, n_cells)
    findings += gap_findings(gaps, start_ns=placed.start_ns, interval_ns=interval_ns)
    findings += limit_findings(interval_ns)
    flow_cell, flow_volume = summed_by_cell(*spread(cell, volume, length))
    return Gridded(
        start_ns=placed.start_ns,
        interval_ns=interval_ns,
        n_cells=n_cells,
        cell=flow_cell,
        volume_l=flow_volume,
        gaps=gaps,
        gap_volume_l=np.zeros(len(gaps)),
        pulse_l=float(pulse_l),
        findings=tuple(findings),
    )
