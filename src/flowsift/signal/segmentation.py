"""Segmentation: a trace split into trickle and single uses, with each metered cell's volume divided among them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.disaggregation import Shares, TrickleSpans
from flowsift.grouping import expand_ranges, first_by, least_by, sum_by
from flowsift.signal.familiar import Familiar
from flowsift.signal.layout import Layout
from flowsift.signal.overlap import explain_spans
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

    def renumbered(self, use: IntArray) -> Parts:
        """Return the same parts, in order, of uses with other numbers, shape (n_uses,); several may get one."""
        order = np.lexsort((self.plateau, use[self.use]))
        return Parts(
            use=use[self.use][order],
            plateau=self.plateau[order],
            flow_lpm=self.flow_lpm[order],
            fraction=self.fraction[order],
            ramp=self.ramp[order],
        )


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
    plateau_cell : ndarray of int64, shape (n_plateaus,)
        Cell of the trace at which each plateau begins.
    trickle : TrickleSpans
    trickle_l : ndarray, shape (trace.n_flow,)
    """

    start: IntArray
    end: IntArray
    certainty: FloatArray
    shares: Shares
    parts: Parts
    plateaus: Plateaus
    plateau_cell: IntArray
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
        end = np.zeros(n, np.int64)
        np.maximum.at(end, use, self.end)
        return replace(
            self,
            start=self.start[first_by(use, n)],
            end=end,
            certainty=least_by(use, self.certainty, n),
            shares=replace(self.shares, event=use[self.shares.event]),
            parts=self.parts.renumbered(use),
        )


def explain(layout: Layout, familiar: Familiar | None = None) -> Segmentation:
    """Tell the single uses of a trace apart.

    Parameters
    ----------
    layout : Layout
    familiar : Familiar, optional
        What the home is known for; among overlapping uses it tells likely volumes and flows from unlikely ones.

    Returns
    -------
    Segmentation
        Every metered cell's volume is divided among uses and trickle; what belongs to neither is left.
    """
    levels = _find_levels(layout)
    rows, certainty = _explain_levels(layout, levels, familiar)
    parts, span = _spread(layout, levels, rows)
    n = int(parts.use.max()) + 1 if parts.use.size else 0
    first, last = np.full(n, layout.net_lpm.size), np.zeros(n, np.int64)
    np.minimum.at(first, parts.use, parts.plateau)
    np.maximum.at(last, parts.use, parts.plateau)
    order = np.lexsort((last, first))
    rank = np.empty(n, np.int64)
    rank[order] = np.arange(n)
    return _divide(layout, first[order], last[order], certainty[span[order]], parts.renumbered(rank))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Levels:
    """The plateaus of all spans that are levels: neither ramps nor, in an overlong span, the lesser ones.

    Attributes
    ----------
    plateau : ndarray of int64, shape (n_levels,)
    first : ndarray of int64, shape (n_spans + 1,)
        First level of each span, then their number.
    """

    plateau: IntArray
    first: IntArray


@dataclass(frozen=True, kw_only=True, eq=False)
class _Rows:
    """Uses on levels, one element a use on a level, sorted by level.

    `use` counts over all spans; the rows of level ``k`` are ``first[k]`` to ``first[k + 1] - 1``.
    """

    first: IntArray
    use: IntArray
    flow_lpm: FloatArray
    span_of_use: IntArray


def _find_levels(layout: Layout) -> _Levels:
    spans, length = layout.spans, layout.plateaus.length
    chosen = ~layout.ramp
    upto = np.cumsum(np.append(0, chosen))
    for k in np.flatnonzero(upto[spans[:, 1]] - upto[spans[:, 0]] > MOST_LEVELS):
        inside = np.arange(*spans[k])
        major = inside[chosen[inside]]
        lesser = np.argsort(-length[major] * layout.net_lpm[major], kind="stable")[MOST_LEVELS:]
        chosen[major[lesser]] = False
    upto = np.cumsum(np.append(0, chosen))
    _, plateau = expand_ranges(spans[:, 0], spans[:, 1])
    return _Levels(
        plateau=plateau[chosen[plateau]],
        first=np.append(0, np.cumsum(upto[spans[:, 1]] - upto[spans[:, 0]])),
    )


