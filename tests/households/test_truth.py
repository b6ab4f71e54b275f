"""The truth adds up to the trace, survives a round trip, and comes out the same each time."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from flowsift.households import Truth, simulate


@pytest.fixture(scope="module")
def home():
    return simulate(11, days=3, people=3)


def held_by_cell(household):
    truth, trace = household.truth, household.trace
    total = np.zeros(trace.n_cells)
    np.add.at(total, truth.shares.cell, truth.shares.volume_l)
    np.add.at(total, truth.trickle_cells.cell, truth.trickle_cells.volume_l)
    return total


@pytest.mark.parametrize(
    ("interval_s", "pulse_l"), [(1.0, 0.03), (1.0, 0.0), (5.0, 0.1), (10.0, 0.5), (60.0, 10.0), (7.0, 0.004)]
)
def test_shares_and_trickle_add_up_to_every_cell(interval_s, pulse_l):
    household = simulate(5, days=2, interval_s=interval_s, pulse_l=pulse_l)
    total = held_by_cell(household)
    np.testing.assert_allclose(total[household.trace.cell], household.trace.volume_l, rtol=1e-9, atol=1e-12)
    empty = np.ones(total.size, bool)
    empty[household.trace.cell] = False
    assert not total[empty].any()
    by_event = np.bincount(
        household.truth.shares.event, household.truth.shares.volume_l, minlength=len(household.truth.events)
    )
    np.testing.assert_allclose(by_event, household.truth.events["metered_l"], atol=1e-8)


def test_a_round_trip_gives_the_same_truth(home, tmp_path):
    home.truth.write(tmp_path)
    back = Truth.read(tmp_path)
    pd.testing.assert_frame_equal(back.events, home.truth.events, rtol=1e-11)
    pd.testing.assert_frame_equal(back.trickle, home.truth.trickle, rtol=1e-11)
    pd.testing.assert_frame_equal(back.fixtures, home.truth.fixtures, rtol=1e-11)
    np.testing.assert_array_equal(back.shares.cell, home.truth.shares.cell)
    np.testing.assert_allclose(back.shares.volume_l, home.truth.shares.volume_l, rtol=1e-11)
    assert back.card["seed"] == 11


def test_the_same_seed_gives_the_same_bytes(home, tmp_path):
    home.truth.write(tmp_path / "first")
    simulate(11, days=3, people=3).truth.write(tmp_path / "second")
    for path in sorted((tmp_path / "first").iterdir()):
        assert path.read_bytes() == (tmp_path / "second" / path.name).read_bytes(), path.name
