"""Gives a fixture's uses a shape of their own: how the flow begins, drifts and ends, and how often it pauses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flowsift.households.uses import JOIN_PAUSE_S, Use
from flowsift.trace import FloatArray

HAND, SOLENOID = 0.5, 0.15
"""How far shapes leave the usual one, as a share of how far a home's flows do: where hands open the tap, and where a
valve snaps (assumption)."""

FLOAT = dict.fromkeys(("flush", "toilet_leak", "pool_fill", "cooler"), 0.35)
"""The same where a float shuts the valve, by label (assumption)."""

LONGEST_PART = 0.3
"""Share of a use's time that its beginning or its end takes at most (assumption)."""

MOST_PAUSED, LONGEST_PAUSE_S = 0.5, 60.0
"""Share of a fixture's uses that pause, at most, and how long for [s] (assumption)."""

TURN_S = 0.5
"""Time that a hand takes to shut or open a tap [s] (assumption)."""


@dataclass(frozen=True, kw_only=True)
class _Shape:
    """What the uses of a fixture share.

    Attributes
    ----------
    drift, opening, closing : float
        Change of log flow over the whole use, and in its first and last part.
    opening_share, closing_share : float
        Share of the time that these parts take.
    paused : float
        Share of the uses that pause.
    """

    drift: float
    opening: float
    closing: float
    opening_share: float
    closing_share: float
    paused: float


def reshaped(uses: Sequence[Use], *, spread: float, rng: np.random.Generator) -> list[Use]:
    """Return the uses of a fixture in another shape: each takes its volume in its time, but for a pause.

    Parameters
    ----------
    uses : sequence of Use
        Of one fixture.
    spread : float
        How far the home's flows depart from the usual (`flowsift.households.varied`), > 0.
    rng : Generator
    """
    label = uses[0].label
    by_hand = label in JOIN_PAUSE_S
    width = spread * (HAND if by_hand else FLOAT.get(label, SOLENOID))
    drift, opening, closing = rng.normal(0.0, width, 3)
    begin, end = rng.uniform(0.02, LONGEST_PART, 2)
    shape = _Shape(
        drift=drift,
        opening=opening,
        closing=closing,
        opening_share=begin,
        closing_share=end,
        paused=float(rng.uniform(0.0, MOST_PAUSED)) if by_hand else 0.0,
    )
    return [_in_shape(use, shape, rng) for use in uses]


def _in_shape(use: Use, shape: _Shape, rng: np.random.Generator) -> Use:
    """Return a use in a shape that is much like the fixture's."""
    drift, opening, closing = np.array([shape.drift, shape.opening, shape.closing]) * rng.normal(1.0, 0.3, 3)
    begin, end = use.duration_s * shape.opening_share, use.duration_s * (1.0 - shape.closing_share)
    turn_s = min(TURN_S, 0.01 * use.duration_s)
    t_s = np.union1d(use.t_s, [begin, begin + turn_s, end - turn_s, end])
    change = (
        drift * (t_s / use.duration_s - 0.5) + np.where(t_s <= begin, opening, 0.0) + np.where(t_s >= end, closing, 0)
    )
    changed = replace(use, t_s=t_s, flow_lpm=np.interp(t_s, use.t_s, use.flow_lpm) * np.exp(change))
    changed = replace(changed, flow_lpm=changed.flow_lpm * (use.volume_l / changed.volume_l))
    return _paused(changed, rng) if rng.random() < shape.paused else changed


def _paused(use: Use, rng: np.random.Generator) -> Use:
    """Return a use with a pause in which the tap is shut, short enough that it stays one use."""
    at_s = float(rng.uniform(0.15, 0.85)) * use.duration_s
    pause_s = float(rng.uniform(0.1, 0.9)) * min(JOIN_PAUSE_S[use.label], LONGEST_PAUSE_S)
    flow_lpm = float(np.interp(at_s, use.t_s, use.flow_lpm))
    before, after = use.t_s < at_s, use.t_s > at_s
    t_s: list[FloatArray] = [use.t_s[before], at_s + np.array([0.0, TURN_S, TURN_S + pause_s, 2 * TURN_S + pause_s])]
    q: list[FloatArray] = [use.flow_lpm[before], np.array([flow_lpm, 0.0, 0.0, flow_lpm])]
    return replace(
        use,
        t_s=np.concatenate([*t_s, use.t_s[after] + 2 * TURN_S + pause_s]),
        flow_lpm=np.concatenate([*q, use.flow_lpm[after]]),
    )
