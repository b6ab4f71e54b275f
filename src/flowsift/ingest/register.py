"""Cumulative register readings, put on a grid as volumes."""

from __future__ import annotations

import numpy as np

from flowsift import quality
from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.ingest.cells import spread, summed_by_cell, volume_into_gaps
from flowsift.ingest.checking import checked_values, require_span
from flowsift.ingest.contested import settle_contested, why_contested
from flowsift.ingest.falls import DIP_L, differences
from flowsift.ingest.findings import gap_findings, limit_findings
from flowsift.ingest.gridded import Gridded
from flowsift.ingest.limits import MAX_HOUSE_LPM, MAX_METER_LPM
from flowsift.ingest.options import Absent
from flowsift.ingest.placing import place_rows
from flowsift.ingest.quantum import estimate_pulse_l, on_pulses
from flowsift.ingest.rows import OrderedRows, order_rows
from flowsift.ingest.spacing import chosen_interval_ns, prevailing_interval_ns
from flowsift.ingest.volumes import pulse_finding
from flowsift.quality import Finding
from flowsift.units import NS_PER_S, SECONDS_PER_MINUTE

LARGEST_READING_L = 1e12
"""Largest reading, more than any meter counts: a double loses the pulses of finer meters above it."""

ROUNDING = 4 * np.finfo(np.float64).eps
"""What a difference of two readings may be off, as a share of the largest: their rounding, and that of their unit."""

STUCK_S = 3600.0
"""A jump that no meter passes in one interval, after a reading that stood still this long [s], ends a stuck spell."""


