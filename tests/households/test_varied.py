from dataclasses import replace

import numpy as np
import pytest

from flowsift.households import simulate
from flowsift.households.uses import Use
from flowsift.households.varied import varied
from flowsift.standards import typical_ranges


def fills(flow_lpm, seconds, *, label, n=12):
    t_s, flow = np.array([0.0, seconds]), np.array([flow_lpm, flow_lpm])
    return [Use(start_s=3600.0 * k, label=label, fixture=label, t_s=t_s, flow_lpm=flow, cycle=k) for k in range(n)]


def running_s(use):
    return sum(b - a for a, b, *q in zip(use.t_s, use.t_s[1:], use.flow_lpm, use.flow_lpm[1:], strict=False) if any(q))


@pytest.mark.parametrize("label", ["softener", "shower", "flush"])
def test_no_fixture_leaves_what_is_published(label, monkeypatch):
    # The middle is kept within the ranges over all uses, not over those that are left of a spared fixture.
    monkeypatch.setattr("flowsift.households.varied.SPARED_SHARE", 0.0)
    published = typical_ranges()[label]
    flow_lpm = published.flow_lpm.typical
    uses = fills(flow_lpm, 60.0 * published.volume_l.typical / flow_lpm, label=label)
    flows, volumes = [], []
    for seed in range(200):
        home = varied(uses, spread=1.0, rng=np.random.default_rng(seed))
        flows += [np.median([60.0 * use.volume_l / running_s(use) for use in home])] if home else []
        volumes += [np.median([use.volume_l for use in home])] if home else []
    for values, spread in ((flows, published.flow_lpm), (volumes, published.volume_l)):
        assert min(values) >= spread.low * (1 - 1e-9)
        assert max(values) <= spread.high * (1 + 1e-9)
        # and they do vary, up to both ends
        assert min(values) < 1.1 * spread.low
        assert max(values) > 0.9 * spread.high


def test_a_fixture_outside_is_carried_no_further_out():
    uses = fills(60.0, 60.0, label="faucet")
    for seed in range(50):
        for use in varied(uses, spread=0.5, rng=np.random.default_rng(seed)):
            assert 60.0 * use.volume_l / use.duration_s <= 60.0 * (1 + 1e-9)


def test_a_varied_home_is_repeatable_and_unlike():
    plain, one, again = (simulate(3, days=1, spread=spread).trace for spread in (0.0, 0.4, 0.4))
    assert one.volume_l.tolist() == again.volume_l.tolist()
    assert one.metered_l != pytest.approx(plain.metered_l, rel=1e-3)


def test_in_half_of_the_homes_each_fixture_has_hours_of_its_own(monkeypatch):
    monkeypatch.setattr("flowsift.households.varied.SPARED_SHARE", 0.0)
    uses = [replace(use, cycle=-1) for label in ("flush", "shower") for use in fills(6.0, 60.0, label=label, n=60)]
    apart_s = []
    for seed in range(100):
        home = varied(uses, spread=0.3, rng=np.random.default_rng(seed))
        later_s = [new.start_s - old.start_s for new, old in zip(home, uses, strict=True)]
        apart_s.append(abs(np.median(later_s[:60]) - np.median(later_s[60:])))
    assert 0.3 < np.mean(np.array(apart_s) > 1200.0) < 0.6


def test_one_use_stays_one_and_two_stay_two():
    t_s, flow = np.array([0.0, 20.0, 20.5, 29.5, 30.0, 50.0]), np.array([5.0, 5.0, 0.0, 0.0, 5.0, 5.0])
    uses = [
        Use(start_s=62.0 * k, label="faucet", fixture="faucet-1", t_s=t_s, flow_lpm=flow, cycle=-1) for k in range(40)
    ]
    longest_s, least_apart_s = [], []
    for seed in range(60):
        home = varied(uses, spread=0.6, rng=np.random.default_rng(seed))
        for use in home:
            dry = (use.flow_lpm[1:] == 0.0) & (use.flow_lpm[:-1] == 0.0)
            longest_s.append(np.diff(use.t_s)[dry].max())
        ends = np.array([use.start_s + use.duration_s for use in home])
        least_apart_s.append(min(np.array([use.start_s for use in home])[1:] - ends[:-1], default=np.inf))
    assert max(longest_s) <= 10.0
    assert min(least_apart_s) > 10.0
