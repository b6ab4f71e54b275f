"""The constant flow under everything: found by its pulses' spacing, dated by the pauses that rule it out.

A trickle of rate ``r`` read in pulses of volume ``p`` can leave no pause longer than ``p / r``; and where nothing else
runs, the rate never falls below ``r``. So over a window of hours two things must hold at once: the least rate of any
stretch in it is above zero, and the longest pause in it is about one pulse at that rate. Uses only shorten pauses and
raise rates, so they can hide a trickle but hardly feign one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from flowsift.disaggregation import TrickleSpans
from flowsift.signal.blocks import BLOCK_S, Blocks, summarise_blocks, without_data
from flowsift.signal.spacing import Spacing, even_spacing
from flowsift.trace import FloatArray, IntArray, Trace
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

HIGHEST_LPM = 3.0
"""Above this a constant flow is a use [L/min] (assumption: an open fixture or a drip zone runs faster)."""

LEAST_PULSES = 3.0
"""A rate that rests on fewer pulses than this is no trickle yet."""

STRETCH_PULSES = 3.0
"""Least number of pulses in every stretch: two in a row are easily a tap's."""

SPARSE_S = 60.0
"""From this spacing of pulses on, the spacing tells the rate better than the volume of quiet blocks [s]: a block then
holds few pulses, and those of small uses don't stand out."""

EVEN_SLACK = 1.2
"""How many spacings a pause of a trickle with evenly spaced pulses may last before it rules it out."""

SPARSE_CELLS = 30
"""The same in cells of the trace: a shorter spacing is known too roughly."""

MOST_HIDDEN = 2.0
"""Quiet blocks show at most this many times the rate that the spacing does: the rest is of uses too small to be seen.
More is no trickle but something that comes and goes."""

PAUSE_SLACK = 1.9
"""How many pulses' time a pause may last before it rules the trickle out: pulse spacing wanders with the pressure and a
stopped-and-started meter, and two pulses' time would be one pulse missed."""


@dataclass(frozen=True, kw_only=True)
class Scale:
    """One look for a trickle: stretches of `stretch_s` within windows of `window_s`."""

    stretch_s: float
    window_s: float


SCALES = (
    Scale(stretch_s=600.0, window_s=6 * 3600.0),
    Scale(stretch_s=3600.0, window_s=18 * 3600.0),
    Scale(stretch_s=3 * 3600.0, window_s=48 * 3600.0),
)
"""Looks from fast to slow. Each window is longer than households use water without a break (common practice), and
longer the fewer pulses it holds."""


@dataclass(frozen=True, kw_only=True)
class Meter:
    """How a trace was read: length of its blocks [s], pulse [L], length of a cell [s]."""

    block_s: float
    pulse_l: float
    interval_s: float


