"""Events of one label become fixtures, and what no fixture takes is none."""

import numpy as np
import pytest

from flowsift.classify.limits import flush_limits_l, within_limits
from flowsift.classify.naming import name_fixtures
from flowsift.labels import LABELS

FLUSH, SHOWER, FAUCET, WASHER, LEAK = (
    LABELS.index(name) for name in ("flush", "shower", "faucet", "clothes_washer", "toilet_leak")
)


def toilets(*kinds):
    """Name flushes of some kinds, each (uses, volume, flow), a mode a kind."""
    mode = np.repeat(np.arange(len(kinds)), [n for n, _, _ in kinds])
    volume, flow = (np.array([kind[k] for kind in kinds])[mode].astype(float) for k in (1, 2))
    return name_fixtures(np.full(mode.size, FLUSH), mode, volume, flow), mode


def test_a_full_and_a_reduced_flush_are_one_toilet():
    names, _ = toilets((40, 6.0, 8.0), (60, 3.0, 7.2))
    assert set(names) == {"toilet-1"}


def test_an_old_toilet_has_no_reduced_flush():
    names, mode = toilets((60, 12.8, 14.7), (50, 6.0, 14.3))
    assert {names[0], names[-1]} == {"toilet-1", "toilet-2"}
    assert len(set(names)) == len(set(mode))


def test_two_modes_of_nearly_one_volume_are_one_toilet():
    names, _ = toilets((60, 6.0, 8.0), (30, 6.3, 8.5))
    assert set(names) == {"toilet-1"}


def test_two_toilets_of_one_volume_are_told_apart_by_their_flow():
    names, mode = toilets((60, 6.0, 8.0), (30, 6.2, 11.0))
    assert len(set(zip(names, mode, strict=True))) == len(set(names)) == 2


def test_a_few_flushes_make_no_toilet():
    names, _ = toilets((60, 6.0, 8.0), (2, 15.0, 9.0))
    assert set(names) == {"toilet-1"}


def test_a_rare_toilet_leaves_the_others_their_names():
    usual, mode = toilets((60, 6.0, 8.0), (40, 5.0, 11.0))
    more, _ = toilets((60, 6.0, 8.0), (40, 5.0, 11.0), (9, 12.0, 15.0))
    assert more[: mode.size] == usual
    assert set(more[mode.size :]) == {"toilet-3"}


def test_the_two_valves_of_a_washer_are_one_machine():
    flow = np.tile([9.0, 14.0], 20)
    assert set(name_fixtures(np.full(40, WASHER), np.full(40, -1), 2 * flow, flow)) == {"clothes-washer-1"}


def test_a_leak_is_at_the_toilet_that_fills_at_its_flow():
    label = np.r_[np.full(80, FLUSH), np.full(12, LEAK)]
    mode = np.r_[np.repeat([0, 1], 40), np.full(12, -1)]
    volume = np.r_[np.repeat([6.0, 5.0], 40), np.full(12, 0.8)]
    flow = np.r_[np.repeat([8.0, 11.0], 40), np.full(12, 7.6)]
    names = name_fixtures(label, mode, volume, flow)
    assert set(names[-12:]) == {names[0]}
    assert names[0] != names[40]
    assert set(name_fixtures(label[-12:], mode[-12:], volume[-12:], flow[-12:])) == {"toilet-1"}


def test_two_showers_well_apart_are_two_and_one_that_wanders_is_one():
    rng = np.random.default_rng(2)
    flow = np.r_[rng.lognormal(np.log(10.0), 0.06, 12), rng.lognormal(np.log(5.5), 0.06, 14)]
    order = rng.permutation(26)
    names = np.array(name_fixtures(np.full(26, SHOWER), np.full(26, -1), flow[order] * 6, flow[order]))
    assert set(names[order < 12]) == {"shower-1"}
    assert set(names[order >= 12]) == {"shower-2"}
    one = rng.lognormal(np.log(8.0), 0.08, 60)
    assert set(name_fixtures(np.full(60, SHOWER), np.full(60, -1), one * 6, one)) == {"shower-1"}


@pytest.mark.parametrize(("volume_l", "kept"), [(0.4, False), (3.0, True), (26.0, True), (74.0, False)])
def test_a_flush_no_toilet_takes_is_none(volume_l, kept):
    probability = np.zeros((1, len(LABELS)))
    probability[0, FLUSH], probability[0, FAUCET] = 0.9, 0.1
    left = within_limits(probability, np.array([volume_l]))
    assert (left[0].argmax() == FLUSH) == kept
    assert left.sum() == pytest.approx(1.0)
    least_l, most_l = flush_limits_l()
    assert 1.0 < least_l < 3.0
    assert 26.5 < most_l < 35.0


@pytest.mark.parametrize(("volume_l", "kept"), [(150.0, True), (354.0, True), (546.0, False)])
def test_a_regeneration_no_softener_takes_is_none(volume_l, kept):
    # 354 L: the largest that a simulated softener draws
    softener, irrigation = LABELS.index("softener"), LABELS.index("irrigation")
    probability = np.zeros((1, len(LABELS)))
    probability[0, softener], probability[0, irrigation] = 0.99, 0.01
    left = within_limits(probability, np.array([volume_l]))
    assert left[0].argmax() == (softener if kept else irrigation)
    assert left.sum() == pytest.approx(1.0)


def test_a_certain_flush_that_can_not_be_is_other():
    probability = np.zeros((1, len(LABELS)))
    probability[0, FLUSH] = 1.0
    assert LABELS[within_limits(probability, np.array([74.0]))[0].argmax()] == "other"