@np.errstate(over="ignore", invalid="ignore")
def grid_register(
    ns: IntArray,
    reading_l: FloatArray,
    *,
    unit_l: float = 1.0,
    pulse_l: float | None = None,
    interval_s: float | None = None,
    absent: Absent = "missing",
    column: str = "reading_l",
) -> Gridded:
    """Put the differences of cumulative readings on a regular grid.

    The interval ``[t_i, t_i+1)`` gets ``reading_i+1 - reading_i``. Over missing readings the difference is a known
    volume of the gap, not spread. With ``absent="zero"`` (readings are written when they change) it belongs to the
    interval that ends at the later reading.

    Parameters
    ----------
    ns : ndarray of int64, shape (n,)
        Times of the readings, n >= 2.
    reading_l : ndarray of float64, shape (n,)
        Readings [L]; NaN where a row has none. Not changed.
    unit_l : float
        Litres in the unit that the counter shows: it rolls over at a power of ten of that.
    pulse_l, interval_s, absent, column
        As in `grid_volumes`.

    Raises
    ------
    InputError
        Fewer than two usable readings, or readings that fall too often to be a register.
    """
    findings: list[Finding] = []
    reading = checked_values(ns, reading_l, column, " L", findings)
    rows = order_rows(ns, reading)
    findings[:0] = rows.findings
    if rows.ns.size < 2 or rows.ns[0] == rows.ns[-1]:
        found = "one reading" if rows.ns.size else "no reading"
        raise InputError(f"found {found}, expected at least two: a volume is their difference", column=column)
    require_span(rows.ns, position=rows.position)
    interval_ns = chosen_interval_ns(rows, interval_s)
    spread_coarse = absent == "missing" and (interval_s is None or prevailing_interval_ns(rows.ns) < 1.5 * interval_ns)
    placed = place_rows(rows, interval_ns=interval_ns, spread_coarse=spread_coarse)
    rows, placed, usable = settle_contested(rows, placed, ~np.isnan(rows.value), interval_ns, findings, column=column)
    usable = _without_glitches(rows, usable, findings)
    cell, value, at = placed.cell[usable], rows.value[usable], rows.ns[usable]
    if value.size < 2 or cell[0] == cell[-1]:
        raise InputError(f"found fewer than two usable readings{why_contested(findings)}", column=column)
    if value.min() > LARGEST_READING_L:
        found, most = (quality.in_both(quality.volume(litres)) for litres in (float(value[0]), LARGEST_READING_L))
        problem = f"found {found}, expected a register below {most}: is the unit right?"
        raise InputError(problem, row=rows.at(int(np.flatnonzero(usable)[0])), column=column)
    length = np.diff(cell)
    steps = differences(value, at, interval_ns=interval_ns, unit_l=unit_l, column=column, rows=rows, usable=usable)
    findings += steps.findings
    # a step is one interval, a clock's slip, or part of a coarse stretch; else it is a gap
    whole = length <= 1
    if placed.length is not None:
        reach = placed.length[usable][:-1]
        whole |= reach >= length
    volume, unknown = steps.volume, steps.unknown
    if absent == "zero":
        gap = unknown
        flow_cell = np.where(length > 1, cell[1:] - 1, cell[:-1])
        flow_length = None
    else:
        gap = unknown | ~whole
        flow_cell, flow_length = cell[:-1], np.maximum(length, 1)
    minutes = np.maximum(length, 1) * (interval_ns / NS_PER_S / SECONDS_PER_MINUTE)
    edges_l = _at_both_edges_l(volume)
    gap, volume, findings = _stuck(at, volume, gap, minutes, edges_l, findings)
    volume, gap, unknown = _spikes(at, volume, gap, unknown, length, minutes, edges_l, findings)
    # the last reading ends the trace, unless it shares its interval with the one before it
    n_cells = int(cell[-1] - cell[0]) + int(length[-1] == 0)
    start_ns = int(placed.start_ns + cell[0] * interval_ns)
    known = ~gap
    if pulse_l is None:
        pulse_l = estimate_pulse_l(volume[known & (length == 1)])
        findings.append(pulse_finding(pulse_l))
    volume = on_pulses(volume, pulse_l=pulse_l, rounding_l=ROUNDING * float(value.max()))
    gaps, gap_volume = _gaps(cell[:-1] - cell[0], cell[1:] - cell[0], volume, gap, unknown)
    cells, volumes = spread(
        flow_cell[known] - cell[0], volume[known], None if flow_length is None else flow_length[known]
    )
    cells, volumes, gap_volume = volume_into_gaps(*summed_by_cell(cells, volumes), gaps, gap_volume)
    findings += gap_findings(gaps, start_ns=start_ns, interval_ns=interval_ns, known_l=float(gap_volume.sum()))
    findings += limit_findings(interval_ns)
    return Gridded(
        start_ns=start_ns,
        interval_ns=interval_ns,
        n_cells=n_cells,
        cell=cells,
        volume_l=volumes,
        gaps=gaps,
        gap_volume_l=gap_volume,
        pulse_l=float(pulse_l),
        findings=tuple(findings),
    )


def _without_glitches(rows: OrderedRows, usable: BoolArray, findings: list[Finding]) -> BoolArray:
    """Leave out a single reading far from both neighbours that agree with each other."""
    index = np.flatnonzero(usable)
    if index.size < 3:
        return usable
    r, t = rows.value[index], rows.ns[index]
    before, here, after = r[:-2], r[1:-1], r[2:]
    minutes = (t[2:] - t[:-2]) / NS_PER_S / SECONDS_PER_MINUTE
    agree = (after >= before - DIP_L) & (after - before <= MAX_HOUSE_LPM * minutes)
    away = (here < before - DIP_L) | (here > after + DIP_L)
    odd = np.flatnonzero(agree & away & (before <= after + DIP_L)) + 1
    if not odd.size:
        return usable
    usable = usable.copy()
    usable[index[odd]] = False
    findings.append(
        Finding(
            kind="fault",
            what="odd readings",
            count=int(odd.size),
            treatment="Single readings far off both neighbours were left out.",
            first_ns=int(t[odd[0]]),
        )
    )
    return usable