def find_trickle(trace: Trace) -> TrickleSpans:
    """Find spans of constant flow, their rates and intervals.

    Parameters
    ----------
    trace : Trace

    Returns
    -------
    TrickleSpans
        Disjoint, in order. A span shorter than the shortest window of `SCALES` is never reported.
    """
    block_cells = max(round(BLOCK_S / trace.interval_s), 1)
    n_blocks = trace.n_cells // block_cells
    if n_blocks < SCALES[0].window_s / BLOCK_S or trace.n_flow < 8:
        return TrickleSpans.none()
    blocks = summarise_blocks(trace, block_cells, n_blocks)
    block_s = block_cells * trace.interval_s
    rate = floor_rate(blocks, block_s=block_s, pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    return _spans(trace, rate, blocks, block_cells)


def floor_rate(blocks: Blocks, *, block_s: float, pulse_l: float, interval_s: float) -> FloatArray:
    """Return the rate of the trickle that runs through each block [L/min], 0 for none, shape (n_blocks,).

    Parameters
    ----------
    blocks : Blocks
    block_s, pulse_l, interval_s : float
        Length of a block [s], the meter's pulse [L], the length of a cell [s].
    """
    rate = np.zeros(blocks.volume_l.size)
    for scale in SCALES:
        found = _constant_rate(blocks, block_s, scale, pulse_l, interval_s)
        # A use in the quietest stretch adds to it, but a trickle needs its own water in every stretch: look again
        # with no more in a block than the trickle can have brought.
        most = np.where(found > 0, _most_of_trickle(found, block_s, pulse_l), np.inf)
        capped = replace(blocks, volume_l=np.minimum(blocks.volume_l, most))
        found = _constant_rate(capped, block_s, scale, pulse_l, interval_s)
        rate = np.where(rate > 0, rate, found)
    return rate


def _most_of_trickle(rate_lpm: FloatArray, block_s: float, pulse_l: float) -> FloatArray:
    """Return the most that a trickle brings in a block [L]: its rate may waver, and a pulse may fall in or out."""
    return np.asarray(1.15 * rate_lpm * block_s / SECONDS_PER_MINUTE + 1.01 * pulse_l)


def _constant_rate(blocks: Blocks, block_s: float, scale: Scale, pulse_l: float, interval_s: float) -> FloatArray:
    """Rate of the trickle that runs through each block at this scale [L/min]; 0 for none."""
    stretch = max(round(scale.stretch_s / block_s), 1)
    window = max(round(scale.window_s / block_s), 2 * stretch)
    n = blocks.volume_l.size
    if n < window:
        return np.zeros(n)
    kernel = np.ones(stretch)
    volume = np.convolve(blocks.volume_l, kernel, mode="valid")
    known = np.convolve(blocks.known, kernel, mode="valid") == stretch
    rate = np.where(known, volume / (stretch * block_s / SECONDS_PER_MINUTE), np.inf)
    span = window - stretch + 1
    half = span // 2
    least = minimum_filter1d(rate, span, mode="constant", cval=np.inf)[half : half + n - window + 1]
    pause = maximum_filter1d(blocks.pause_s, window, mode="constant", cval=0.0)
    pause = pause[window // 2 : window // 2 + n - window + 1]
    n_known = np.convolve(blocks.known, np.ones(window), mode="valid")
    spacing_s = pulse_l / np.maximum(least, 1e-12) * SECONDS_PER_MINUTE
    holds = (
        (least > 0)
        & (least <= HIGHEST_LPM)
        & (least * scale.stretch_s / SECONDS_PER_MINUTE >= STRETCH_PULSES * pulse_l)
        & (pause <= PAUSE_SLACK * (spacing_s + interval_s))
        & (n_known >= 0.8 * window)
    )
    # A block carries the lowest rate of the windows that hold and cover it.
    carried = np.where(holds, least, np.inf)
    padded = np.concatenate([np.full(window - 1, np.inf), carried, np.full(window - 1, np.inf)])
    lowest = minimum_filter1d(padded, window, origin=-(window // 2), mode="nearest")[:n]
    return np.where(np.isfinite(lowest), lowest, 0.0)


def _spans(trace: Trace, floor_lpm: FloatArray, blocks: Blocks, block_cells: int) -> TrickleSpans:
    """Turn blocks with a trickle into spans with a measured rate and exact ends."""
    on = np.concatenate([[False], floor_lpm > 0, [False]])
    starts, stops = np.flatnonzero(~on[:-1] & on[1:]), np.flatnonzero(on[:-1] & ~on[1:])
    rows: list[tuple[float, ...]] = []
    meter = Meter(block_s=block_cells * trace.interval_s, pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    for a, b in zip(starts, stops, strict=True):
        pieces = level_pieces(blocks, meter, floor_lpm, int(a), int(b))
        for c, d in pieces:
            rate, error = measured_rate(blocks, meter, c, d)
            if rate <= LEAST_PULSES * error:
                continue
            first, last = c * block_cells, d * block_cells
            half = (first + last) // 2
            if c == a:
                first = onset_cell(trace, first, half, rate)
            if d == b:
                last = end_cell(trace, last, half, rate)
            rows.append((first, last, rate, max(rate - error, 0.0), rate + error))
    if not rows:
        return TrickleSpans.none()
    table = np.array(rows)
    start, end = table[:, 0].astype(np.int64), table[:, 1].astype(np.int64)
    end[:-1] = np.minimum(end[:-1], start[1:])
    return TrickleSpans(start=start, end=end, rate_lpm=table[:, 2], low_lpm=table[:, 3], high_lpm=table[:, 4])


def _quiet(blocks: Blocks, block_s: float, floor_lpm: FloatArray, pulse_l: float) -> IntArray:
    """Blocks in which little but the trickle can have run."""
    return np.flatnonzero((blocks.volume_l <= _most_of_trickle(floor_lpm, block_s, pulse_l)) & (blocks.known > 0))


PIECE_S = 3 * 3600.0
"""A change of the trickle's rate is looked for between stretches of about this length [s]."""

PIECE_PULSES = 12
"""A stretch holds at least about this many pulses of the trickle."""

HUMP_S = 20 * 3600.0
"""A rate that is higher than before and after for less than this is the day's uses, not the trickle [s] (common
practice: a home is awake less than twenty hours)."""

CHANGE = 0.15
"""Least change of the rate that begins a new span, as a share of it."""


def level_pieces(blocks: Blocks, meter: Meter, floor_lpm: FloatArray, a: int, b: int) -> list[tuple[int, int]]:
    """Split blocks ``[a, b)`` where the trickle's own rate changes, by merging alike neighbours."""
    block_s, pulse_l = meter.block_s, meter.pulse_l
    rate = float(np.median(floor_lpm[a:b]))
    piece_s = max(PIECE_S, PIECE_PULSES * pulse_l / rate * SECONDS_PER_MINUTE)
    edges = list(range(a, b, max(round(piece_s / block_s), 1)))
    if len(edges) > 1:
        edges.pop()
    edges.append(b)
    quiet = _quiet(blocks, block_s, _local_floor(floor_lpm, blocks, block_s), pulse_l)
    pieces: list[tuple[int, int, _Reading]] = []
    for c, d in pairwise(edges):
        reading = _read(blocks, quiet[(quiet >= c) & (quiet < d)], block_s)
        if pieces and (reading.minutes == 0 or reading.alike(pieces[-1][2], pulse_l)):
            pieces[-1] = (pieces[-1][0], d, pieces[-1][2] + reading)
        else:
            pieces.append((c, d, reading))
    level = _without_humps(pieces, block_s, pulse_l)
    return _evenly_spaced(blocks, meter, level) if _is_sparse(rate, meter) else level


def _evenly_spaced(blocks: Blocks, meter: Meter, pieces: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Split pieces anew, between days of which the pulses show that the rate changed."""
    day = round(SECONDS_PER_DAY / meter.block_s)
    days = [(k, min(k + day, d)) for c, d in pieces for k in range(c, d, day)]
    level = days[:1]
    for c, d in days[1:]:
        a, b = level[-1]
        before, after = _spacing(blocks, meter, a, b), _spacing(blocks, meter, c, d)
        if before.is_clear and after.is_clear and not before.alike(after):
            level.append((c, d))
        else:
            level[-1] = (a, d)
    return level


def _spacing(blocks: Blocks, meter: Meter, a: int, b: int) -> Spacing:
    """Spacing of the pulses of a sparse trickle in blocks ``[a, b)``."""
    pause_s = blocks.pause_s[a:b]
    longest_s = np.where((blocks.known[a:b] > 0) & (pause_s > 0), pause_s + meter.interval_s, 0.0)
    return even_spacing(longest_s, stretch_s=meter.block_s)


def _is_sparse(rate_lpm: float, meter: Meter) -> bool:
    least_s = max(SPARSE_S, SPARSE_CELLS * meter.interval_s)
    return meter.pulse_l * SECONDS_PER_MINUTE >= rate_lpm * least_s


def _without_humps(pieces: list[tuple[int, int, _Reading]], block_s: float, pulse_l: float) -> list[tuple[int, int]]:
    """Join a piece to its neighbour where its rate is higher for less than `HUMP_S`: uses raise the rate for hours."""
    pieces = list(pieces)
    while len(pieces) > 1:
        humps = [
            k
            for k, (c, d, reading) in enumerate(pieces)
            if (d - c) * block_s < HUMP_S
            and all(reading.rate_lpm > pieces[j][2].rate_lpm for j in (k - 1, k + 1) if 0 <= j < len(pieces))
        ]
        if not humps:
            break
        k = max(humps, key=lambda k: pieces[k][2].rate_lpm)
        c, d, _ = pieces.pop(k)
        near = min((j for j in (k - 1, k) if 0 <= j < len(pieces)), key=lambda j: pieces[j][2].rate_lpm)
        a, b, reading = pieces[near]
        pieces[near] = (min(a, c), max(b, d), reading)
        if 0 < k < len(pieces) and pieces[k][2].alike(pieces[k - 1][2], pulse_l):
            after = pieces.pop(k)
            pieces[k - 1] = (pieces[k - 1][0], after[1], pieces[k - 1][2] + after[2])
    return [(c, d) for c, d, _ in pieces]


@dataclass(frozen=True)
class _Reading:
    """What the meter counted in quiet blocks, in so many unbroken stretches."""

    volume_l: float
    minutes: float
    n_stretches: int

    def __add__(self, other: _Reading) -> _Reading:
        return _Reading(
            self.volume_l + other.volume_l, self.minutes + other.minutes, self.n_stretches + other.n_stretches
        )

    @property
    def rate_lpm(self) -> float:
        return self.volume_l / self.minutes

    def error_lpm(self, pulse_l: float) -> float:
        """One pulse over each unbroken stretch; the stretches' errors are independent."""
        return float(pulse_l * max(self.n_stretches, 1) ** 0.5 / self.minutes)

    def alike(self, other: _Reading, pulse_l: float) -> bool:
        """Tell whether two readings may be of one rate; one without any quiet time is like all."""
        if self.minutes == 0 or other.minutes == 0:
            return True
        error = 2 * np.hypot(self.error_lpm(pulse_l), other.error_lpm(pulse_l))
        return bool(abs(self.rate_lpm - other.rate_lpm) <= max(CHANGE * max(self.rate_lpm, other.rate_lpm), error))


def _read(blocks: Blocks, quiet: IntArray, block_s: float) -> _Reading:
    """Sum up the quiet blocks, given by their numbers."""
    n_stretches = int((np.diff(quiet) > 1).sum()) + 1 if quiet.size else 0
    return _Reading(float(blocks.volume_l[quiet].sum()), float(quiet.size * block_s / SECONDS_PER_MINUTE), n_stretches)


def _local_floor(floor_lpm: FloatArray, blocks: Blocks, block_s: float) -> FloatArray:
    """Least rate seen around each block, at least the floor of its windows [L/min]."""
    rate = np.where(blocks.known > 0, blocks.volume_l, np.inf) / (block_s / SECONDS_PER_MINUTE)
    around = minimum_filter1d(rate, max(round(2 * 3600.0 / block_s), 1), mode="nearest")
    return np.where(np.isfinite(around), np.clip(around, floor_lpm, 1.5 * floor_lpm), floor_lpm)


def measured_rate(blocks: Blocks, meter: Meter, a: int, b: int) -> tuple[float, float]:
    """Return the rate of the trickle in blocks ``[a, b)``, 0 for none, and its error [L/min].

    It is read off the blocks in which little but the trickle ran, or off the spacing of its pulses where they are
    sparse; the error is one pulse over each unbroken quiet stretch.
    """
    block_s, pulse_l = meter.block_s, meter.pulse_l
    rate = blocks.volume_l[a:b] / (block_s / SECONDS_PER_MINUTE)
    known = blocks.known[a:b] > 0
    # Slow trickles give few pulses a block: judge quiet on stretches that hold several pulses.
    floor = _floor_of(rate[known], pulse_l, block_s)
    quiet = known & (blocks.volume_l[a:b] <= _most_of_trickle(np.array(floor), block_s, pulse_l))
    reading = _read(blocks, a + np.flatnonzero(quiet), block_s)
    if not _is_sparse(reading.rate_lpm, meter):
        return reading.rate_lpm, reading.error_lpm(pulse_l)
    spacing = _spacing(blocks, meter, a, b)
    spaced_lpm = pulse_l / spacing.spacing_s * SECONDS_PER_MINUTE if spacing.is_even else 0.0
    if not reading.rate_lpm / MOST_HIDDEN <= spaced_lpm <= PAUSE_SLACK * reading.rate_lpm:
        spaced_lpm = 0.0
    return spaced_lpm, reading.error_lpm(pulse_l)


def _floor_of(rate_lpm: FloatArray, pulse_l: float, block_s: float) -> float:
    """Rate of the trickle among blocks most of which also hold uses: the mean of the lowest mode [L/min]."""
    ordered = np.sort(rate_lpm)
    upto = np.cumsum(ordered) / np.arange(1, ordered.size + 1)
    step = pulse_l * SECONDS_PER_MINUTE / block_s
    inside = ordered <= 1.25 * upto + 1.5 * step
    n = ordered.size if inside.all() else max(int(np.argmin(inside)), 1)
    return float(upto[n - 1])


DATED_WITHIN_S = SECONDS_PER_DAY
"""Pauses that rule the trickle out are looked for so far inside its first and last blocks [s]: through a day of uses
without a pause, a trickle is found as if it had run all day."""


def onset_cell(trace: Trace, first: int, half: int, rate_lpm: float) -> int:
    """Move the start of a span to the last pause near it that rules the trickle out.

    Parameters
    ----------
    trace : Trace
    first, half : int
        Cell of its first block, and one in its middle.
    rate_lpm : float

    Returns
    -------
    int
        Half a pulse before the first pulse after that pause: where it began on average.
    """
    spacing, allowed = _spacing_cells(trace, rate_lpm)
    reach = round(BLOCK_S / trace.interval_s)
    inside = min(half, first + round(DATED_WITHIN_S / trace.interval_s))
    low, high = np.searchsorted(trace.cell, [max(first - reach, 0), inside])
    cells = np.append(trace.cell[low - 1] if low else 0, trace.cell[low:high])
    long = np.flatnonzero((np.diff(cells) > allowed) & ~without_data(trace, cells))
    return max(int(cells[long[-1] + 1]) - round(spacing / 2) if long.size else first - reach, 0)


def end_cell(trace: Trace, last: int, half: int, rate_lpm: float) -> int:
    """Move the end of a span to the first pause near it that rules the trickle out; like `onset_cell`."""
    spacing, allowed = _spacing_cells(trace, rate_lpm)
    reach = round(BLOCK_S / trace.interval_s)
    inside = max(half, last - round(DATED_WITHIN_S / trace.interval_s))
    low, high = np.searchsorted(trace.cell, [inside, min(last + reach, trace.n_cells)])
    cells = np.append(trace.cell[low:high], trace.cell[high] if high < trace.n_flow else trace.n_cells)
    long = np.flatnonzero((np.diff(cells) > allowed) & ~without_data(trace, cells))
    return min(int(cells[long[0]]) + 1 + round(spacing / 2) if long.size else last + reach, trace.n_cells)


def _spacing_cells(trace: Trace, rate_lpm: float) -> tuple[float, float]:
    """Cells from one pulse of a trickle to the next, and the most that a pause may last."""
    spacing_s = trace.pulse_l / rate_lpm * SECONDS_PER_MINUTE
    meter = Meter(block_s=BLOCK_S, pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    slack = EVEN_SLACK if _is_sparse(rate_lpm, meter) else PAUSE_SLACK
    return spacing_s / trace.interval_s, slack * (spacing_s + trace.interval_s) / trace.interval_s
