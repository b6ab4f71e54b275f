"""The volume of one pulse, found in the values themselves."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray

SAMPLE = 200_000
"""Values looked at: more would not change the answer."""

MAX_DISTINCT = 4_000
"""Distinct values looked at."""

MAX_DIVISOR = 24
"""The smallest value, or the smallest difference, is taken as 1 to this many pulses."""

MAX_STEPS = 2e5
"""A step further below the typical value than this drowns in the rounding of single precision (1.2e-7)."""

SHARE_ON_STEP = 0.99
"""Share of the values that must lie on multiples of the step."""

WIDEST = 1e6
"""Values further than this factor from the middle one are left out."""

TOLERANCE = 0.1
"""Largest distance from a multiple, in steps, for a value to lie on it (values rounded to few decimals)."""

CHANCE = 0.01
"""Largest probability that unrelated values fit a step this well."""


FEW_STEPS = 4.5
"""Values up to this many steps show a step that larger ones, each off by a share of itself, don't show any more."""

SHARE_FEW = 0.95
"""Share of those values that must lie on multiples of the step."""

LEAST_FEW = 30
"""Fewer of them easily lie on multiples of some step."""

NOISE = 1e-12
"""A value this close to a whole number of pulses, as a share of itself, is that: a step is known to twelve digits."""


def estimate_pulse_l(volume_l: FloatArray) -> float:
    """Return the greatest step that the values are multiples of.

    Parameters
    ----------
    volume_l : ndarray, shape (n,)
        Volume of each interval [L]; values that are not positive and finite are ignored.

    Returns
    -------
    float
        Step [L]; 0 where none shows (averaged or smoothed readings, no flow). Values that are all the same give
        that value: lone pulses look so.

    Notes
    -----
    Candidates are the smallest value and the smallest difference between distinct values, divided by 1, 2, ...; each
    is refined by least squares over a range that doubles, so that a step known to 1 % is still counted right at a
    thousand steps. The first one that 99 % of the values fit is taken, unless unrelated values would fit as well by
    chance: with `d` distinct values that lie within `e` steps of a multiple that is ``tries * (2 e)**(d - 1)``. Where
    each value is off by a share of itself, the smallest ones still show the step.
    """
    positive = volume_l[(volume_l > 0) & np.isfinite(volume_l)] if volume_l.size else volume_l
    if positive.size == 0:
        return 0.0
    # faulty values of any size may be among them
    middle = 2.0 * float(np.median(positive / 2.0))  # two of the largest numbers add up to none
    positive = positive[(positive >= middle / WIDEST) & (positive / WIDEST <= middle)]
    if positive.size > SAMPLE:
        positive = positive[:: positive.size // SAMPLE + 1]
    values, counts = _distinct(positive)
    if values.size == 1:
        return float(values[0])
    gaps = np.diff(values)
    bases = sorted({float(values[0]), float(gaps.min()), float(np.quantile(gaps, 0.05))}, reverse=True)
    tries = 0
    for step in sorted({base / k for base in bases for k in range(1, MAX_DIVISOR + 1)}, reverse=True):
        if middle > MAX_STEPS * step:
            continue
        tries += 1
        refined = _refine(values, counts, step)
        away = np.abs(values / refined - np.rint(values / refined))
        fits = away <= TOLERANCE
        if counts[fits].sum() < SHARE_ON_STEP * counts.sum():
            continue
        error = max(float(np.sqrt(np.average(away[fits] ** 2, weights=counts[fits]))) * np.sqrt(3.0), 1e-12)
        if tries * (2.0 * error) ** (values.size - 1) <= CHANCE:
            # digits past the twelfth come from the sums
            return float(f"{refined:.12g}")
    return _step_of_few(values, counts)


def on_pulses(volume_l: FloatArray, *, pulse_l: float, rounding_l: float = 0.0) -> FloatArray:
    """Return volumes without the noise of the arithmetic that they come from.

    Differences of a register's readings, and volumes written in another unit, miss whole pulses by their last digits.
    Equal flows would not be equal then, and the answer would hang on the reading that the register began with.

    Parameters
    ----------
    volume_l : ndarray, shape (n,)
    pulse_l : float
        Volume of one pulse [L]; 0 where there is none.
    rounding_l : float
        What they may be off beside `NOISE` [L].

    Returns
    -------
    ndarray, shape (n,)
        Whole pulses where values are that close to them, others as they are.
    """
    if pulse_l <= 0:
        return volume_l
    whole = np.rint(volume_l / pulse_l) * pulse_l
    return np.where(np.abs(volume_l - whole) <= NOISE * volume_l + rounding_l, whole, volume_l)


def _step_of_few(values: FloatArray, counts: FloatArray) -> float:
    """Return the step that the smallest values cluster at multiples of; 0 for none."""
    upto = np.cumsum(counts)
    lowest = values[np.searchsorted(upto, 0.01 * upto[-1])]
    near = values <= 1.4 * lowest
    step = float(np.average(values[near], weights=counts[near]))
    few = (values > 0.5 * step) & (values <= FEW_STEPS * step)
    away = np.abs(values[few] / step - np.rint(values[few] / step))
    fit = counts[few][away <= TOLERANCE].sum()
    enough = counts[few].sum() >= max(LEAST_FEW, 0.1 * upto[-1])
    return _refine(values[few], counts[few], step) if enough and fit >= SHARE_FEW * counts[few].sum() else 0.0


def _distinct(positive: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return distinct values and their counts; values closer than single precision are one."""
    values, counts = np.unique(positive, return_counts=True)
    new = np.concatenate([[True], np.diff(values) > 1e-6 * values[1:]])
    first = np.flatnonzero(new)
    weights = np.add.reduceat(counts, first).astype(np.float64)
    centres = np.add.reduceat(values * counts, first) / weights
    if centres.size > MAX_DISTINCT:
        keep = np.linspace(0, centres.size - 1, MAX_DISTINCT).astype(np.int64)
        return centres[keep], weights[keep]
    return centres, weights


def _refine(values: FloatArray, counts: FloatArray, step: float) -> float:
    reach = 4.0 * step
    while True:
        near = values <= max(reach, values[0])
        multiple = np.maximum(np.rint(values[near] / step), 1.0)
        weight = counts[near] * multiple
        refined = float((weight * values[near]).sum() / (weight * multiple).sum())
        if abs(refined / step - 1.0) < TOLERANCE:
            step = refined
        if reach >= values[-1]:
            return step
        reach *= 2.0
