"""Overlapping uses taken apart: the steps of spans of flow explained together.

Every rise opens a use or turns one up, every fall closes a use or turns one down, and at the end of the span all are
closed. A beam search keeps the cheapest explanations of the steps so far; costs are negative log-likelihoods, so a
closing use whose flow is unlike the fall pays by the squared misfit, and each further use or adjustment pays a fixed
price. A use pays less the likelier its volume and flow are in this home. All spans take their next step at once, as
rows of one array; the work grows with the number of steps alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import numpy.typing as npt

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.signal.familiar import Familiar

__all__ = ["Explanations", "Familiar", "explain_spans"]

BEAM = 12
"""Explanations kept after each step."""

FIRST_BEAM = 4
"""The same where nothing is known of the home: that look only shows which uses run alone."""

TRIED = 3
"""Next explanations looked at in full after each step, for each that is kept."""

AT_ONCE = 6
"""Uses that may run at once in one explanation."""

OPEN_COST = 3.5
"""Price of a new use."""

ADJUST_COST = 3.0
"""Price of turning a use up or down."""

ADJUST_SLOPE = 1.5
"""Further price for each e-fold of an adjustment: handles move a little more often than a lot."""

TOGETHER_COST = 3.5
"""Price of two things in the same instant (two uses closing, one closing as another opens)."""

OLDER_COST = 0.3
"""Price of an older use closing before a younger one: short uses are commoner than long ones."""

FAMILIAR_WEIGHT = 1.2
"""How much a use's log odds in this home count (tuned, as the prices are, on homes of the training seeds)."""

UNSURE_COST = 0.5
"""Price of each e-fold by which a closing step is less sure than a use's own flow makes it."""

LEAST_FLOW_LPM = 0.4
"""A use doesn't run below this [L/min]; see `flowsift.signal.runs.LEAST_USE_LPM` for a steady draw."""

THIN_COST = 4.0
"""Price of a new use that would be thinner than that."""

SHARED_LINE = 0.04
"""Standard deviation of a step for the pressure that uses share, as a share of the whole flow (assumption: the dip when
a second fixture opens)."""

SAME_FIXTURE = 0.06
"""Standard deviation between a use's opening and closing step, as a share of its flow (assumption)."""

NEW_USE_SHARE = 0.3
"""A use may be followed by another in the same instant only if their flows differ by more than this share."""

_OPENS, _TURNS, _FOLLOWS, _CLOSES, _PAIR_CLOSES = range(5)
"""Moves: a use opens; one is turned; one closes as another opens in its place; one closes; two close."""


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
    for begin in range(0, rows.size, _ROWS):
        chunk = slice(begin, begin + _ROWS)
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


_ROWS = 1024
"""Spans searched at once, to spare memory."""


