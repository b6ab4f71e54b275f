"""Intervals over homes: against scipy, and what they must do to be of use."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import bootstrap

from flowsift.errors import InputError
from flowsift.evaluate.bootstrap import differences_with_intervals, figures_with_intervals, resampled_homes
from flowsift.evaluate.totals import Totals, ratio


def share(totals: Totals) -> dict[str, np.ndarray]:
    return {"share": ratio(totals["part"], totals["whole"])}


def homes(seed: int, n: int = 30, lift: float = 0.0) -> Totals:
    rng = np.random.default_rng(seed)
    whole = rng.uniform(50, 200, n)
    return Totals(["part", "whole"], np.column_stack([whole * np.clip(rng.normal(0.6 + lift, 0.1, n), 0, 1), whole]))


def test_interval_agrees_with_scipy() -> None:
    data = homes(1)
    ours = figures_with_intervals(data, share, n_resamples=20_000, random_state=2).loc["share"]

    def pooled(part: np.ndarray, whole: np.ndarray, axis: int = -1) -> np.ndarray:
        return part.sum(axis=axis) / whole.sum(axis=axis)

    theirs = bootstrap(
        (data["part"], data["whole"]),
        pooled,
        paired=True,
        method="percentile",
        n_resamples=20_000,
        rng=np.random.default_rng(3),
    ).confidence_interval
    assert (ours["low"], ours["high"]) == pytest.approx((theirs.low, theirs.high), abs=2e-3)
    assert ours["low"] < ours["value"] < ours["high"]


def test_same_seed_same_interval() -> None:
    a, b = (figures_with_intervals(homes(1), share, random_state=5) for _ in range(2))
    assert a.equals(b)
    assert not a.equals(figures_with_intervals(homes(1), share, random_state=6))


def test_every_resample_draws_as_many_homes() -> None:
    assert (resampled_homes(7, n_resamples=50, random_state=0).sum(axis=1) == 7).all()


def test_one_home_has_no_interval() -> None:
    row = figures_with_intervals(homes(1, n=1), share).loc["share"]
    assert np.isnan(row["low"])
    assert np.isnan(row["high"])


def test_a_paired_difference_sees_what_two_intervals_hide() -> None:
    # The homes differ far more than the methods: only the difference on the same homes shows the improvement.
    base = homes(4)
    better = Totals(base.names, base.values * np.array([1.02, 1.0]))
    alone, improved = (figures_with_intervals(t, share).loc["share"] for t in (base, better))
    assert improved["low"] < alone["high"]
    assert differences_with_intervals(better, base, share).loc["share", "low"] > 0


def test_a_difference_of_luck_has_zero_in_its_interval() -> None:
    row = differences_with_intervals(homes(8), homes(9), share).loc["share"]
    assert row["low"] < 0 < row["high"]


def test_homes_must_pair() -> None:
    with pytest.raises(InputError, match="can't pair 3 homes with 4"):
        differences_with_intervals(homes(1, n=3), homes(1, n=4), share)
