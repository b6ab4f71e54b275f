"""Where the rate of a trickle changes: its time split into pieces of one level."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from scipy.ndimage import minimum_filter1d

from flowsift.arrays import FloatArray, IntArray
from flowsift.signal.blocks import Blocks, Resolution
from flowsift.signal.trickle_floor import most_of_trickle
from flowsift.signal.trickle_rate import MOST_HIDDEN, Reading, is_sparse, read, spacing_of
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

PIECE_S = 3 * 3600.0
"""A change of the trickle's rate is looked for between stretches of about this length [s]."""

PIECE_PULSES = 12
"""A stretch holds at least about this many pulses of the trickle."""

HUMP_S = 20 * 3600.0
"""A rate that is higher than before and after for less than this is the day's uses, not the trickle [s] (common
practice: a home is awake less than twenty hours)."""


def level_pieces(
    blocks: Blocks, resolution: Resolution, floor_lpm: FloatArray, a: int, b: int
) -> list[tuple[int, int]]:
    """Split blocks ``[a, b)`` where the trickle's own rate changes, by merging alike neighbours."""
    pulse_l = resolution.pulse_l
    rate = float(np.median(floor_lpm[a:b]))
    piece_s = max(PIECE_S, PIECE_PULSES * pulse_l / rate * SECONDS_PER_MINUTE)
    edges = list(range(a, b, max(round(piece_s / resolution.block_s), 1)))
    if len(edges) > 1:
        edges.pop()
    edges.append(b)
    quiet = _quiet(blocks, resolution, _local_floor(blocks, resolution, floor_lpm))
    pieces: list[tuple[int, int, Reading]] = []
    for c, d in pairwise(edges):
        reading = read(blocks, quiet[(quiet >= c) & (quiet < d)], resolution)
        if pieces and (reading.minutes == 0 or reading.alike(pieces[-1][2], pulse_l)):
            pieces[-1] = (pieces[-1][0], d, pieces[-1][2] + reading)
        else:
            pieces.append((c, d, reading))
    pieces = _without_humps(pieces, resolution)
    if is_sparse(rate, resolution):
        return _evenly_spaced(blocks, resolution, pieces)
    return _cut_where_it_fits(blocks, resolution, pieces)


def _cut_where_it_fits(
    blocks: Blocks, resolution: Resolution, pieces: list[tuple[int, int, Reading]]
) -> list[tuple[int, int]]:
    """Move each cut between two levels to the block from which on the volumes lie nearer to the second one.

    A block far from both levels tells nothing: it holds uses.
    """
    edges = [pieces[0][0], *(d for _, d, _ in pieces)]
    for k, (before, after) in enumerate(pairwise(pieces), start=1):
        a, b = edges[k - 1], edges[k + 1]
        first_l, second_l = (reading.rate_lpm * resolution.block_min for _, _, reading in (before, after))
        apart_l = abs(first_l - second_l)
        off_first, off_second = (
            np.where(blocks.known[a:b] > 0, np.minimum(np.abs(blocks.volume_l[a:b] - level_l), apart_l), 0.0)
            for level_l in (first_l, second_l)
        )
        edges[k] = a + 1 + int(np.argmin(np.cumsum(off_first - off_second)[:-1]))
    return list(pairwise(edges))


def _evenly_spaced(
    blocks: Blocks, resolution: Resolution, pieces: list[tuple[int, int, Reading]]
) -> list[tuple[int, int]]:
    """Split pieces anew, between days of which the pulses show that the rate changed.

    Pieces stay apart whose readings differ by more than uses too small to be seen explain (`MOST_HIDDEN`).
    """
    day = round(SECONDS_PER_DAY / resolution.block_s)
    days = [(k, min(k + day, d)) for c, d, _ in pieces for k in range(c, d, day)]
    changes = {c for (_, _, before), (c, _, after) in pairwise(pieces) if not before.within(MOST_HIDDEN, after)}
    level = days[:1]
    for c, d in days[1:]:
        a, b = level[-1]
        before, after = spacing_of(blocks, resolution, a, b), spacing_of(blocks, resolution, c, d)
        if c in changes or (before.is_clear and after.is_clear and not before.alike(after)):
            level.append((c, d))
        else:
            level[-1] = (a, d)
    return level


def _without_humps(pieces: list[tuple[int, int, Reading]], resolution: Resolution) -> list[tuple[int, int, Reading]]:
    """Join a piece to its neighbour where its rate is higher for less than `HUMP_S`: uses raise the rate for hours."""
    pieces = list(pieces)
    while len(pieces) > 1:
        humps = [
            k
            for k, (c, d, reading) in enumerate(pieces)
            if (d - c) * resolution.block_s < HUMP_S
            and all(reading.rate_lpm > pieces[j][2].rate_lpm for j in (k - 1, k + 1) if 0 <= j < len(pieces))
        ]
        if not humps:
            break
        k = max(humps, key=lambda k: pieces[k][2].rate_lpm)
        c, d, _ = pieces.pop(k)
        near = min((j for j in (k - 1, k) if 0 <= j < len(pieces)), key=lambda j: pieces[j][2].rate_lpm)
        a, b, reading = pieces[near]
        pieces[near] = (min(a, c), max(b, d), reading)
        if 0 < k < len(pieces) and pieces[k][2].alike(pieces[k - 1][2], resolution.pulse_l):
            after = pieces.pop(k)
            pieces[k - 1] = (pieces[k - 1][0], after[1], pieces[k - 1][2] + after[2])
    return pieces


def _quiet(blocks: Blocks, resolution: Resolution, floor_lpm: FloatArray) -> IntArray:
    """Blocks in which little but the trickle can have run."""
    return np.flatnonzero((blocks.volume_l <= most_of_trickle(floor_lpm, resolution)) & (blocks.known > 0))


def _local_floor(blocks: Blocks, resolution: Resolution, floor_lpm: FloatArray) -> FloatArray:
    """Least rate seen around each block, at least the floor of its windows [L/min]."""
    rate = np.where(blocks.known > 0, blocks.volume_l, np.inf) / resolution.block_min
    around = minimum_filter1d(rate, max(round(2 * 3600.0 / resolution.block_s), 1), mode="nearest")
    return np.where(np.isfinite(around), np.clip(around, floor_lpm, 1.5 * floor_lpm), floor_lpm)