@dataclass(kw_only=True, eq=False)
class _Beam:
    """Explanations so far: arrays of shape (n_spans, n_kept), and of running uses (n_spans, n_kept, n_places).

    There are as many places as uses run at once in any of them; one is free where its `flow` is 0. `cost` is that of
    the cheapest way to get there, infinite where there is none; `mass` the cost of all ways together; `opened` what a
    use's flow was worth when it opened.
    """

    cost: FloatArray
    mass: FloatArray
    n_uses: IntArray
    flow: FloatArray
    volume: FloatArray
    minutes: FloatArray
    opened: FloatArray
    use: IntArray

    @classmethod
    def empty(cls, n_spans: int) -> _Beam:
        """Return one explanation of nothing for each span."""
        places = (n_spans, 1, 0)
        return cls(
            cost=np.zeros((n_spans, 1)),
            mass=np.zeros((n_spans, 1)),
            n_uses=np.zeros((n_spans, 1), np.int64),
            flow=np.zeros(places),
            volume=np.zeros(places),
            minutes=np.zeros(places),
            opened=np.zeros(places),
            use=np.full(places, -1),
        )

    def at(self, spans: IntArray | slice, kept: IntArray | slice) -> _Beam:
        """Return some explanations of some spans."""
        return _Beam(**{name: array[spans, kept] for name, array in vars(self).items()})

    def with_places(self, n_places: int) -> _Beam:
        """Return the same with more places for uses, or with fewer where the last ones are free."""
        return _Beam(**{name: _resized(array, n_places) for name, array in vars(self).items()})


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
        beam = _Beam.empty(self.count.size)
        before = noise_before = np.zeros(self.count.size)
        for k in range(int(self.count[0])):
            n = int(np.searchsorted(-self.count, -k, side="left"))
            here = self.first[:n] + k
            level, noise = self.level[here], self.variance[here]
            before, noise_before = before[:n], noise_before[:n]
            step_noise = noise_before + noise + (SHARED_LINE * np.maximum(level, before)) ** 2
            parent, beam = self._advance(beam.at(slice(n), slice(None)), before, level, step_noise, self.minutes[here])
            self._steps.append((parent, beam.flow, beam.use))
            self._close(beam, np.flatnonzero(self.count[:n] == k + 1))
            before, noise_before = level, noise
        return self._followed_back()

    def _worth(self, beam: _Beam) -> FloatArray:
        """Return what each running use earns if it closes now."""
        running = beam.flow > 0
        flow = beam.volume / np.where(running, np.maximum(beam.minutes, 1e-9), 1.0)
        worth = FAMILIAR_WEIGHT * self.known.of_use(beam.volume, flow) - beam.opened
        return np.where(running, worth, 0.0)

    def _close(self, beam: _Beam, spans: IntArray) -> None:
        """Choose the best explanation of the spans that end here."""
        if spans.size == 0:
            return
        done = beam.at(spans, slice(None))
        n_running = (done.flow > 0).sum(axis=2)
        closing = TOGETHER_COST * np.maximum(n_running - 1, 0) - self._worth(done).sum(axis=2)
        total = done.cost + closing
        best = total.argmin(axis=1)
        lowest = total.min(axis=1, keepdims=True)
        weight = np.exp(np.minimum(lowest - done.mass - closing, 0.0)).sum(axis=1)
        self.certainty[spans] = np.minimum(1.0 / weight, 1.0)
        self._last[spans] = best

    def _advance(
        self, beam: _Beam, before: FloatArray, level: FloatArray, noise: FloatArray, minutes: FloatArray
    ) -> tuple[IntArray, _Beam]:
        """Take one step in each span; also return which explanation each new one came from."""
        price = self._prices(beam, level - before, noise)
        n_spans, _, n_moves = price.shape
        by_span = (beam.cost[:, :, None] + price).reshape(n_spans, -1)
        # No more than can be: most spans are short, and few moves are possible from their few explanations.
        n_tried = min(TRIED * self.n_kept, int(np.count_nonzero(np.isfinite(by_span), axis=1).max()))
        chosen = np.sort(np.argpartition(by_span, n_tried - 1, axis=1)[:, :n_tried], axis=1)
        parent, move = chosen // n_moves, chosen % n_moves
        span = np.arange(n_spans)[:, None]
        cost = by_span[span, chosen]
        mass = beam.mass[span, parent] + price[span, parent, move]
        kind, place, other = _moves(beam.flow.shape[2])
        moves = kind[move], place[move], other[move]
        beam = beam.with_places(min(beam.flow.shape[2] + 1, AT_ONCE))
        flow, new = _flows_after(beam.flow[span, parent], moves, cost, step=level - before, level=level)
        lasts = minutes[:, None, None]
        volume = np.where(new | (flow == 0), 0.0, beam.volume[span, parent]) + flow * lasts
        pick, cost, mass = _cheapest(cost, mass, flow, volume, level, n_kept=self.n_kept)
        # Only what is kept is worked out in full: most of what is tried is not.
        parent, flow, volume, new = parent[span, pick], flow[span, pick], volume[span, pick], new[span, pick]
        runs = flow > 0
        goes_on = runs & ~new
        number = beam.n_uses[span, parent]
        kept = _Beam(
            cost=cost,
            mass=mass,
            n_uses=number + new.any(axis=2),
            flow=flow,
            volume=volume,
            minutes=np.where(goes_on, beam.minutes[span, parent], 0.0) + runs * lasts,
            opened=np.where(new, self._of_flow(flow), np.where(goes_on, beam.opened[span, parent], 0.0)),
            use=np.where(new, number[..., None], np.where(goes_on, beam.use[span, parent], -1)),
        )
        return parent, kept.with_places(int(np.flatnonzero(runs.any(axis=(0, 1)))[-1]) + 1)

    def _prices(self, beam: _Beam, step: FloatArray, noise: FloatArray) -> FloatArray:
        """Return the price of every move, shape (n_spans, n_kept, n_moves), infinite for one that can't be.

        Moves are in the order of `_moves`.
        """
        flow = beam.flow
        running = flow > 0
        n_running = running.sum(axis=2)
        step, noise = step[:, None], noise[:, None]
        worth = self._worth(beam)
        opens = OPEN_COST - self._of_flow(step) + _thin(step)
        opens = np.where((n_running == 0) | ((step > 0) & (n_running < AT_ONCE)), opens, np.inf)
        step, noise = step[..., None], noise[..., None]
        down = step < 0
        others = (n_running > 1)[..., None]
        changed = np.where(running, flow + step, 0.0)
        can_turn = changed > np.where(others, LEAST_FLOW_LPM, 0.0)
        safe = np.where(can_turn, changed, 1.0)
        turns = ADJUST_COST + ADJUST_SLOPE * np.abs(np.log(safe / np.where(running, flow, 1.0)))
        follows = OPEN_COST + TOGETHER_COST + _thin(safe) - worth - self._of_flow(safe)
        follows = np.where(can_turn & (np.abs(step) > NEW_USE_SHARE * flow), follows, np.inf)
        newest = beam.use.max(axis=2, keepdims=True, initial=-1)
        closes = _misfit(flow + step, flow, noise) - worth + np.where(beam.use < newest, OLDER_COST, 0.0)
        closes = np.where(running & others & down, closes, np.inf)
        one, two = np.triu_indices(flow.shape[2], 1)
        both = flow[..., one] + flow[..., two]
        pairs = TOGETHER_COST + _misfit(both + step, both, noise) - worth[..., one] - worth[..., two]
        possible = running[..., one] & running[..., two] & down & (n_running > 2)[..., None]
        pairs = np.where(possible, pairs, np.inf)
        turns = np.where(can_turn, turns, np.inf)
        return np.concatenate([opens[..., None], turns, follows, closes, pairs], axis=2)

    def _of_flow(self, flow: FloatArray) -> FloatArray:
        return FAMILIAR_WEIGHT * self.known.of_flow(flow)

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
        level, number, litres = (np.concatenate(column) for column in zip(*found, strict=True))
        return level, number, litres


