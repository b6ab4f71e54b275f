"""Segmentation: a trace split into trickle and single uses, with each metered cell's volume divided among them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flowsift.disaggregation import Shares, TrickleSpans
from flowsift.grouping import expand_ranges, first_by, least_by
from flowsift.signal.overlap import Explanation, explain_span
from flowsift.signal.runs import LEAST_USE_LPM, Runs, find_runs
from flowsift.signal.steps import Plateaus, find_plateaus, level_variance, merge_wander
from flowsift.signal.trickle import find_trickle
from flowsift.trace import BoolArray, FloatArray, IntArray, Trace
from flowsift.units import SECONDS_PER_MINUTE

RAMP_S = 3.0
"""A valve takes up to about this long to open or close [s]; a shorter plateau between a lower and a higher one is
such a ramp."""

LEAST_USE_L = 0.02
"""Less than this is no use [L] (assumption: a stray pulse of a fine meter, a drip)."""

MOST_PLATEAUS = 400
"""A span with more plateaus than this is coarsened until they fit: the bound on the work of one span."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Parts:
    """Which share of each plateau's volume each use took.

    Attributes
    ----------
    use, plateau : ndarray of int64, shape (n_parts,)
        A use, and one of its plateaus; sorted by use, then plateau.
    flow_lpm : ndarray, shape (n_parts,)
        The use's flow there [L/min].
    fraction : ndarray, shape (n_parts,)
        Its share of the plateau's volume, 0 to 1.
    ramp : ndarray of bool, shape (n_parts,)
        The plateau is a valve opening or closing: its flow is no level of the use.
    """

    use: IntArray
    plateau: IntArray
    flow_lpm: FloatArray
    fraction: FloatArray
    ramp: BoolArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Segmentation:
    """Single uses of a trace, not yet labelled.

    Attributes
    ----------
    start, end : ndarray of int64, shape (n_uses,)
        Half-open range of cells of each use, sorted by start.
    certainty : ndarray, shape (n_uses,)
        How sure its separation from others is, 0 to 1; 1 where it ran alone.
    shares : Shares
        Each use's part of each metered cell.
    parts : Parts
    plateaus : Plateaus
    trickle : TrickleSpans
    trickle_l : ndarray, shape (trace.n_flow,)
    """

    start: IntArray
    end: IntArray
    certainty: FloatArray
    shares: Shares
    parts: Parts
    plateaus: Plateaus
    trickle: TrickleSpans
    trickle_l: FloatArray

    @property
    def n_uses(self) -> int:
        """Number of uses."""
        return int(self.start.size)

    def joined(self, use: IntArray) -> Segmentation:
        """Return the same division with uses joined.

        Parameters
        ----------
        use : ndarray of int64, shape (n_uses,)
            New number of each use, from 0 in the order of first pieces.
        """
        n = int(use.max()) + 1 if use.size else 0
        order = np.lexsort((self.parts.plateau, use[self.parts.use]))
        end = np.zeros(n, np.int64)
        np.maximum.at(end, use, self.end)
        return replace(
            self,
            start=self.start[first_by(use, n)],
            end=end,
            certainty=least_by(use, self.certainty, n),
            shares=replace(self.shares, event=use[self.shares.event]),
            parts=Parts(
                use=use[self.parts.use][order],
                plateau=self.parts.plateau[order],
                flow_lpm=self.parts.flow_lpm[order],
                fraction=self.parts.fraction[order],
                ramp=self.parts.ramp[order],
            ),
        )


def segment(trace: Trace, *, random_state: int = 0) -> Segmentation:
    """Split a trace into trickle and single uses.

    Parameters
    ----------
    trace : Trace
    random_state : int
        Seed of the choices between equal steps.

    Returns
    -------
    Segmentation
        Every metered cell's volume is divided among uses and trickle; what belongs to neither is left.
    """
    trickle = find_trickle(trace)
    gap_before = np.searchsorted(trace.gaps[:, 0], trace.cell)
    barrier = np.diff(gap_before, prepend=0) > 0
    runs = find_runs(trace.cell, trace.volume_l, pulse_l=trace.pulse_l, interval_s=trace.interval_s, barrier=barrier)
    plateaus = merge_wander(
        find_plateaus(
            runs.rate_lpm,
            runs.first,
            pulse_l=trace.pulse_l,
            interval_s=trace.interval_s,
            random_state=random_state,
        ),
        runs.rate_lpm,
        interval_s=trace.interval_s,
    )
    variance = level_variance(plateaus.level_lpm, plateaus.length, pulse_l=trace.pulse_l, interval_s=trace.interval_s)
    base = _trickle_under(plateaus, runs, trickle)
    net = np.maximum(plateaus.level_lpm - base, 0.0)
    busy = _is_busy(net, base, variance)
    spans = _find_spans(plateaus, busy, net, trace)
    ramp = _find_ramps(plateaus, busy, net, trace.interval_s)
    uses, certainty, parts = _explain(spans, plateaus, net, variance, ramp)
    return _divide(trace, runs, plateaus, trickle, base, busy, uses, certainty, parts)


