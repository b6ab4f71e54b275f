import numpy as np
import pytest

from flowsift.classify.uses_around import EACH_WAY, NAMES, uses_around
from flowsift.features import features_of_cuts
from flowsift.labels import LABELS
from flowsift.surroundings import BURST_S


def uses(start_s, *, duration_s=30.0, volume_l=2.0):
    start_s = np.asarray(start_s, dtype=float)
    duration, volume = np.broadcast_to(duration_s, start_s.shape), np.broadcast_to(volume_l, start_s.shape)
    return features_of_cuts(start_s, duration * 1.0, volume * 1.0, volume / duration * 60.0)


def evenly(n):
    return np.log(np.full((n, len(LABELS)), 1 / len(LABELS)))


def figure(around, name):
    return around[..., NAMES.index(name)]


def test_those_of_the_hour_are_seen_and_no_other():
    features = uses([0.0, 100.0, 100.0 + BURST_S - 1.0, 100.0 + BURST_S])
    around = uses_around(features, evenly(4), np.array([1]))
    assert around.shape == (1, 2 * EACH_WAY, len(NAMES))
    seen = np.zeros(2 * EACH_WAY)
    seen[[EACH_WAY - 1, EACH_WAY]] = 1.0
    assert figure(around, "seen")[0].tolist() == seen.tolist()
    assert not around[0, seen == 0].any()
    assert figure(around, "later")[0, EACH_WAY - 1 : EACH_WAY + 1].tolist() == [-1.0, 1.0]


def test_pauses_and_steps():
    features = uses([0.0, 20.0, 110.0], duration_s=[60.0, 30.0, 30.0], volume_l=[6.0, 2.0, 4.0])
    around = uses_around(features, evenly(3), np.array([1]))
    before, after = around[0, EACH_WAY - 1], around[0, EACH_WAY]
    assert figure(before, "at_once") == 1.0
    assert figure(before, "log_pause") == 0.0
    assert figure(after, "at_once") == 0.0
    assert figure(after, "log_pause") == pytest.approx(np.log1p(60.0) / 4)
    assert figure(after, "log_apart") == pytest.approx(np.log1p(90.0) / 4)
    assert figure(before, "flow_step") == pytest.approx(np.log(6.0 / 4.0))
    assert figure(after, "flow_step") == pytest.approx(np.log(2.0))
    assert figure(after, "volume_step") == pytest.approx(np.log(2.0) / 2)


def test_the_hour_around_is_all_that_counts():
    """What is labelled live sees no more than the hours around the uses wanted."""
    rng = np.random.default_rng(0)
    features = uses(np.sort(rng.uniform(0.0, 40_000.0, 120)), volume_l=rng.uniform(0.5, 60.0, 120))
    first = np.log(rng.dirichlet(np.ones(len(LABELS)), 120))
    wanted = np.array([40, 41, 44])
    near = np.flatnonzero(
        (features.start_s > features.start_s[40] - BURST_S) & (features.start_s < features.start_s[44] + BURST_S)
    )
    some = uses_around(features.at(near), first[near], np.searchsorted(near, wanted))
    assert some.tolist() == uses_around(features, first, wanted).tolist()


def test_no_uses():
    assert uses_around(uses([]), evenly(0), np.empty(0, np.int64)).shape == (0, 2 * EACH_WAY, len(NAMES))
