"""Repeated flushes: groups of refills of one volume at one flow, seen through hand washing, pulses and other uses.

A toilet takes one volume at one flow, time after time. What the meter shows of a flush is that volume, read in pulses,
and often more: somebody washes hands while the tank fills, and on a coarse trace the two are one event. So the refills
of one toilet are a narrow peak of clean ones with a one-sided tail of mixed ones. Where one touches another use, its
volume is known less well, either way. Groups are added one at a time, each only if the refills are explained far better
with it than by the tails of the groups found before.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.study.flushes_density import extra_log_density, extra_mean, normal_log_density
from flowsift.study.flushes_shape import ShapeOdds, no_shape_odds
from flowsift.units import SECONDS_PER_MINUTE

SPREAD, SPREADS = 0.02, (0.006, 0.04)
"""Usual standard deviation of a toilet's own volume, as a share, and its bounds (assumption: a few per cent)."""

FLOW_SPREAD, FLOW_SPREADS = 0.04, (0.015, 0.08)
"""The same of its flow: house pressure over the day (assumption)."""

EXTRA_L = 0.5
"""Scale of the volume that another use adds to a mixed refill, half its mean [L] (assumption: hands are washed)."""

ON_TOP, ON_TOP_SPREAD = 0.8, 0.4
"""Share of an extra volume that came on top of the steady flow, and its standard deviation (assumption): an extra of
a tenth of the volume raises the flow by a tenth if it ran all along, by nothing if it came after the refill."""

CLEAN_SHARE = 0.15
"""Least share of a group's refills that ran alone (assumption: not everybody washes hands while the tank fills)."""

LEAST_CLEAN = 3.5
"""Clean refills that a group needs at least."""

PARAMETERS = 5
"""Free numbers of a group: volume, flow, their spreads and its share. By the Bayesian information criterion (Schwarz
1978, Annals of Statistics 6(2)) each must raise the log likelihood by half the logarithm of the number of refills."""

PRIOR_REFILLS = 8.0
"""Refills that the usual spreads are worth against those seen."""

MOST_MODES, MOST_PLACES = 10, 30
ROUNDS, MOVES = 20, 6

