"""Overlapping uses taken apart: the steps of spans of flow explained together.

Every rise opens a use or turns one up, every fall closes a use or turns one down, and at the end of the span all are
closed. A beam search keeps the cheapest explanations of the steps so far; costs are negative log-likelihoods, so a
closing use whose flow is unlike the fall pays by the squared misfit, and each further use or adjustment pays a fixed
price. A use pays less the likelier its volume and flow are in this home. All spans take their next step at once, as
rows of one array; the work grows with the number of steps alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.signal.familiar import Familiar
from flowsift.signal.overlap_beam import USES_AT_ONCE, Beam, cheapest
from flowsift.signal.overlap_moves import flows_after, moves, price_of_ending, prices, step_variance, worth_of_flow

BEAM = 12
"""Explanations kept after each step."""

FIRST_BEAM = 4
"""The same where nothing is known of the home: that look only shows which uses run alone."""

TRIED = 3
"""Next explanations looked at in full after each step, for each that is kept."""

SPANS_AT_ONCE = 1024
"""Spans searched at once, to spare memory."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Explanations:
    """The uses of spans of levels, one element a use on a level, sorted by level.

    Attributes
    ----------
    level : ndarray of int64, shape (n_flows,)
        Level, counted over all spans.
    use : ndarray of int64, shape (n_flows,)
        Number of the use inside its span, from 0 in the order of opening.
    flow_lpm : ndarray, shape (n_flows,)
        Its flow there [L/min], > 0; on each level they add up to the level.
    certainty : ndarray, shape (n_spans,)
        How sure the division of each span is among the explanations kept, 0 to 1.
    """

    level: IntArray
    use: IntArray
    flow_lpm: FloatArray
    certainty: FloatArray


def explain_spans(
    first: IntArray,
    level_lpm: FloatArray,
    variance: FloatArray,
    minutes: FloatArray,
    familiar: Familiar | None = None,
) -> Explanations:
    """Divide the levels of spans among uses.

    Parameters
    ----------
    first : ndarray of int64, shape (n_spans + 1,)
        First level of each span, then the number of levels. Each span has a level at least; no flow before and after.
    level_lpm : ndarray, shape (n_levels,)
        Levels above the trickle [L/min], > 0.
    variance : ndarray, shape (n_levels,)
        Variance of each level [(L/min)^2].
    minutes : ndarray, shape (n_levels,)
        Duration of each [min].
    familiar : Familiar, optional
        What the home is known for.

    Returns
    -------
    Explanations
    """
    known, n_kept = (Familiar(), FIRST_BEAM) if familiar is None else (familiar, BEAM)
    count = np.diff(first)
    # The longest spans first: those that still run are always the first rows.
    order = np.argsort(-count, kind="stable")
    rows = count[order]
    certainty = np.ones(count.size)
    parts: list[tuple[IntArray, IntArray, FloatArray]] = []
    for begin in range(0, rows.size, SPANS_AT_ONCE):
        chunk = slice(begin, begin + SPANS_AT_ONCE)
        search = _Search(first[:-1][order[chunk]], rows[chunk], level_lpm, variance, minutes, known, n_kept)
        parts.append(search.run())
        certainty[order[chunk]] = search.certainty
    if not parts:
        return Explanations(
            level=np.empty(0, np.int64), use=np.empty(0, np.int64), flow_lpm=np.empty(0), certainty=certainty
        )
    level, use, flow = (np.concatenate(column) for column in zip(*parts, strict=True))
    by_level = np.lexsort((use, level))
    return Explanations(level=level[by_level], use=use[by_level], flow_lpm=flow[by_level], certainty=certainty)


