"""A label moves the uses that are like its own, as far as they were in doubt."""

import numpy as np
import pytest

from flowsift.classify.heeding import posterior
from flowsift.features import features_of_cuts
from flowsift.labels import LABELS

FLUSH, SHOWER, FAUCET, HOSE = (LABELS.index(name) for name in ("flush", "shower", "faucet", "hose"))


def uses(volume_l, flow_lpm):
    volume_l, flow_lpm = np.asarray(volume_l, float), np.asarray(flow_lpm, float)
    return features_of_cuts(np.arange(volume_l.size) * 1e3, 60 * volume_l / flow_lpm, volume_l, flow_lpm)


def thought(n, **chance):
    probability = np.full((n, len(LABELS)), 1e-3)
    for name, value in chance.items():
        probability[:, LABELS.index(name)] = value
    return probability / probability.sum(axis=1, keepdims=True)


def told(prior, features, *labels):
    use, label = (np.array(part) for part in zip(*labels, strict=True))
    return posterior(prior, features, use=use, label=label)


def test_one_label_turns_its_like_and_not_the_unlike():
    features = uses([6.0, 6.1, 5.9, 40.0, 0.5], [8.0, 8.1, 7.9, 3.0, 2.0])
    before = thought(5, faucet=0.6, flush=0.4)
    after = told(before, features, (0, FLUSH))
    assert after[:3, FLUSH].min() > 0.85
    assert abs(after[3:, FLUSH] - before[3:, FLUSH]).max() < 0.15
    assert after.sum(axis=1) == pytest.approx(1.0)


def test_what_was_expected_moves_little():
    features = uses([6.0, 6.1, 30.0], [8.0, 8.1, 8.0])
    before = thought(3, flush=0.98)
    assert abs(told(before, features, (0, FLUSH)) - before).max() < 0.03


def test_several_labels_overcome_a_confident_mistake():
    features = uses(np.linspace(50, 70, 9), np.full(9, 9.0))
    before = thought(9, shower=0.97)
    after = told(before, features, (0, HOSE), (4, HOSE), (8, HOSE))
    assert after[:, HOSE].min() > 0.8


def test_contradicting_labels_leave_doubt():
    features = uses([6.0, 6.0, 6.0], [8.0, 8.0, 8.0])
    after = told(thought(3, flush=0.5, faucet=0.5), features, (0, FLUSH), (1, FAUCET))
    assert after[2, FLUSH] == pytest.approx(0.5, abs=0.01)
    assert after[2, FAUCET] == pytest.approx(0.5, abs=0.01)


def test_the_order_of_labels_does_not_matter():
    rng = np.random.default_rng(4)
    features = uses(rng.lognormal(1, 1, 40), rng.lognormal(2, 0.3, 40))
    before = rng.dirichlet(np.ones(len(LABELS)), 40)
    use, label = rng.integers(0, 40, 20), rng.integers(0, len(LABELS), 20)
    flipped = posterior(before, features, use=use[::-1], label=label[::-1])
    assert posterior(before, features, use=use, label=label) == pytest.approx(flipped, abs=1e-3)


def test_no_labels_change_nothing_and_inputs_stay():
    features = uses([6.0], [8.0])
    before = thought(1, flush=0.5)
    before.setflags(write=False)
    none = np.empty(0, np.int64)
    after = posterior(before, features, use=none, label=none)
    assert (after == before).all()
    told(before, features, (0, FLUSH))