def _at_both_edges_l(volume: FloatArray) -> float:
    """Return the volume of a count at either edge of an interval [L]: it is no flow within it."""
    return 2.0 * float(volume[volume > 0].min()) if (volume > 0).any() else 0.0


def _stuck(
    at: IntArray,
    volume: FloatArray,
    gap: BoolArray,
    minutes: FloatArray,
    edges_l: float,
    findings: list[Finding],
) -> tuple[BoolArray, FloatArray, list[Finding]]:
    """Turn a spell in which the register stood still, and the jump that ended it, into a gap of known volume."""
    jump = np.flatnonzero((volume > MAX_METER_LPM * minutes + edges_l) & ~gap)
    if not jump.size:
        return gap, volume, findings
    moved = np.where((volume > 0) | gap, np.arange(volume.size), -1)
    before = np.concatenate([[-1], np.maximum.accumulate(moved)[:-1]])
    first_still = before[jump] + 1
    still_s = (at[jump] - at[first_still]) / NS_PER_S
    spell_minutes = (at[jump + 1] - at[first_still]) / NS_PER_S / SECONDS_PER_MINUTE
    stuck = (still_s >= STUCK_S) & (volume[jump] <= MAX_METER_LPM * spell_minutes)
    if not stuck.any():
        return gap, volume, findings
    gap = gap.copy()
    for start, stop in zip(first_still[stuck], jump[stuck], strict=True):
        gap[start : stop + 1] = True
    findings.append(
        Finding(
            kind="fault",
            what="register stuck",
            count=int(stuck.sum()),
            treatment="The register stood still and then jumped by more than a meter passes in one interval; the "
            "spell is missing, and the jump is the volume known to have passed over it.",
            first_ns=int(at[first_still[stuck][0]]),
        )
    )
    return gap, volume, findings


def _spikes(
    at: IntArray,
    volume: FloatArray,
    gap: BoolArray,
    unknown: BoolArray,
    length: IntArray,
    minutes: FloatArray,
    edges_l: float,
    findings: list[Finding],
) -> tuple[FloatArray, BoolArray, BoolArray]:
    in_spell = gap & (length <= 1) & ~unknown
    spike = (volume > MAX_HOUSE_LPM * minutes + edges_l) & ~in_spell
    if not spike.any():
        return volume, gap, unknown
    if spike.sum() == (volume > 0).sum():
        raise InputError(
            f"found that every rise of the register exceeds {quality.in_both(quality.flow(MAX_HOUSE_LPM))}, which no "
            "house's meter passes: is the unit right?"
        )
    findings.append(
        quality.finding_of(
            "Rises above {}, more than a house's meter passes, are missing; {} were left out.",
            quality.flow(MAX_HOUSE_LPM),
            quality.volume(float(volume[spike].sum())),
            kind="fault",
            what="impossible flow",
            count=int(spike.sum()),
            first_ns=int(at[:-1][spike][0]),
        )
    )
    return np.where(spike, 0.0, volume), gap | spike, unknown | spike


def _gaps(
    start: IntArray, end: IntArray, volume: FloatArray, gap: BoolArray, unknown: BoolArray
) -> tuple[IntArray, FloatArray]:
    """Join steps without a known course: steps with an unknown volume, and spells that end in a known jump."""
    index = np.flatnonzero(gap & (end > start))
    if not index.size:
        return np.empty((0, 2), np.int64), np.empty(0)
    known = np.where(unknown[index], 0.0, volume[index])
    touches = end[index[:-1]] == start[index[1:]]
    # two known volumes stay two gaps: joining them would lose where each passed
    no_course = unknown[index]
    in_spell = (known[:-1] == 0.0) & ~no_course[1:] & ~no_course[:-1]
    joins = touches & (in_spell | (no_course[1:] & no_course[:-1]))
    first = np.flatnonzero(np.concatenate([[True], ~joins]))
    last = np.concatenate([first[1:] - 1, [index.size - 1]])
    return np.stack([start[index[first]], end[index[last]]], axis=1), np.add.reduceat(known, first)
