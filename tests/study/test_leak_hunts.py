"""A small run of the benchmark of leak hunts: branches inside their intervals, ledgers closed."""

import importlib.util
import sys
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "benchmarks" / "leak_hunts.py"


@pytest.fixture(scope="module")
def hunts():
    spec = importlib.util.spec_from_file_location("leak_hunts", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize(
    ("pulse_l", "options"),
    [
        (0.03, {"interval_s": 1.0, "late_s": 90.0, "fit_within_s": 300.0}),
        (0.3, {"interval_s": 10.0, "order": "single"}),
        (3.8, {"interval_s": 1.0}),
    ],
)
def test_branches_are_inside_their_intervals_and_ledgers_close(hunts, pulse_l, options):
    table = hunts.run_hunts(range(8), pulse_l=pulse_l, **options)
    assert (table["failed"] == 0).all()
    # At 90 % of hunts, two or more of eight outside come one time in five: three is the alarm.
    assert table["all_inside"].sum() >= 6
    assert table["inside"].mean() >= 0.9
    assert table["open_lpm"].max() < 1e-9
    assert table["whole_inside"].sum() >= 6
    assert (table["told"] > 0).all()


def test_a_hunt_is_made_the_same_way_twice(hunts):
    one, other = (hunts.make_hunt(3, pulse_l=0.3) for _ in range(2))
    assert one.steps == other.steps
    assert one.trace.volume_l.tolist() == other.trace.volume_l.tolist()
    assert one.truth_lpm == other.truth_lpm


def test_wrong_bounds_would_be_seen(hunts):
    hunt = hunts.make_hunt(3, pulse_l=0.3)
    answer = hunts.isolate(hunt.trace, hunt.steps)
    moved = hunts.replace(hunt, truth_lpm={name: rate + 0.5 for name, rate in hunt.truth_lpm.items()})
    assert hunts.score_hunt(hunt, answer)["all_inside"] == 1.0
    assert hunts.score_hunt(moved, answer)["inside"] < 0.5
    assert hunts.score_hunt(moved, answer)["whole_inside"] == 0.0
