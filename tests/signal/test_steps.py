"""Runs of flow and their plateaus."""

import numpy as np
import pytest

import flowsift as fs
from flowsift.signal.runs import find_runs, join_distance
from flowsift.signal.steps import find_plateaus, merge_wander


def runs_of(flow_lpm, *, pulse_l, interval_s=1.0):
    """Meter a flow in pulses and find its runs."""
    total = np.cumsum(np.asarray(flow_lpm) / 60 * interval_s)
    volume = np.diff(np.floor(total / pulse_l + 1e-9), prepend=0) * pulse_l
    cell = np.flatnonzero(volume)
    barrier = np.zeros(cell.size, bool)
    return find_runs(cell, volume[cell], pulse_l=pulse_l, interval_s=interval_s, barrier=barrier)


@pytest.mark.parametrize("pulse_l", [0.001, 0.03, 0.2])
def test_a_steady_draw_is_one_run_at_its_rate(pulse_l):
    runs = runs_of(np.r_[np.zeros(50), np.full(300, 6.0), np.zeros(50)], pulse_l=pulse_l)
    assert runs.first.size == 2
    assert runs.rate_lpm[5:-5].mean() == pytest.approx(6.0, rel=0.02)


def test_runs_keep_the_volume_of_all_pulses_but_the_first():
    runs = runs_of(np.r_[np.zeros(50), np.full(300, 2.0), np.zeros(50)], pulse_l=0.1)
    total = runs.rate_lpm.sum() / 60
    assert total == pytest.approx(10.0, abs=0.11)


def test_no_run_crosses_missing_data():
    cell = np.arange(20)
    barrier = np.zeros(20, bool)
    barrier[10] = True
    runs = find_runs(cell, np.full(20, 0.1), pulse_l=0.1, interval_s=1.0, barrier=barrier)
    assert runs.first.tolist() == [0, 10, 20]


def test_more_cells_between_pulses_than_memory_holds_are_one_error():
    cell = np.arange(3) * 1_000_000_000
    with pytest.raises(fs.InputError, match=r"found 1,\d{3},\d{3},\d{3} intervals of 1e-09 s between pulses of 10 L"):
        find_runs(cell, np.full(3, 10.0), pulse_l=10.0, interval_s=1e-9, barrier=np.zeros(3, bool))


def test_no_flow_gives_no_runs_and_no_plateaus():
    empty = np.empty(0, np.int64)
    runs = find_runs(empty, np.empty(0), pulse_l=0.1, interval_s=1.0, barrier=np.empty(0, bool))
    plateaus = find_plateaus(runs.rate_lpm, runs.first, pulse_l=0.1, interval_s=1.0)
    assert plateaus.level_lpm.size == 0
    assert merge_wander(plateaus, runs.rate_lpm, interval_s=1.0).level_lpm.size == 0


@pytest.mark.parametrize(
    ("pulse_l", "interval_s", "cells"), [(0.0, 1.0, 2), (0.03, 1.0, 4), (1.0, 10.0, 11), (10.0, 60.0, 6)]
)
def test_join_distance_follows_the_pulse_up_to_a_bound(pulse_l, interval_s, cells):
    assert join_distance(pulse_l=pulse_l, interval_s=interval_s) == cells


def test_plateaus_find_the_steps_of_a_noisy_draw():
    rng = np.random.default_rng(1)
    truth = np.r_[np.full(120, 6.0), np.full(40, 14.0), np.full(100, 6.0)]
    runs = runs_of(truth * (1 + 0.02 * rng.standard_normal(truth.size)), pulse_l=0.01)
    plateaus = find_plateaus(runs.rate_lpm, runs.first, pulse_l=0.01, interval_s=1.0)
    wide = plateaus.length > 5
    assert plateaus.level_lpm[wide] == pytest.approx([6.0, 14.0, 6.0], rel=0.05)


def test_plateaus_cover_the_axis_and_keep_its_volume():
    rng = np.random.default_rng(2)
    flow = np.repeat(rng.uniform(0, 20, 40) * (rng.random(40) > 0.4), rng.integers(1, 60, 40))
    runs = runs_of(flow, pulse_l=0.02)
    plateaus = find_plateaus(runs.rate_lpm, runs.first, pulse_l=0.02, interval_s=1.0)
    assert plateaus.first[0] == 0
    assert plateaus.first[-1] == runs.rate_lpm.size
    assert (plateaus.length > 0).all()
    assert plateaus.level_lpm @ plateaus.length == pytest.approx(runs.rate_lpm.sum(), rel=1e-9)
    assert set(runs.first[:-1]) == set(plateaus.first[:-1][plateaus.opens_run])


def test_a_wandering_rate_is_one_plateau_and_a_step_is_not():
    seconds = np.arange(600)
    flow = 10.0 * (1 + 0.1 * np.sin(2 * np.pi * seconds / 200))
    runs = runs_of(flow, pulse_l=0.01)
    found = find_plateaus(runs.rate_lpm, runs.first, pulse_l=0.01, interval_s=1.0)
    assert (found.length > 10).sum() > 3
    assert (merge_wander(found, runs.rate_lpm, interval_s=1.0).length > 10).sum() == 1
    step = np.r_[np.full(300, 10.0), np.full(300, 12.0)]
    runs = runs_of(step, pulse_l=0.01)
    found = find_plateaus(runs.rate_lpm, runs.first, pulse_l=0.01, interval_s=1.0)
    assert (merge_wander(found, runs.rate_lpm, interval_s=1.0).length > 10).sum() == 2


def test_inputs_stay_as_they_were():
    cell, volume = np.arange(0, 100, 2), np.full(50, 0.1)
    for array in (cell, volume):
        array.setflags(write=False)
    barrier = np.zeros(50, bool)
    barrier.setflags(write=False)
    runs = find_runs(cell, volume, pulse_l=0.1, interval_s=1.0, barrier=barrier)
    runs.rate_lpm.setflags(write=False)
    runs.first.setflags(write=False)
    find_plateaus(runs.rate_lpm, runs.first, pulse_l=0.1, interval_s=1.0)
