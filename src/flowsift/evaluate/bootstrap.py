"""Intervals by resampling homes: what another set of homes would have given.

Events of one home are alike, so resampling events would give intervals that are far too narrow. Homes are drawn with
replacement, the same draws for every method: the interval of a difference between two methods is a paired one.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from flowsift.errors import InputError
from flowsift.evaluate.totals import Figures, Totals
from flowsift.trace import FloatArray

N_RESAMPLES = 2000
LEVEL = 0.95
"""Coverage of every interval."""

LEAST_DEFINED = 0.9
"""An interval is given only if the figure is defined in this share of the resamples. Assumption."""


def resampled_homes(n_homes: int, *, n_resamples: int = N_RESAMPLES, random_state: int = 0) -> FloatArray:
    """Return how often each home is drawn in each resample, shape (n_resamples, n_homes)."""
    rng = np.random.default_rng(random_state)
    if n_homes == 0:
        return np.zeros((n_resamples, 0))
    return rng.multinomial(n_homes, np.full(n_homes, 1.0 / n_homes), size=n_resamples).astype(np.float64)


def figures_with_intervals(
    homes: Totals,
    figures: Callable[[Totals], Figures],
    *,
    n_resamples: int = N_RESAMPLES,
    random_state: int = 0,
) -> pd.DataFrame:
    """Return every figure over all homes with its percentile interval.

    Parameters
    ----------
    homes : Totals
        One row a home.
    figures : callable
        Makes figures of totals.
    n_resamples, random_state : int

    Returns
    -------
    DataFrame
        Indexed by figure: ``value`` (of the summed counts), ``low``, ``high`` (95 % percentile bootstrap over homes),
        ``smallest_home`` and ``largest_home`` (value of a single home), ``homes`` (number of homes that define it).
        Low and high are NaN for fewer than two homes.
    """
    value = figures(homes.weighted(np.ones((1, len(homes)))))
    drawn = figures(homes.weighted(resampled_homes(len(homes), n_resamples=n_resamples, random_state=random_state)))
    single = figures(homes)
    rows = {}
    for name, whole in value.items():
        low, high = _interval(drawn[name], enough=len(homes) > 1)
        defined = single[name][~np.isnan(single[name])]
        least, most = (defined.min(), defined.max()) if defined.size else (np.nan, np.nan)
        rows[name] = (float(whole[0]), low, high, float(least), float(most), defined.size)
    columns = ["value", "low", "high", "smallest_home", "largest_home", "homes"]
    return pd.DataFrame.from_dict(rows, orient="index", columns=columns).rename_axis("figure")


def differences_with_intervals(
    homes: Totals,
    reference: Totals,
    figures: Callable[[Totals], Figures],
    *,
    n_resamples: int = N_RESAMPLES,
    random_state: int = 0,
) -> pd.DataFrame:
    """Return how far every figure lies from a reference method's on the same homes.

    Parameters
    ----------
    homes, reference : Totals
        One row a home, the same homes in the same order.
    figures : callable
    n_resamples, random_state : int

    Returns
    -------
    DataFrame
        Indexed by figure: ``difference``, ``low``, ``high``. An interval without 0 is a difference that another set of
        homes would hardly undo.

    Raises
    ------
    InputError
        If the numbers of homes differ.
    """
    if len(homes) != len(reference):
        raise InputError(f"can't pair {len(homes)} homes with {len(reference)}: score both methods on the same homes")
    weights = resampled_homes(len(homes), n_resamples=n_resamples, random_state=random_state)
    ones = np.ones((1, len(homes)))
    whole, whole_reference = figures(homes.weighted(ones)), figures(reference.weighted(ones))
    drawn, drawn_reference = figures(homes.weighted(weights)), figures(reference.weighted(weights))
    rows = {
        name: (
            float((whole[name] - whole_reference[name])[0]),
            *_interval(drawn[name] - drawn_reference[name], enough=len(homes) > 1),
        )
        for name in whole
    }
    return pd.DataFrame.from_dict(rows, orient="index", columns=["difference", "low", "high"]).rename_axis("figure")


def _interval(drawn: FloatArray, *, enough: bool) -> tuple[float, float]:
    defined = drawn[~np.isnan(drawn)]
    if not enough or defined.size < LEAST_DEFINED * max(drawn.size, 1):
        return float("nan"), float("nan")
    low, high = np.percentile(defined, [50.0 * (1.0 - LEVEL), 50.0 * (1.0 + LEVEL)])
    return float(low), float(high)
