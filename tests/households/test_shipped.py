"""The demonstration households are there, small, and made again byte for byte."""

from __future__ import annotations

import gzip

import numpy as np
import pytest

from flowsift.errors import OptionError
from flowsift.households import SHIPPED, read_shipped, shipped_folder, write_shipped


@pytest.mark.parametrize("name", list(SHIPPED))
def test_a_shipped_household_is_made_again_byte_for_byte(name, tmp_path):
    write_shipped(tmp_path, name=name)
    shipped = shipped_folder(name)
    again = sorted(path.name for path in (tmp_path / name).iterdir())
    assert again == sorted(path.name for path in shipped.iterdir())
    for file in again:
        new, old = (tmp_path / name / file).read_bytes(), (shipped / file).read_bytes()
        if file.endswith(".gz"):
            # What is inside: another compression library may pack the same text differently.
            new, old = gzip.decompress(new), gzip.decompress(old)
        assert new == old, file


@pytest.mark.parametrize("name", list(SHIPPED))
def test_a_shipped_household_is_whole_and_small(name):
    household = read_shipped(name)
    trace, truth = household.trace, household.truth
    total = np.zeros(trace.n_cells)
    np.add.at(total, truth.shares.cell, truth.shares.volume_l)
    np.add.at(total, truth.trickle_cells.cell, truth.trickle_cells.volume_l)
    np.testing.assert_allclose(total[trace.cell], trace.volume_l, rtol=1e-8)
    assert sum(path.stat().st_size for path in shipped_folder(name).iterdir()) < 1.5e6


def test_the_demo_has_what_its_description_says():
    truth = read_shipped("demo").truth
    assert {"flush", "shower", "clothes_washer", "dishwasher", "irrigation", "faucet"} <= set(truth.events["label"])
    toilets = truth.fixtures.query("label == 'flush'")["full_l"]
    assert toilets.size == 2
    assert toilets.max() - toilets.min() > 2.0
    assert truth.trickle["start"].iloc[0] > truth.events["start"].iloc[0]


def test_the_flapper_leaks_every_day_at_one_toilet():
    household = read_shipped("flapper")
    leaks = household.truth.events.query("label == 'toilet_leak'")
    assert leaks["fixture"].nunique() == 1
    assert leaks["start"].dt.tz_convert(household.trace.timezone).dt.date.nunique() == 10
    assert household.trace.unit == "gal"


def test_an_unknown_name_lists_the_known_ones():
    with pytest.raises(OptionError, match="demo, flapper, coarse, repaired"):
        shipped_folder("castle")