def _explain_levels(layout: Layout, levels: _Levels, familiar: Familiar | None) -> tuple[_Rows, FloatArray]:
    """Explain the levels of each span, and say how sure that is of each; a span of one level needs no search."""
    count = np.diff(levels.first)
    several = np.flatnonzero(count > 1)
    _, level = expand_ranges(levels.first[several], levels.first[several + 1])
    plateau = levels.plateau[level]
    found = explain_spans(
        np.append(0, np.cumsum(count[several])),
        layout.net_lpm[plateau],
        layout.variance[plateau],
        (_reach(layout, levels) * (layout.trace.interval_s / SECONDS_PER_MINUTE))[level],
        familiar,
    )
    certainty = np.ones(count.size)
    certainty[several] = found.certainty
    one = levels.first[:-1][count == 1]
    at = np.concatenate([level[found.level], one])
    span = np.repeat(np.arange(count.size), count)[at]
    number = np.concatenate([found.use, np.zeros(one.size, np.int64)])
    order = np.lexsort((number, at))
    key = span * (int(number.max(initial=0)) + 1) + number
    _, first_row, use = np.unique(key, return_index=True, return_inverse=True)
    rows = _Rows(
        first=np.searchsorted(at[order], np.arange(levels.plateau.size + 1)),
        use=use[order],
        flow_lpm=np.concatenate([found.flow_lpm, layout.net_lpm[levels.plateau[one]]])[order],
        span_of_use=span[first_row],
    )
    return rows, certainty


def _reach(layout: Layout, levels: _Levels) -> FloatArray:
    """Cells that each level stands for: its own, and half of the ramps on either side."""
    edge, spans = layout.plateaus.first, layout.spans
    middle = (edge[levels.plateau[:-1] + 1] + edge[levels.plateau[1:]]) / 2
    begin, end = np.concatenate([[0.0], middle]), np.concatenate([middle, [0.0]])
    begin[levels.first[:-1]] = edge[spans[:, 0]]
    end[levels.first[1:] - 1] = edge[spans[:, 1]]
    return np.asarray(end - begin, dtype=np.float64)


def _spread(layout: Layout, levels: _Levels, rows: _Rows) -> tuple[Parts, IntArray]:
    """Spread the uses' flows from the levels to all plateaus of the spans; also return the span of each use.

    On a ramp the uses that run before and after it keep their flow; what is left goes to those that open or close.
    """
    net = layout.net_lpm
    span, plateau = expand_ranges(layout.spans[:, 0], layout.spans[:, 1])
    after = np.searchsorted(levels.plateau, plateau)
    is_level = levels.plateau[np.minimum(after, max(levels.plateau.size - 1, 0))] == plateau
    own, row = expand_ranges(rows.first[after[is_level]], rows.first[after[is_level] + 1])
    on_level = plateau[is_level][own], rows.use[row], rows.flow_lpm[row]

    ramp, k, span = plateau[~is_level], after[~is_level], span[~is_level]
    has_before, has_after = k > levels.first[span], k < levels.first[span + 1]
    left, row_before = expand_ranges(rows.first[k - has_before], rows.first[k])
    right, row_after = expand_ranges(rows.first[k], rows.first[k + has_after])
    place, row = np.concatenate([left, right]), np.concatenate([row_before, row_after])
    key, at = np.unique(place * (rows.span_of_use.size + 1) + rows.use[row], return_inverse=True)
    place, use = key // (rows.span_of_use.size + 1), key % (rows.span_of_use.size + 1)
    flow_before = sum_by(at[: left.size], rows.flow_lpm[row_before], key.size)
    flow_after = sum_by(at[left.size :], rows.flow_lpm[row_after], key.size)
    stays = np.minimum(flow_before, flow_after)
    moves = np.maximum(flow_before, flow_after) - stays
    staying, moving = sum_by(place, stays, ramp.size), sum_by(place, moves, ramp.size)
    rest = net[ramp] - staying
    parted = (rest > 0) & (moving > 0)
    whole = np.where((staying > 0)[place], stays, flow_before + flow_after)
    flow = np.where(
        parted[place],
        stays + moves * (rest / np.where(moving > 0, moving, 1.0))[place],
        whole * (net[ramp] / sum_by(place, whole, ramp.size))[place],
    )
    runs = flow > 0
    part_plateau, part_use, part_flow = (
        np.concatenate(pair) for pair in zip(on_level, (ramp[place[runs]], use[runs], flow[runs]), strict=True)
    )
    parts = Parts(
        use=part_use,
        plateau=part_plateau,
        flow_lpm=part_flow,
        fraction=part_flow / net[part_plateau],
        ramp=layout.ramp[part_plateau],
    )
    return parts, rows.span_of_use


