"""Segmentation: a trace split into trickle and single uses, with each metered cell's volume divided among them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.disaggregation import Shares, TrickleSpans
from flowsift.grouping import expand_ranges, first_by, least_by
from flowsift.signal.layout import Layout
from flowsift.signal.overlap import Explanation, Familiar, explain_span
from flowsift.signal.steps import Plateaus
from flowsift.units import SECONDS_PER_MINUTE

MOST_LEVELS = 400
"""A span with more levels than this is explained by its largest: the bound on the work of one span."""


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


def explain(layout: Layout, familiar: Familiar | None = None) -> Segmentation:
    """Tell the single uses of a trace apart.

    Parameters
    ----------
    layout : Layout
    familiar : Familiar, optional
        Uses that the home is known for; among overlapping uses they are recognised by their volume.

    Returns
    -------
    Segmentation
        Every metered cell's volume is divided among uses and trickle; what belongs to neither is left.
    """
    ranges: list[tuple[int, int]] = []
    certainty: list[float] = []
    columns: list[tuple[IntArray, FloatArray, FloatArray]] = []
    net, length, ramp, spans = layout.net_lpm, layout.plateaus.length, layout.ramp, layout.spans
    levels = np.cumsum(np.append(0, ~ramp))
    n_levels = levels[spans[:, 1]] - levels[spans[:, 0]]
    to_minutes = layout.trace.interval_s / SECONDS_PER_MINUTE
    for (a, b), n in zip(spans.tolist(), n_levels.tolist(), strict=True):
        if n == 1:
            ranges.append((a, b))
            certainty.append(1.0)
            columns.append((np.arange(a, b), net[a:b], np.ones(b - a)))
            continue
        major = _levels(ramp[a:b], net[a:b], length[a:b])
        minutes = _reach(major, length[a:b]) * to_minutes
        found = explain_span(net[a + major].tolist(), layout.variance[a + major].tolist(), minutes.tolist(), familiar)
        for place, flow in _flows(found, major, net[a:b]):
            ranges.append((a + int(place[0]), a + int(place[-1]) + 1))
            certainty.append(found.certainty)
            columns.append((a + place, flow, flow / net[a + place]))
    order = sorted(range(len(ranges)), key=ranges.__getitem__)
    none = [np.empty(0, np.int64)], [np.empty(0)], [np.empty(0)]
    plateau, flow, fraction = (
        np.concatenate(column) for column in (zip(*(columns[k] for k in order), strict=True) if order else none)
    )
    parts = Parts(
        use=np.repeat(np.arange(len(order)), [columns[k][0].size for k in order]),
        plateau=plateau,
        flow_lpm=flow,
        fraction=fraction,
        ramp=ramp[plateau],
    )
    uses = np.array([ranges[k] for k in order], dtype=np.int64).reshape(-1, 2)
    return _divide(layout, uses, np.array([certainty[k] for k in order], dtype=np.float64), parts)


def _levels(ramp: BoolArray, net: FloatArray, length: IntArray) -> IntArray:
    """Return the places of a span's levels: all plateaus but ramps, and the largest of an overlong span."""
    major = np.flatnonzero(~ramp)
    if major.size > MOST_LEVELS:
        weight = length[major] * net[major]
        major = np.sort(major[np.argsort(-weight, kind="stable")[:MOST_LEVELS]])
    return major


def _reach(major: IntArray, length: IntArray) -> FloatArray:
    """Cells that each level stands for: its own, and half of the ramps on either side."""
    upto = np.concatenate([[0], np.cumsum(length)])
    middle = (upto[major[:-1] + 1] + upto[major[1:]]) / 2
    return np.diff(np.concatenate([[0.0], middle, [float(upto[-1])]]))


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


def _divide(layout: Layout, uses: IntArray, certainty: FloatArray, parts: Parts) -> Segmentation:
    """Divide the volume of each metered cell by the fractions of its plateau."""
    trace, runs, plateaus = layout.trace, layout.runs, layout.plateaus
    base, level = layout.base_lpm, np.maximum(plateaus.level_lpm, 1e-12)
    home = np.searchsorted(plateaus.first, runs.sample, side="right") - 1
    of_trickle = np.where(layout.busy, np.minimum(base / level, 1.0), base > 0)
    trickle_l = trace.volume_l * of_trickle[home]
    first_sample = np.searchsorted(runs.sample, plateaus.first)
    part, flow = expand_ranges(first_sample[parts.plateau], first_sample[parts.plateau + 1])
    shares = Shares(
        event=parts.use[part],
        flow=flow,
        volume_l=(trace.volume_l - trickle_l)[flow] * parts.fraction[part],
    )
    start, end = np.empty(0, np.int64), np.empty(0, np.int64)
    if uses.size:
        start = runs.cell[plateaus.first[uses[:, 0]]]
        end = runs.cell[plateaus.first[uses[:, 1]] - 1] + 1
    return Segmentation(
        start=start,
        end=end,
        certainty=certainty,
        shares=shares,
        parts=parts,
        plateaus=plateaus,
        trickle=layout.trickle,
        trickle_l=trickle_l,
    )
