"""Overlapping uses taken apart: the steps of one span of flow explained together.

Every rise opens a use or turns one up, every fall closes a use or turns one down, and at the end of the span all are
closed. A beam search keeps the cheapest explanations of the steps so far; costs are negative log-likelihoods, so a
closing use whose flow is unlike the fall pays by the squared misfit, and each further use or adjustment pays a fixed
price. A use that closes with the volume and flow of one that this home is known for earns that back. The work grows
with the number of steps alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import exp, log, log1p
from typing import NamedTuple

BEAM = 12
"""Explanations kept after each step."""

MOST_AT_ONCE = 6
"""Uses that may run at once in one explanation."""

OPEN_COST = 3.0
"""Price of a new use."""

ADJUST_COST = 3.0
"""Price of turning a use up or down."""

ADJUST_SLOPE = 1.5
"""Further price for each e-fold of an adjustment: handles move a little more often than a lot."""

TAPER_COST = 1.0
"""Price of turning a use down further right after it was turned down: a tank's float valve closes by and by."""

TAPER_MINUTES = 0.5
"""Longest time at one level within such a taper [min] (assumption)."""

TOGETHER_COST = 3.5
"""Price of two things in the same instant (two uses closing, one closing as another opens)."""

OLDER_COST = 0.3
"""Price of an older use closing before a younger one: short uses are commoner than long ones."""

LEAST_FLOW_LPM = 0.4
"""A use doesn't run below this [L/min]; see `flowsift.signal.runs.LEAST_USE_LPM` for a steady draw."""

SHARED_LINE = 0.05
"""Standard deviation of a step for the pressure that uses share, as a share of the whole flow (assumption: the dip when
a second fixture opens)."""

SAME_FIXTURE = 0.08
"""Standard deviation between a use's opening and closing step, as a share of its flow (assumption)."""


FAMILIAR_VOLUME, FAMILIAR_FLOW = 0.05, 0.15
"""Standard deviations, as shares, of a familiar use's volume and flow when others run beside it (assumption: pressure
changes a refill's flow, not the volume that it needs)."""

FAMILIAR_ODDS = 30.0
"""How much likelier a use is that is just like a familiar one."""


@dataclass(frozen=True, kw_only=True)
class Familiar:
    """Uses that a home is known for: a toilet's refill, a washer's fill.

    Attributes
    ----------
    volume_l, flow_lpm : tuple of float
        One element a familiar use.
    """

    volume_l: tuple[float, ...] = ()
    flow_lpm: tuple[float, ...] = ()

    def reward(self, volume_l: float, flow_lpm: float) -> float:
        """Return how much a use of this volume and flow earns by being like a familiar one, >= 0."""
        best = 0.0
        for volume, flow in zip(self.volume_l, self.flow_lpm, strict=True):
            away = (log(volume_l / volume) / FAMILIAR_VOLUME) ** 2 + (log(flow_lpm / flow) / FAMILIAR_FLOW) ** 2
            if away < 18.0:
                best = max(best, log1p(FAMILIAR_ODDS * exp(-0.5 * away)))
        return best


@dataclass(frozen=True, kw_only=True)
class Use:
    """One use inside a span: its flow on each plateau from `first` on."""

    first: int
    flows_lpm: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """The uses of one span, and how sure the division is among the explanations kept (0 to 1)."""

    uses: tuple[Use, ...]
    certainty: float


class _Running(NamedTuple):
    """A use that runs: its flow now and when it opened, its volume so far, and whether it was just turned down."""

    use: int
    flow: float
    opened: float
    volume: float
    falls: bool


class _State(NamedTuple):
    """A way to explain the steps so far.

    `cost` is that of the cheapest way to get here, `mass` the cost of all of them together.
    """

    cost: float
    mass: float
    active: tuple[_Running, ...]
    n_uses: int
    parent: _State | None


def explain_span(
    level_lpm: list[float], variance: list[float], minutes: list[float], familiar: Familiar | None = None
) -> Explanation:
    """Divide the plateaus of one span among uses.

    Parameters
    ----------
    level_lpm : list of float, length n_plateaus
        Levels above the trickle [L/min], > 0, n_plateaus >= 1. No flow before and after.
    variance : list of float, length n_plateaus
        Variance of each level [(L/min)^2].
    minutes : list of float, length n_plateaus
        Duration of each [min].
    familiar : Familiar, optional
        Uses that the home is known for.

    Returns
    -------
    Explanation
        On each plateau the flows of its uses add up to its level.
    """
    known = Familiar() if familiar is None else familiar
    beam = [_State(0.0, 0.0, (), 0, None)]
    before, noise_before = 0.0, 0.0
    for level, noise, lasts in zip(level_lpm, variance, minutes, strict=True):
        step_noise = noise_before + noise + (SHARED_LINE * max(level, before)) ** 2
        beam = _advance(beam, before, level, step_noise, lasts, known)
        before, noise_before = level, noise
    closing = [
        TOGETHER_COST * max(len(state.active) - 1, 0) - sum(known.reward(u.volume, u.opened) for u in state.active)
        for state in beam
    ]
    best = min(range(len(beam)), key=lambda k: beam[k].cost + closing[k])
    lowest = beam[best].cost + closing[best]
    weight = sum(exp(min(lowest - state.mass - end, 0.0)) for state, end in zip(beam, closing, strict=True))
    return Explanation(uses=_uses_of(beam[best]), certainty=min(1.0 / weight, 1.0))