def _steady_share(layout: Layout, busy: BoolArray) -> FloatArray:
    """Share of each metered cell between uses that a trickle's rate explains; 1 in uses.

    Pulses between uses are the trickle's, and those of draws too small to be seen: what exceeds the upper end of the
    rate over a span's quiet time by more than a pulse is neither.

    `busy` tells which metered cells are in uses.
    """
    trace, trickle = layout.trace, layout.trickle
    share = np.ones(trace.n_flow)
    n = trickle.start.size
    if n == 0:
        return share

    def span_of(cell: IntArray) -> IntArray:
        span = np.searchsorted(trickle.start, cell, side="right") - 1
        return np.where((span >= 0) & (cell < trickle.end[span]), span, -1).astype(np.int64)

    span = span_of(trace.cell)
    quiet = np.flatnonzero(~busy & (span >= 0))
    busy_span = span_of(layout.runs.cell[layout.plateaus.first[:-1]])
    inside = np.flatnonzero(layout.busy & (busy_span >= 0))
    busy_cells = sum_by(busy_span[inside], layout.plateaus.length[inside].astype(np.float64), n)
    quiet_min = (trickle.end - trickle.start - busy_cells) * trace.interval_s / SECONDS_PER_MINUTE
    most_l = trickle.high_lpm * np.maximum(quiet_min, 0.0) + trace.pulse_l
    seen_l = np.maximum(sum_by(span[quiet], trace.volume_l[quiet], n), 1e-12)
    share[quiet] = np.minimum(most_l / seen_l, 1.0)[span[quiet]]
    return share


def _divide(layout: Layout, first: IntArray, last: IntArray, certainty: FloatArray, parts: Parts) -> Segmentation:
    """Divide the volume of each metered cell by the fractions of its plateau."""
    trace, runs, plateaus = layout.trace, layout.runs, layout.plateaus
    base, level = layout.base_lpm, np.maximum(plateaus.level_lpm, 1e-12)
    first_sample = np.searchsorted(runs.sample, plateaus.first)
    n_samples = np.diff(first_sample)
    of_trickle = np.where(layout.busy, np.minimum(base / level, 1.0), base > 0)
    trickle_l = (
        trace.volume_l * np.repeat(of_trickle, n_samples) * _steady_share(layout, np.repeat(layout.busy, n_samples))
    )
    _, flow = expand_ranges(first_sample[parts.plateau], first_sample[parts.plateau + 1])
    n_shared = n_samples[parts.plateau]
    shares = Shares(
        event=np.repeat(parts.use, n_shared),
        flow=flow,
        volume_l=(trace.volume_l - trickle_l)[flow] * np.repeat(parts.fraction, n_shared),
    )
    plateau_cell = runs.cell[plateaus.first[:-1]]
    end = runs.cell[plateaus.first[last + 1] - 1] + 1
    return Segmentation(
        start=plateau_cell[first],
        end=end,
        certainty=certainty,
        shares=shares,
        parts=parts,
        plateaus=plateaus,
        plateau_cell=plateau_cell,
        trickle=layout.trickle,
        trickle_l=trickle_l,
    )
