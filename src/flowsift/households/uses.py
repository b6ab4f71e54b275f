"""One use of one fixture: when it starts and the flow it asks for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flowsift.trace import FloatArray
from flowsift.units import SECONDS_PER_MINUTE

ORIFICE = 0.5
"""Exponent of flow on pressure of a plain opening (Torricelli)."""

RESTRICTOR = 0.1
"""Exponent of flow on pressure of a flow regulator, which holds it nearly constant (assumption: 0.05 to 0.15)."""

JOIN_PAUSE_S: dict[str, float] = {"faucet": 10.0, "shower": 180.0, "hose": 60.0, "bathtub": 300.0}
"""Longest pause inside one use, by label (convention of this package: what a person would call one use)."""

LONGEST_WAIT_S = 900.0
"""Nobody waits longer for a tap in use [s] (assumption)."""


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Use:
    """A demand for water.

    Attributes
    ----------
    start_s : float
        Seconds from the start of the simulation.
    label, fixture : str
    t_s, flow_lpm : ndarray, shape (n_points,)
        Flow through the open fixture when it runs alone at the usual pressure: points joined by straight lines, `t_s`
        from 0, increasing.
    exponent : float
        Exponent of flow on pressure, `ORIFICE` or `RESTRICTOR`.
    by_volume : bool
        True where a float or a level switch ends the use: at low pressure it lasts longer and takes the same volume.
    cycle : int
        Number of the load or programme, -1 for none.
    """

    start_s: float
    label: str
    fixture: str
    t_s: FloatArray
    flow_lpm: FloatArray
    exponent: float = ORIFICE
    by_volume: bool = False
    cycle: int = -1

    @property
    def duration_s(self) -> float:
        """Duration at the usual pressure [s]."""
        return float(self.t_s[-1])

    @property
    def volume_l(self) -> float:
        """Volume at the usual pressure [L]."""
        return float(cumulative_l(self)[-1])

    def moved(self, start_s: float) -> Use:
        """Return the same use at another time."""
        return replace(self, start_s=start_s)

    def stopped(self, from_s: float, to_s: float) -> Use:
        """Return the use cut short: its flow falls to nothing between two times since its start [s]."""
        keep = self.t_s < from_s
        t_s = np.append(self.t_s[keep], [from_s, to_s])
        flow_lpm = np.append(self.flow_lpm[keep], [np.interp(from_s, self.t_s, self.flow_lpm), 0.0])
        return replace(self, t_s=t_s, flow_lpm=flow_lpm, by_volume=False)


def free_from_s(use: Use) -> float:
    """Return from when on what a hand opens again is another use of the fixture, by `JOIN_PAUSE_S` [s]."""
    return use.start_s + use.duration_s + JOIN_PAUSE_S[use.label] + 1.0


def cumulative_l(use: Use) -> FloatArray:
    """Return the volume up to each point of a use [L], shape (n_points,)."""
    t, q = use.t_s, use.flow_lpm
    upto = np.zeros(t.size)
    np.cumsum((q[1:] + q[:-1]) * (t[1:] - t[:-1]) * (0.5 / SECONDS_PER_MINUTE), out=upto[1:])
    return upto


def volume_after(use: Use, after_s: FloatArray) -> FloatArray:
    """Return the volume up to given times since the start of a use [L]: the integral of its straight pieces.

    Parameters
    ----------
    use : Use
    after_s : ndarray, shape (n,)
        Times since the start at the usual pressure [s]; before 0 and after the end they count as those.
    """
    t, q = use.t_s, use.flow_lpm
    at = np.minimum(np.maximum(after_s, 0.0), t[-1])
    piece = np.minimum(t.searchsorted(at, side="right") - 1, t.size - 2)
    since = at - t[piece]
    slope = (q[piece + 1] - q[piece]) / (t[piece + 1] - t[piece])
    return np.asarray(cumulative_l(use)[piece] + (q[piece] + 0.5 * slope * since) * since / SECONDS_PER_MINUTE)


def steady(
    duration_s: float, flow_lpm: float, *, rise_s: float = 0.8, fall_s: float = 0.6
) -> tuple[FloatArray, FloatArray]:
    """Return the points of a constant flow that opens and closes in finite time."""
    rise_s = min(rise_s, 0.4 * duration_s)
    fall_s = min(fall_s, 0.4 * duration_s)
    t = np.array([0.0, rise_s, duration_s - fall_s, duration_s])
    return t, np.array([0.0, flow_lpm, flow_lpm, 0.0])


def filled(volume_l: float, flow_lpm: float) -> tuple[FloatArray, FloatArray]:
    """Return the points of a fill of known volume through a valve that snaps open and shut."""
    rise_s, fall_s = 0.5, 0.3
    full_s = volume_l / flow_lpm * SECONDS_PER_MINUTE
    duration_s = full_s + 0.5 * (rise_s + fall_s)
    if duration_s <= 2.0 * (rise_s + fall_s):
        duration_s = max(full_s * 1.25, 0.5)
        return steady(
            duration_s,
            volume_l / (0.8 * duration_s) * SECONDS_PER_MINUTE,
            rise_s=0.2 * duration_s,
            fall_s=0.2 * duration_s,
        )
    return steady(duration_s, flow_lpm, rise_s=rise_s, fall_s=fall_s)


def chain(*runs: tuple[FloatArray, FloatArray], pauses_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Join runs of flow into one use, with pauses of no flow between them, shape of `pauses_s` (n_runs - 1,)."""
    times, flows = [runs[0][0]], [runs[0][1]]
    for pause, (t, q) in zip(pauses_s, runs[1:], strict=True):
        begin = times[-1][-1] + max(float(pause), 0.05)
        times.append(t + begin)
        flows.append(q)
    return np.concatenate(times), np.concatenate(flows)


def by_hand(
    rng: np.random.Generator,
    duration_s: float,
    flow_lpm: float,
    *,
    unsteady: float = 0.06,
    every_s: float = 6.0,
    rise_s: float | None = None,
) -> tuple[FloatArray, FloatArray]:
    """Return the points of a tap held open by hand: a ramp, a slowly wandering setting, a ramp.

    Parameters
    ----------
    rng : Generator
    duration_s, flow_lpm : float
    unsteady : float
        Standard deviation of the setting as a share of the flow (assumption: a few per cent).
    every_s : float
        Mean time between small changes of the setting [s].
    rise_s : float, optional
        Time to open [s]; drawn between 0.4 and 2 s if not given (assumption).
    """
    rise = float(rng.uniform(0.4, 2.0)) if rise_s is None else rise_s
    fall = float(rng.uniform(0.3, 1.2))
    rise, fall = min(rise, 0.35 * duration_s), min(fall, 0.35 * duration_s)
    inner = duration_s - rise - fall
    n = int(np.clip(rng.poisson(inner / every_s), 0, 60))
    knots = np.sort(rng.uniform(rise, duration_s - fall, n))
    # A bounded walk: each change keeps part of the last deviation, so the flow drifts rather than jitters.
    steps = rng.normal(0.0, unsteady, n + 2)
    level = np.empty(n + 2)
    deviation = 0.0
    for i, step in enumerate(steps):
        deviation = 0.7 * deviation + step
        level[i] = flow_lpm * max(1.0 + deviation, 0.25)
    t = np.concatenate([[0.0, rise], knots, [duration_s - fall, duration_s]])
    q = np.concatenate([[0.0], level, [0.0]])
    keep = np.concatenate([[True], np.diff(t) > 1e-3])
    keep[-1] = True
    return t[keep], q[keep]
