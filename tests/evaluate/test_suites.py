"""Suites: disjoint seeds, frozen homes, and nothing of the truth in a trace."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest

from flowsift.errors import OptionError
from flowsift.evaluate.checksums import frozen_checksums, home_checksum
from flowsift.evaluate.suites import SEEDS, Suite, suite, suites, training_homes

READ_AGAIN = {"standard-10s": "standard", "standard-60s": "standard", "overlap-10s": "overlap"}
NAMES = (
    *("quick", "standard", "standard-10s", "standard-60s", "resolution", "overlap", "overlap-10s", "leaks", "hard"),
    *("shifted", "validation"),
)


def test_splits_share_no_seed() -> None:
    for a, b in combinations(SEEDS.values(), 2):
        assert a.stop <= b.start or b.stop <= a.start


def test_every_suite_stays_in_its_split() -> None:
    assert tuple(suites()) == NAMES
    for made in suites().values():
        assert made.split == ("validation" if made.name == "validation" else "test")
        assert all(home.seed in SEEDS[made.split] for home in made.homes)
    assert all(home.seed in SEEDS["train"] for home in training_homes(200))


@pytest.mark.parametrize(
    ("n", "days", "problem"), [(-3, 14, "n must be 0 to"), (100_001, 14, "n must be 0 to"), (1, 0, "days must be 1")]
)
def test_training_homes_that_there_are_not_are_refused(n: int, days: int, problem: str) -> None:
    with pytest.raises(OptionError, match=problem):
        training_homes(n, days=days)


def test_test_suites_share_no_home_with_each_other() -> None:
    by_suite = {name: {home.seed for home in made.homes} for name, made in suites().items() if name not in READ_AGAIN}
    for a, b in combinations(by_suite, 2):
        assert not by_suite[a] & by_suite[b], (a, b)


@pytest.mark.parametrize(("name", "fine"), READ_AGAIN.items())
def test_homes_read_at_a_longer_interval_are_the_same_homes(name: str, fine: str) -> None:
    for home, same in zip(suite(name).homes, suite(fine).homes, strict=True):
        changed = {"interval_s": home.condition["interval_s"]}
        assert (home.seed, home.days, home.options) == (same.seed, same.days, {**same.options, **changed})
        assert home.condition["interval_s"] > same.condition["interval_s"]


def test_a_seed_of_another_split_is_refused() -> None:
    stray = replace(suite("quick").homes[0], seed=SEEDS["train"][0])
    with pytest.raises(OptionError, match="seed 0 is not in the test range"):
        Suite(name="mixed", question="", split="test", homes=(stray,))


def test_an_unknown_suite_lists_the_known_ones() -> None:
    with pytest.raises(OptionError, match="unknown suite 'quik'; known suites: quick, standard"):
        suite("quik")


def test_every_home_is_frozen() -> None:
    frozen = frozen_checksums()
    for made in suites().values():
        assert set(frozen[made.name]) == {home.name for home in made.homes}
        assert len(made.checksum) == 16


@pytest.mark.parametrize(
    ("name", "number"), [("quick", 0), ("quick", 5), ("resolution", 95), ("leaks", 1), ("hard", 0), ("shifted", 0)]
)
def test_homes_are_the_frozen_ones(name: str, number: int) -> None:
    home = suite(name).homes[number]
    assert home_checksum(*home.load()) == frozen_checksums()[name][home.name], (
        "the generator changed: run benchmarks/freeze_suites.py and say so in the change log"
    )


def test_the_checksum_sees_a_changed_truth_and_ignores_rounding() -> None:
    trace, truth = suite("quick").homes[0].load()
    whole = home_checksum(trace, truth)
    rounded = replace(trace, volume_l=trace.volume_l * (1.0 + 1e-12))
    assert home_checksum(rounded, truth) == whole
    labels = truth.events["label"].to_numpy(dtype=object).copy()
    labels[0] = "hose"
    assert home_checksum(trace, replace(truth, events=truth.events.assign(label=labels))) != whole
    assert home_checksum(replace(trace, volume_l=trace.volume_l + 1e-3), truth) != whole


def test_a_trace_carries_no_truth() -> None:
    for name in ("quick", "leaks"):
        trace, _ = suite(name).homes[0].load()
        assert trace.findings == ()
        assert trace.unit == "L"
        assert set(vars(trace)) <= {
            "start_ns", "interval_ns", "n_cells", "cell", "volume_l", "gaps", "gap_volume_l", "pulse_l", "timezone",
            "unit", "row_unit", "findings",
        }  # fmt: skip


def test_the_same_homes_at_every_resolution() -> None:
    made = suite("resolution")
    conditions = {(h.condition["interval_s"], h.condition["pulse_l"]) for h in made.homes}
    assert len(conditions) == 24
    for condition in conditions:
        seeds = [h.seed for h in made.homes if (h.condition["interval_s"], h.condition["pulse_l"]) == condition]
        assert len(set(seeds)) == len(seeds) == 4


def test_a_coarser_meter_sees_the_same_water() -> None:
    fine, coarse = (
        next(h for h in suite("resolution").homes if h.name == f"resolution-0-{s}") for s in ("1s-0.01L", "60s-1L")
    )
    (a, truth_a), (b, truth_b) = fine.load(), coarse.load()
    assert a.metered_l == pytest.approx(b.metered_l, abs=1.01)
    assert np.array_equal(truth_a.events["label"], truth_b.events["label"])