ROWS_AT_ONCE = 256
"""Refills that are held against all others at once: pairs of a year's would not fit a small memory."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Reading:
    """How finely one trace shows a refill: volume of a pulse [L] and length of an interval [s]."""

    pulse_l: float
    interval_s: float

    @property
    def volume_sd_l(self) -> float:
        """Standard deviation of a volume read in pulses [L]: triangular error, variance p^2/6."""
        return max(self.pulse_l / float(np.sqrt(6.0)), 1e-3)

    def flow_share_sd(self, volume_l: FloatArray, flow_lpm: FloatArray) -> FloatArray:
        """Return the standard deviation of a flow read over a part of a refill, as a share."""
        pulses = self.pulse_l / (np.sqrt(3.0) * 0.6 * volume_l)
        edges = 0.15 * self.interval_s / (SECONDS_PER_MINUTE * volume_l / flow_lpm)
        return np.asarray(np.hypot(pulses, edges))


@dataclass(frozen=True, kw_only=True, eq=False)
class Modes:
    """Groups of repeated refills, by falling volume.

    Attributes
    ----------
    volume_l, flow_lpm : ndarray, shape (n_modes,)
        Volume and flow of the clean refills.
    spread, flow_spread : ndarray, shape (n_modes,)
        Standard deviations of the two beyond the reading, as shares.
    share : ndarray, shape (n_modes, 2)
        Share of all refills that are clean and mixed ones of the group.
    belongs, clean : ndarray, shape (n_refills, n_modes)
        Probability that a refill is of the group, and that it is a clean one of it.
    """

    volume_l: FloatArray
    flow_lpm: FloatArray
    spread: FloatArray
    flow_spread: FloatArray
    share: FloatArray
    belongs: FloatArray
    clean: FloatArray

    def __len__(self) -> int:
        """Return the number of groups."""
        return self.volume_l.size

    def kept(self, which: IntArray) -> Modes:
        """Return those groups only, in that order."""
        names = ("volume_l", "flow_lpm", "spread", "flow_spread", "share")
        by_mode = {name: getattr(self, name)[which] for name in names}
        return Modes(**by_mode, belongs=self.belongs[:, which], clean=self.clean[:, which])

    def added(self, volume_l: float, flow_lpm: float) -> Modes:
        """Return the groups and one more at a place."""
        return Modes(
            volume_l=np.append(self.volume_l, volume_l),
            flow_lpm=np.append(self.flow_lpm, flow_lpm),
            spread=np.append(self.spread, SPREAD),
            flow_spread=np.append(self.flow_spread, FLOW_SPREAD),
            share=np.concatenate([0.8 * self.share, [[0.1, 0.06]]]),
            belongs=self.belongs,
            clean=self.clean,
        )


def no_modes(n_refills: int) -> Modes:
    """Return no groups."""
    empty, none = np.empty(0), np.empty((n_refills, 0))
    return Modes(
        volume_l=empty,
        flow_lpm=empty,
        spread=empty,
        flow_spread=empty,
        share=np.empty((0, 2)),
        belongs=none,
        clean=none,
    )


def find_modes(
    volume_l: FloatArray,
    flow_lpm: FloatArray,
    *,
    volume_error_l: FloatArray,
    flow_error: FloatArray,
    reading: Reading,
    shape: ShapeOdds | None = None,
) -> Modes:
    """Find the groups of repeated refills.

    Parameters
    ----------
    volume_l, flow_lpm : ndarray, shape (n_refills,)
        > 0.
    volume_error_l : ndarray, shape (n_refills,)
        Standard deviation of each volume by its neighbours [L]: a refill that ran alone shows its volume better.
    flow_error : ndarray, shape (n_refills,)
        Standard deviation of each flow by the reading, as a share: a refill that fills many cells shows its flow
        better than one that fills a single one.
    reading : Reading
    shape : ShapeOdds, optional
        Of the refills; nothing is known where it isn't given.

    Returns
    -------
    Modes
        Empty if nothing repeats.
    """
    modes = no_modes(volume_l.size)
    if volume_l.size < LEAST_CLEAN:
        return modes
    odds = no_shape_odds(volume_l.size) if shape is None else shape
    fit = _Fit(volume_l, flow_lpm, volume_error_l, flow_error, reading, odds)
    level = -volume_l.size * np.log(fit.box)
    gain = 0.5 * PARAMETERS * float(np.log(volume_l.size))
    places = fit.places().tolist()
    while places and len(modes) < MOST_MODES:
        tried = [fit.shares(modes.added(volume_l[place], flow_lpm[place])) for place in places]
        best = int(np.argmax([tried_level for _, tried_level in tried]))
        if tried[best][1] <= level + gain:
            break
        grown, grown_level = fit.settled(tried[best][0])
        enough = grown.clean.sum(axis=0) >= LEAST_CLEAN
        if enough[-1] and not enough.all():
            # The new group may have taken over what an old one was there for.
            fewer, fewer_level = fit.settled(grown.kept(np.flatnonzero(enough)))
            if fewer_level + gain * (len(grown) - len(fewer)) > grown_level:
                grown, grown_level = fewer, fewer_level
        if enough[-1] and grown_level > level + gain * (len(grown) - len(modes)):
            modes, level = grown, grown_level
        else:
            places.pop(best)
    return modes.kept(np.argsort(-modes.volume_l, kind="stable"))


class _Fit:
    """The refills of one home, and how well groups explain them."""

    def __init__(
        self,
        volume_l: FloatArray,
        flow_lpm: FloatArray,
        volume_error_l: FloatArray,
        flow_error: FloatArray,
        reading: Reading,
        shape: ShapeOdds,
    ) -> None:
        self.volume_l, self.log_flow, self.shape = volume_l, np.log(flow_lpm), shape
        self.volume_error_l = np.hypot(reading.volume_sd_l, volume_error_l)[:, None]
        self.flow_error = flow_error[:, None]
        # Refills of no group are spread over litres and log flow.
        self.box = float((np.ptp(volume_l) + 2.0) * (np.ptp(self.log_flow) + 0.5))

    def places(self) -> IntArray:
        """Return the refills around which most others lie, one per neighbourhood, densest first."""
        n = self.volume_l.size
        some = [slice(first, first + ROWS_AT_ONCE) for first in range(0, n, ROWS_AT_ONCE)]
        density = np.concatenate([np.exp(-0.5 * self._away(rows)).sum(axis=1) for rows in some])
        left = np.ones(n, bool)
        places: list[int] = []
        while left.any() and len(places) < MOST_PLACES:
            k = int(np.argmax(np.where(left, density, -1.0)))
            if density[k] < 2.0:
                break
            places.append(k)
            left &= self._away(slice(k, k + 1))[0] > 1.2**2
        return np.array(places, dtype=np.int64)

    def _away(self, rows: slice) -> FloatArray:
        """Return the squared distance of all refills from some, in spreads of these, shape (n_rows, n_refills)."""
        sd = np.hypot(SPREAD * self.volume_l[rows, None], self.volume_error_l[rows])
        flow_sd = np.hypot(FLOW_SPREAD, self.flow_error[rows])
        away = ((self.volume_l[rows, None] - self.volume_l) / sd) ** 2
        away += ((self.log_flow[rows, None] - self.log_flow) / flow_sd) ** 2
        return np.asarray(away)

    def shares(self, modes: Modes) -> tuple[Modes, float]:
        """Fit the shares of groups where they are, and return them with the log likelihood."""
        k, n = len(modes), self.volume_l.size
        sd = np.hypot(modes.spread * modes.volume_l, self.volume_error_l)
        flow_sd = np.hypot(modes.flow_spread, self.flow_error)
        off = self.volume_l[:, None] - modes.volume_l
        flow_off = self.log_flow[:, None] - np.log(modes.flow_lpm)
        # A mixed refill keeps the toilet's flow, or shows more where the other use ran on top of it.
        extra = np.maximum(off, 0.0) / modes.volume_l
        more_flow = normal_log_density(flow_off - np.log1p(ON_TOP * extra), np.hypot(flow_sd, ON_TOP_SPREAD * extra))
        same_flow = normal_log_density(flow_off, flow_sd)
        clean = normal_log_density(off, sd) + same_flow + self.shape.clean[:, None]
        mixed = extra_log_density(off, sd, EXTRA_L) + np.logaddexp(same_flow, more_flow) - np.log(2.0)
        mixed += self.shape.mixed[:, None]
        density = np.exp(np.concatenate([clean, mixed, np.full((n, 1), -np.log(self.box))], axis=1))
        share = np.concatenate([modes.share[:, 0], modes.share[:, 1], [max(1.0 - modes.share.sum(), 0.02)]])
        for _ in range(ROUNDS):
            part = density * share
            total = part.sum(axis=1, keepdims=True)
            part = part / total
            share = part.mean(axis=0)
            whole = share[:k] + share[k : 2 * k]
            share[:k] = np.maximum(share[:k], CLEAN_SHARE * whole)
            share[k : 2 * k] = whole - share[:k]
        fitted = replace(
            modes,
            share=np.column_stack([share[:k], share[k : 2 * k]]),
            clean=part[:, :k],
            belongs=part[:, :k] + part[:, k : 2 * k],
        )
        return fitted, float(np.log(total).sum())

    def settled(self, modes: Modes) -> tuple[Modes, float]:
        """Move each group to its refills and give it their spread, as long as they are explained better so."""
        modes, level = self.shares(modes)
        for _ in range(MOVES):
            moved, moved_level = self.shares(self._moved(modes))
            if moved_level < level:
                break
            modes, level = moved, moved_level
        return modes, level

    def _moved(self, modes: Modes) -> Modes:
        """Move each group to its clean refills, and the mixed ones less the water expected in them."""
        sd = np.hypot(modes.spread * modes.volume_l, self.volume_error_l)
        mixed = modes.belongs - modes.clean
        extra = extra_mean(self.volume_l[:, None] - modes.volume_l, sd, EXTRA_L)
        less_extra = modes.clean * self.volume_l[:, None] + mixed * (self.volume_l[:, None] - extra)
        volume = (less_extra / sd**2).sum(axis=0) / np.maximum((modes.belongs / sd**2).sum(axis=0), 1e-9)
        flow_sd = np.hypot(modes.flow_spread, self.flow_error)
        sharp = modes.clean / flow_sd**2
        log_flow = (sharp * self.log_flow[:, None]).sum(axis=0) / np.maximum(sharp.sum(axis=0), 1e-9)
        off, error = self.volume_l[:, None] / volume - 1.0, self.volume_error_l / volume
        spread = _own_spread(modes.clean, off, error, modes.spread, SPREAD)
        off = self.log_flow[:, None] - log_flow
        flow_spread = _own_spread(modes.clean, off, self.flow_error, modes.flow_spread, FLOW_SPREAD)
        return replace(
            modes,
            volume_l=volume,
            flow_lpm=np.exp(log_flow),
            spread=np.clip(spread, *SPREADS),
            flow_spread=np.clip(flow_spread, *FLOW_SPREADS),
        )


def _own_spread(weight: FloatArray, off: FloatArray, error: FloatArray, spread: FloatArray, usual: float) -> FloatArray:
    """Return the standard deviations of groups beyond the errors of reading: a step of expectation maximisation.

    `weight` and `off` have a row a refill and a column a group; the usual one counts as so many refills more.
    """
    own = spread**2 / (spread**2 + error**2)
    square = (weight * ((own * off) ** 2 + own * error**2)).sum(axis=0)
    return np.asarray(np.sqrt((square + PRIOR_REFILLS * usual**2) / (weight.sum(axis=0) + PRIOR_REFILLS)))