def _advance(
    beam: list[_State], before: float, level: float, noise: float, minutes: float, known: Familiar
) -> list[_State]:
    found: dict[tuple[int, ...], _State] = {}
    for state in beam:
        for cost, active, n_uses in _moves(state, level - before, level, noise, known):
            total = sum(u.flow for u in active)
            if total <= 0 or len(active) > MOST_AT_ONCE:
                continue
            scale = level / total
            scaled = tuple(
                _Running(
                    u.use,
                    u.flow * scale,
                    u.opened or u.flow * scale,
                    u.volume + u.flow * scale * minutes,
                    u.falls and minutes < TAPER_MINUTES,
                )
                for u in active
            )
            # Explanations that agree on what runs now and since when, to a twentieth of the flow and a tenth of the
            # volume, go on alike: the cheapest stays and speaks for all.
            key = tuple(sorted(round(20 * u.flow / level) * 100_000 + round(10 * log1p(u.volume)) for u in scaled))
            reached = _State(state.cost + cost, state.mass + cost, scaled, n_uses, state)
            rival = found.get(key)
            if rival is not None:
                mass = min(rival.mass, reached.mass) - log1p(exp(-abs(rival.mass - reached.mass)))
                reached = (reached if reached.cost < rival.cost else rival)._replace(mass=mass)
            found[key] = reached
    return sorted(found.values(), key=lambda s: s.cost)[:BEAM]


_Move = tuple[float, tuple[_Running, ...], int]


def _moves(state: _State, step: float, level: float, noise: float, known: Familiar) -> Iterator[_Move]:
    """Yield the ways from `state` to the next level: price, active uses, number of uses so far."""
    active, n = state.active, state.n_uses
    if not active:
        yield OPEN_COST, (_Running(n, level, 0.0, 0.0, False),), n + 1
        return
    if step > 0:
        yield OPEN_COST + _thin(step), (*active, _Running(n, step, 0.0, 0.0, False)), n + 1
    newest = active[-1].use if len(active) == 1 else max(u.use for u in active)
    for k, running in enumerate(active):
        others = active[:k] + active[k + 1 :]
        changed = running.flow + step
        reward = known.reward(running.volume, running.opened)
        if changed > (LEAST_FLOW_LPM if others else 0.0):
            base = TAPER_COST if running.falls and step < 0 else ADJUST_COST
            price = base + ADJUST_SLOPE * abs(log(changed / running.flow))
            yield price, (*others, running._replace(flow=changed, falls=step < 0)), n
            if abs(step) > 0.1 * running.flow:
                follower = _Running(n, changed, 0.0, 0.0, False)
                yield OPEN_COST + TOGETHER_COST + _thin(changed) - reward, (*others, follower), n + 1
        if step < 0 and others:
            older = OLDER_COST if running.use < newest else 0.0
            yield _misfit(changed, running.flow, noise) + older - reward, others, n
    if step < 0 and len(active) > 2:
        for one, other in combinations(active, 2):
            rest = tuple(u for u in active if u is not one and u is not other)
            flow = one.flow + other.flow
            reward = known.reward(one.volume, one.opened) + known.reward(other.volume, other.opened)
            yield TOGETHER_COST + _misfit(flow + step, flow, noise) - reward, rest, n


def _thin(flow: float) -> float:
    """Price of a new use that would be thinner than fixtures run."""
    return 0.0 if flow >= LEAST_FLOW_LPM else 4.0


def _misfit(miss: float, flow: float, noise: float) -> float:
    """Price of a use closing with a fall that misses its flow by `miss`."""
    return 0.5 * miss * miss / (noise + (SAME_FIXTURE * flow) ** 2)


def _uses_of(state: _State) -> tuple[Use, ...]:
    """Follow an explanation back and collect each use's flows."""
    states: list[_State] = []
    here: _State | None = state
    while here is not None and here.parent is not None:
        states.append(here)
        here = here.parent
    flows: dict[int, list[float]] = {}
    first: dict[int, int] = {}
    for plateau, visited in enumerate(reversed(states)):
        for running in visited.active:
            first.setdefault(running.use, plateau)
            flows.setdefault(running.use, []).append(running.flow)
    return tuple(Use(first=first[u], flows_lpm=tuple(flows[u])) for u in sorted(flows))
