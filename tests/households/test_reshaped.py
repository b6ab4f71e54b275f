import numpy as np
import pytest

from flowsift.households.reshaped import LONGEST_PAUSE_S, TURN_S, reshaped
from flowsift.households.uses import JOIN_PAUSE_S, Use, steady

SPREAD = 1.0


def draws(label, n=20):
    t_s, flow_lpm = steady(300.0, 8.0)
    return [Use(start_s=3600.0 * k, label=label, fixture=label, t_s=t_s, flow_lpm=flow_lpm, cycle=k) for k in range(n)]


def widest_change(label):
    """Middle over many fixtures of the largest flow over the smallest, on the level."""
    widest = []
    for seed in range(100):
        use = reshaped(draws(label, n=1), spread=SPREAD, rng=np.random.default_rng(seed))[0]
        level = use.flow_lpm[use.flow_lpm > 1.0]
        widest.append(level.max() / level.min())
    return float(np.median(widest))


@pytest.mark.parametrize("label", ["shower", "faucet", "flush", "clothes_washer", "pool_fill"])
def test_every_use_keeps_its_volume_and_its_time(label):
    before = draws(label)
    for seed in range(20):
        after = reshaped(before, spread=SPREAD, rng=np.random.default_rng(seed))
        assert [use.start_s for use in after] == [use.start_s for use in before]
        paused = np.array([np.count_nonzero(use.flow_lpm == 0.0) > 2 for use in after])
        volume_l = np.array([use.volume_l for use in after])
        duration_s = np.array([use.duration_s for use in after])
        assert duration_s[~paused] == pytest.approx(before[0].duration_s)
        assert volume_l[~paused] == pytest.approx(before[0].volume_l)
        # A pause adds what runs while the tap is turned.
        assert volume_l[paused] == pytest.approx(before[0].volume_l, abs=20.0 * TURN_S / 60.0)
        assert all(np.all(np.diff(use.t_s) > 0) and np.all(use.flow_lpm >= 0.0) for use in after)


def test_a_solenoid_valve_keeps_more_of_its_shape_than_a_float_and_a_float_more_than_a_hand():
    assert 1.05 < widest_change("clothes_washer") < widest_change("flush") < widest_change("shower")


def test_only_hands_pause_and_never_so_long_that_it_is_two_uses():
    longest = {}
    for label in ("faucet", "shower", "flush", "dishwasher"):
        longest[label] = 0.0
        for seed in range(50):
            for use in reshaped(draws(label), spread=SPREAD, rng=np.random.default_rng(seed)):
                inner = (use.flow_lpm[1:-2] == 0.0) & (use.flow_lpm[2:-1] == 0.0)
                longest[label] = max(longest[label], float(np.diff(use.t_s)[1:-1][inner].max(initial=0.0)))
    assert longest["flush"] == longest["dishwasher"] == 0.0
    assert 5.0 < longest["faucet"] <= JOIN_PAUSE_S["faucet"]
    assert 30.0 < longest["shower"] <= LONGEST_PAUSE_S


def test_uses_of_one_fixture_are_alike_in_shape():
    one, other = (reshaped(draws("flush"), spread=SPREAD, rng=np.random.default_rng(seed)) for seed in (1, 2))

    def opening(uses):
        return np.array([use.flow_lpm[1] / use.flow_lpm[use.t_s.size // 2] for use in uses])

    within = np.std(np.log(opening(one))) + np.std(np.log(opening(other)))
    assert within < abs(np.log(opening(one).mean() / opening(other).mean()))