_MIXED = np.random.default_rng(0).integers(1 << 40, size=AT_ONCE) | 1
"""Factors that turn the state of the running uses into one number that no other state is likely to have."""


@cache
def _moves(n_places: int) -> tuple[IntArray, IntArray, IntArray]:
    """Kind of each move, the place of its use, and that of the other one that closes with it (-1 for none)."""
    one, two = np.triu_indices(n_places, 1)
    every = np.arange(n_places)
    kind = np.repeat([_OPENS, _TURNS, _FOLLOWS, _CLOSES, _PAIR_CLOSES], [1, n_places, n_places, n_places, one.size])
    place = np.concatenate([[-1], every, every, every, one])
    other = np.concatenate([np.full(1 + 3 * n_places, -1), two])
    return kind, place, other


def _flows_after(
    flow: FloatArray,
    moves: tuple[IntArray, IntArray, IntArray],
    cost: FloatArray,
    *,
    step: FloatArray,
    level: FloatArray,
) -> tuple[FloatArray, BoolArray]:
    """Make the moves, each on its own explanation; return the flow of each use, and whether it has just opened."""
    kind, place, other = moves
    places = np.arange(flow.shape[2])
    at = places == np.where(kind == _OPENS, (flow == 0).argmax(axis=2), place)[..., None]
    after = np.where(at, flow + step[:, None, None], flow)
    after[at & (kind >= _CLOSES)[..., None] | (places == other[..., None])] = 0.0
    after[np.isinf(cost)] = 0.0
    total = after.sum(axis=2)
    after *= (level[:, None] / np.where(total > 0, total, 1.0))[..., None]
    return after, at & ((kind == _OPENS) | (kind == _FOLLOWS))[..., None]


def _cheapest(
    cost: FloatArray, mass: FloatArray, flow: FloatArray, volume: FloatArray, level: FloatArray, *, n_kept: int
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Choose the explanations that are kept; also return the cost and the mass of each.

    Those that agree on what runs now and since when, to a twentieth of the flow and a tenth of the volume, go on
    alike: the cheapest stays and speaks for all.
    """
    share = np.rint(20 * flow / level[:, None, None])
    running = (share * 1e5 + np.rint(10 * np.log1p(volume))).astype(np.int64)
    sign = (np.sort(running, axis=2) * _MIXED[AT_ONCE - running.shape[2] :]).sum(axis=2)
    at = np.arange(sign.shape[0])[:, None]
    # Those that agree side by side, the cheapest first.
    order = np.lexsort((cost, sign), axis=1)
    sign, cost, mass = sign[at, order], cost[at, order], mass[at, order]
    leads = np.ones(sign.shape, bool)
    leads[:, 1:] = sign[:, 1:] != sign[:, :-1]
    mass_of_all = np.full(sign.shape, np.inf)
    own = np.where(np.isinf(cost), -np.inf, -mass)
    mass_of_all[leads] = -np.logaddexp.reduceat(own.ravel(), np.flatnonzero(leads))
    cost = np.where(leads, cost, np.inf)
    n_kept = min(n_kept, int(np.isfinite(cost).sum(axis=1).max()))
    best = np.argsort(cost, axis=1, kind="stable")[:, :n_kept]
    cost = cost[at, best]
    return order[at, best], cost, np.where(np.isinf(cost), np.inf, mass_of_all[at, best])


def _resized(array: npt.NDArray[Any], n_places: int) -> npt.NDArray[Any]:
    """Cut the last axis of an array of places, or add zeros to it; an array without places stays as it is."""
    if array.ndim < 3 or array.shape[2] >= n_places:
        return array[..., :n_places] if array.ndim == 3 else array
    wider = np.zeros((*array.shape[:2], n_places), array.dtype)
    wider[..., : array.shape[2]] = array
    return wider


def _thin(flow: FloatArray) -> FloatArray:
    """Price of a new use for being thinner than fixtures run."""
    return np.where(flow >= LEAST_FLOW_LPM, 0.0, THIN_COST)


def _misfit(miss: FloatArray, flow: FloatArray, noise: FloatArray) -> FloatArray:
    """Price of a use closing with a fall that misses its flow by `miss`."""
    own = np.maximum(SAME_FIXTURE * flow, 1e-6) ** 2
    spread = noise + own
    return np.asarray(0.5 * miss * miss / spread + 0.5 * UNSURE_COST * np.log(spread / own))
