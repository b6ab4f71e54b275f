"""Fit the odds that refills which repeat are a toilet's (`flowsift.study.flushes_odds`), on homes of training seeds:

    python benchmarks/fit_toilet_odds.py --workers 2

A group counts as a toilet if it shares most refills with a true one, each with one. Prints the weights, and how many
groups of homes left out of the fit they and the weights in use tell wrongly.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np
from rich.progress import track
from scipy.optimize import linear_sum_assignment
from sklearn.linear_model import LogisticRegression

import flowsift as fs
from flowsift.arrays import BoolArray, FloatArray
from flowsift.evaluate.suites import SEEDS
from flowsift.households import Truth
from flowsift.study.flushes_modes import Reading
from flowsift.study.flushes_odds import SURE, is_toilet, signs
from flowsift.study.flushes_refills import Refills, refills_of
from flowsift.study.flushes_toilets import SMALLEST_L, repeated
from flowsift.units import NS_PER_S
from flush_accuracy import READINGS, home_within_limits, true_toilets

FIRST = SEEDS["train"][74_000]
READING = READINGS["10 s, 0.4 L"]
LEAST_SHARED = 3
"""Refills that a group shares with a true toilet, at least."""


def groups_of_home(seed: int, days: int) -> tuple[FloatArray, BoolArray]:
    """Return the signs of a home's groups, shape (n_groups, 3), and which of them are toilets."""
    home = home_within_limits(seed, READING, days=days)
    result = fs.disaggregate(home.trace)
    refills = refills_of(result, "flush")
    refills = refills.chosen((refills.volume_l >= SMALLEST_L) & ~refills.at_gap)
    reading = Reading(pulse_l=home.trace.pulse_l, interval_s=home.trace.interval_s)
    groups = [refills.chosen(group.all) for group in repeated(refills, reading)]
    found = np.array([signs(mine, n_refills=len(refills)) for mine in groups]).reshape(-1, 3)
    shared = shared_refills(groups, home.truth, start_ns=home.trace.start_ns)
    rows, columns = linear_sum_assignment(-shared)
    real = np.zeros(len(groups), bool)
    real[rows] = shared[rows, columns] >= LEAST_SHARED
    return found, real


def shared_refills(groups: list[Refills], truth: Truth, *, start_ns: int) -> FloatArray:
    """Count the refills that groups share with true toilets, shape (n_groups, n_toilets)."""
    flush = truth.events[truth.events["label"] == "flush"]
    start_s, end_s = (
        (flush[name].to_numpy(dtype="datetime64[ns]").astype("int64") - start_ns) / NS_PER_S
        for name in ("start", "end")
    )
    names = list(true_toilets(truth).index)
    own = np.array([names.index(name) if name in names else -1 for name in flush["fixture"]], dtype=np.int64)
    shared = np.zeros((len(groups), len(names)))
    for k, mine in enumerate(groups if own.size else []):
        both_s = np.minimum.outer(mine.end_s, end_s) - np.maximum.outer(mine.start_s, start_s)
        best = both_s.argmax(axis=1)
        toilet = own[best[both_s.max(axis=1) > 0.0]]
        np.add.at(shared[k], toilet[toilet >= 0], 1.0)
    return shared


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--homes", type=int, default=400, help="homes to fit to; half as many more are left out")
    parser.add_argument("--days", type=int, default=14)
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    n = options.homes + options.homes // 2
    with ProcessPoolExecutor(options.workers) as pool:
        rows = pool.map(groups_of_home, range(FIRST, FIRST + n), [options.days] * n)
        homes = list(track(rows, total=n, description="homes"))
    found, real = (np.concatenate(part) for part in zip(*homes[: options.homes], strict=True))
    other, true = (np.concatenate(part) for part in zip(*homes[options.homes :], strict=True))
    model = LogisticRegression(C=100.0, max_iter=1000).fit(found, real)
    print(f"CONSTANT, WEIGHTS = {model.intercept_[0]:.2f}, {tuple(model.coef_[0].round(2).tolist())}")
    print(f"{true.size} groups in {len(homes) - options.homes} other homes, {true.sum()} of them toilets")
    for name, told in (
        ("these", model.predict_proba(other)[:, 1] > SURE),
        ("those in use", np.array([is_toilet(row) for row in other])),
    ):
        print(f"{name}: {np.sum(true & ~told)} toilets left out, {np.sum(told & ~true)} others taken for one")


if __name__ == "__main__":
    main()