class _Search:
    """The beam search over some spans, the longest first."""

    def __init__(
        self,
        first: IntArray,
        count: IntArray,
        level_lpm: FloatArray,
        variance: FloatArray,
        minutes: FloatArray,
        known: Familiar,
        n_kept: int,
    ) -> None:
        self.first, self.count = first, count
        self.level, self.variance, self.minutes, self.known = level_lpm, variance, minutes, known
        self.n_kept = n_kept
        self.certainty = np.ones(count.size)
        self._steps: list[tuple[IntArray, FloatArray, IntArray]] = []
        self._last = np.zeros(count.size, np.int64)

    def run(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Search, and return level, use and flow of every use on every level."""
        beam = Beam.empty(self.count.size)
        before = noise_before = np.zeros(self.count.size)
        for k in range(int(self.count[0])):
            n = int(np.searchsorted(-self.count, -k, side="left"))
            here = self.first[:n] + k
            level, noise = self.level[here], self.variance[here]
            before, noise_before = before[:n], noise_before[:n]
            step_noise = step_variance(before, level, variance_before=noise_before, variance=noise)
            parent, beam = self._advance(beam.at(slice(n), slice(None)), before, level, step_noise, self.minutes[here])
            self._steps.append((parent, beam.flow, beam.use))
            self._close(beam, np.flatnonzero(self.count[:n] == k + 1))
            before, noise_before = level, noise
        return self._followed_back()

    def _close(self, beam: Beam, spans: IntArray) -> None:
        """Choose the best explanation of the spans that end here."""
        if spans.size == 0:
            return
        done = beam.at(spans, slice(None))
        closing = price_of_ending(done, self.known)
        total = done.cost + closing
        best = total.argmin(axis=1)
        lowest = total.min(axis=1, keepdims=True)
        weight = np.exp(np.minimum(lowest - done.mass - closing, 0.0)).sum(axis=1)
        self.certainty[spans] = np.minimum(1.0 / weight, 1.0)
        self._last[spans] = best

    def _advance(
        self, beam: Beam, before: FloatArray, level: FloatArray, noise: FloatArray, minutes: FloatArray
    ) -> tuple[IntArray, Beam]:
        """Take one step in each span; also return which explanation each new one came from."""
        price = prices(beam, self.known, step=level - before, noise=noise)
        n_spans, _, n_moves = price.shape
        by_span = (beam.cost[:, :, None] + price).reshape(n_spans, -1)
        # No more than can be: most spans are short, and few moves are possible from their few explanations.
        n_tried = min(TRIED * self.n_kept, int(np.count_nonzero(np.isfinite(by_span), axis=1).max()))
        chosen = np.sort(np.argpartition(by_span, n_tried - 1, axis=1)[:, :n_tried], axis=1)
        parent, move = chosen // n_moves, chosen % n_moves
        span = np.arange(n_spans)[:, None]
        cost = by_span[span, chosen]
        mass = beam.mass[span, parent] + price[span, parent, move]
        kind, place, other = moves(beam.flow.shape[2])
        made = kind[move], place[move], other[move]
        beam = beam.with_places(min(beam.flow.shape[2] + 1, USES_AT_ONCE))
        flow, new = flows_after(beam.flow[span, parent], made, cost, step=level - before, level=level)
        lasts = minutes[:, None, None]
        volume = np.where(new | (flow == 0), 0.0, beam.volume[span, parent]) + flow * lasts
        pick, cost, mass = cheapest(cost, mass, flow, volume, level, n_kept=self.n_kept)
        # Only what is kept is worked out in full: most of what is tried is not.
        parent, flow, volume, new = parent[span, pick], flow[span, pick], volume[span, pick], new[span, pick]
        runs = flow > 0
        goes_on = runs & ~new
        number = beam.n_uses[span, parent]
        kept = Beam(
            cost=cost,
            mass=mass,
            n_uses=number + new.any(axis=2),
            flow=flow,
            volume=volume,
            minutes=np.where(goes_on, beam.minutes[span, parent], 0.0) + runs * lasts,
            opened=np.where(new, worth_of_flow(flow, self.known), np.where(goes_on, beam.opened[span, parent], 0.0)),
            use=np.where(new, number[..., None], np.where(goes_on, beam.use[span, parent], -1)),
        )
        return parent, kept.with_places(int(np.flatnonzero(runs.any(axis=(0, 1)))[-1]) + 1)

    def _followed_back(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Follow the best explanation of each span back from its end."""
        found: list[tuple[IntArray, IntArray, FloatArray]] = []
        here = self._last.copy()
        for k in range(len(self._steps) - 1, -1, -1):
            parent, flow, use = self._steps[k]
            n = parent.shape[0]
            span = np.arange(n)
            flow, use = flow[span, here[:n]], use[span, here[:n]]
            row, place = np.nonzero(flow > 0)
            found.append((self.first[row] + k, use[row, place], flow[row, place]))
            here[:n] = parent[span, here[:n]]
        level, number, flow = (np.concatenate(column) for column in zip(*found, strict=True))
        return level, number, flow