def _trickle_under(plateaus: Plateaus, runs: Runs, trickle: TrickleSpans) -> FloatArray:
    """Rate of the trickle under each plateau [L/min]."""
    if trickle.start.size == 0 or plateaus.level_lpm.size == 0:
        return np.zeros(plateaus.level_lpm.size)
    middle = runs.cell[(plateaus.first[:-1] + plateaus.first[1:] - 1) // 2]
    k = np.searchsorted(trickle.start, middle, side="right") - 1
    inside = (k >= 0) & (middle < trickle.end[k])
    return np.where(inside, trickle.rate_lpm[k], 0.0)


def _is_busy(net: FloatArray, base: FloatArray, variance: FloatArray) -> BoolArray:
    """Tell which plateaus hold a use: what rises above the trickle by more than it and the meter waver."""
    waver = np.where(base > 0, np.maximum(3.0 * np.sqrt(variance), 0.25 * base), 0.0)
    return np.asarray(net > np.maximum(0.5 * LEAST_USE_LPM, waver))


def _find_spans(plateaus: Plateaus, busy: BoolArray, net: FloatArray, trace: Trace) -> IntArray:
    """Return the first plateau and the one after the last of each span of use, shape (n_spans, 2)."""
    before = np.append(False, busy[:-1]) & ~plateaus.opens_run
    after = np.append(busy[1:] & ~plateaus.opens_run[1:], False)
    spans = np.stack([np.flatnonzero(busy & ~before), np.flatnonzero(busy & ~after) + 1], axis=1)
    upto = np.concatenate([[0.0], np.cumsum(net * plateaus.length)]) * (trace.interval_s / SECONDS_PER_MINUTE)
    return spans[upto[spans[:, 1]] - upto[spans[:, 0]] >= LEAST_USE_L]


def _find_ramps(plateaus: Plateaus, busy: BoolArray, net: FloatArray, interval_s: float) -> BoolArray:
    """Tell which busy plateaus are only the way from one level to the next."""
    level = np.where(busy, net, 0.0)
    before = np.where(plateaus.opens_run, 0.0, np.append(0.0, level[:-1]))
    after = np.append(np.where(plateaus.opens_run[1:], 0.0, level[1:]), 0.0)
    between = (level - before) * (after - level) > 0
    return np.asarray(busy & between & (plateaus.length <= max(round(RAMP_S / interval_s), 1)))


def _explain(
    spans: IntArray, plateaus: Plateaus, net: FloatArray, variance: FloatArray, ramp: BoolArray
) -> tuple[IntArray, FloatArray, Parts]:
    """Return each use's first plateau and the one after its last, its certainty, and its parts."""
    ranges: list[tuple[int, int]] = []
    certainty: list[float] = []
    columns: list[tuple[IntArray, FloatArray, FloatArray]] = []
    levels = np.cumsum(np.append(0, ~ramp))
    n_levels = levels[spans[:, 1]] - levels[spans[:, 0]]
    for (a, b), n in zip(spans.tolist(), n_levels.tolist(), strict=True):
        if n == 1:
            ranges.append((a, b))
            certainty.append(1.0)
            columns.append((np.arange(a, b), net[a:b], np.ones(b - a)))
            continue
        inside = ramp[a:b].copy()
        _coarsen(inside, net[a:b], plateaus.length[a:b])
        major = a + np.flatnonzero(~inside)
        found = explain_span(net[major].tolist(), variance[major].tolist())
        for place, flow in _flows(found, major - a, net[a:b]):
            ranges.append((a + int(place[0]), a + int(place[-1]) + 1))
            certainty.append(found.certainty)
            columns.append((a + place, flow, flow / net[a + place]))
    order = sorted(range(len(ranges)), key=ranges.__getitem__)
    sizes = [columns[k][0].size for k in order]
    plateau = np.concatenate([columns[k][0] for k in order]) if order else np.empty(0, np.int64)
    parts = Parts(
        use=np.repeat(np.arange(len(order)), sizes),
        plateau=plateau,
        flow_lpm=np.concatenate([columns[k][1] for k in order]) if order else np.empty(0),
        fraction=np.concatenate([columns[k][2] for k in order]) if order else np.empty(0),
        ramp=ramp[plateau],
    )
    uses = np.array([ranges[k] for k in order], dtype=np.int64).reshape(-1, 2)
    return uses, np.array([certainty[k] for k in order]), parts


def _coarsen(ramp: BoolArray, net: FloatArray, length: IntArray) -> None:
    """Mark the shortest levels of an overlong span as ramps until `MOST_PLATEAUS` are left."""
    major = np.flatnonzero(~ramp)
    if major.size > MOST_PLATEAUS:
        weight = length[major] * net[major]
        ramp[major[np.argsort(weight, kind="stable")[: major.size - MOST_PLATEAUS]]] = True


def _flows(found: Explanation, major: IntArray, net: FloatArray) -> list[tuple[IntArray, FloatArray]]:
    """Spread each use's flows from the levels of a span to all its plateaus, ramps included.

    On a ramp the uses that run before and after it keep their flow; what is left goes to those that open or close.
    """
    n, n_uses = net.size, len(found.uses)
    at_level = np.zeros((n_uses, major.size))
    for k, use in enumerate(found.uses):
        at_level[k, use.first : use.first + len(use.flows_lpm)] = use.flows_lpm
    flow = np.zeros((n_uses, n))
    flow[:, major] = at_level
    upto = np.searchsorted(major, np.arange(n), side="right")
    for p in np.setdiff1d(np.arange(n), major):
        k = upto[p]
        before = at_level[:, k - 1] if k > 0 else np.zeros(n_uses)
        after = at_level[:, k] if k < major.size else np.zeros(n_uses)
        stays = np.minimum(before, after)
        moves = np.maximum(before, after) - stays
        left = net[p] - stays.sum()
        if left > 0 and moves.sum() > 0:
            flow[:, p] = stays + moves * (left / moves.sum())
        else:
            whole = stays if stays.sum() > 0 else before + after
            flow[:, p] = whole * (net[p] / whole.sum())
    rows = []
    for k in range(n_uses):
        place = np.flatnonzero(flow[k] > 0)
        rows.append((place, flow[k][place]))
    return rows


def _cells(uses: IntArray, runs: Runs, plateaus: Plateaus) -> tuple[IntArray, IntArray]:
    """Half-open range of cells of each range of plateaus."""
    return runs.cell[plateaus.first[uses[:, 0]]], runs.cell[plateaus.first[uses[:, 1]] - 1] + 1


def _divide(
    trace: Trace,
    runs: Runs,
    plateaus: Plateaus,
    trickle: TrickleSpans,
    base: FloatArray,
    busy: BoolArray,
    uses: IntArray,
    certainty: FloatArray,
    parts: Parts,
) -> Segmentation:
    """Divide the volume of each metered cell by the fractions of its plateau."""
    home = np.searchsorted(plateaus.first, runs.sample, side="right") - 1
    of_trickle = np.where(busy, np.minimum(base / np.maximum(plateaus.level_lpm, 1e-12), 1.0), base > 0)
    trickle_l = trace.volume_l * of_trickle[home]
    first_sample = np.searchsorted(runs.sample, plateaus.first)
    part, flow = expand_ranges(first_sample[parts.plateau], first_sample[parts.plateau + 1])
    shares = Shares(
        event=parts.use[part],
        flow=flow,
        volume_l=(trace.volume_l - trickle_l)[flow] * parts.fraction[part],
    )
    start, end = _cells(uses, runs, plateaus) if uses.size else (np.empty(0, np.int64), np.empty(0, np.int64))
    return Segmentation(
        start=start,
        end=end,
        certainty=certainty,
        shares=shares,
        parts=parts,
        plateaus=plateaus,
        trickle=trickle,
        trickle_l=trickle_l,
    )
