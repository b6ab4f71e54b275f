import numpy as np
import pytest

from flowsift.classify.home_profile import NAMES, HomeProfile
from flowsift.features import features_of_cuts
from flowsift.labels import LABELS

SHOWER, BATHTUB = LABELS.index("shower"), LABELS.index("bathtub")
NOTHING = np.zeros((2, len(LABELS)))


def certain(labels):
    probability = np.zeros((len(labels), len(LABELS)))
    probability[np.arange(len(labels)), labels] = 1.0
    return probability


def profile_of(flow, volume, probability):
    n = len(flow)
    return HomeProfile.of(features_of_cuts(np.zeros(n), np.full(n, 60.0), volume, flow), probability)


@pytest.fixture
def home():
    """Ten showers at 8 L/min and three baths at 16."""
    flow = np.append(np.linspace(7.7, 8.3, 10), [15.5, 16.0, 16.5])
    volume = np.append(np.full(10, 50.0), np.full(3, 90.0))
    return flow, volume, certain([SHOWER] * 10 + [BATHTUB] * 3)


def column(evidence, figure, label):
    return evidence[:, NAMES.index(f"{figure}_{LABELS[label]}")]


def test_a_use_is_seen_beside_its_like(home):
    profile = profile_of(*home)
    evidence = profile.table().evidence(np.array([8.0, 16.0]), np.array([60.0, 60.0]), NOTHING[:2])
    assert evidence.shape == (2, len(NAMES))
    share = np.exp(column(evidence, "flow_share", BATHTUB))
    assert share[0] < 0.02
    assert share[1] > 0.95
    assert column(evidence, "off_flow", SHOWER) == pytest.approx([0.0, np.log(2.0)], abs=0.05)
    assert np.exp(column(evidence, "log_amount", SHOWER)) == pytest.approx([501.0, 501.0], rel=0.08)  # a bin's width


def test_a_use_is_not_its_own_evidence(home):
    flow, volume, probability = home
    alone = profile_of(flow[-1:], volume[-1:], probability[-1:])
    evidence = alone.table().evidence(flow[-1:], volume[-1:], probability[-1:])
    nothing = HomeProfile.none().table().evidence(flow[-1:], volume[-1:], NOTHING[:1])
    assert evidence == pytest.approx(nothing)


def test_leaving_out_equals_a_profile_of_the_others(home):
    flow, volume, probability = home
    within = profile_of(*home).table().evidence(*home)[0]
    others = profile_of(flow[1:], volume[1:], probability[1:])
    assert within == pytest.approx(others.table().evidence(flow[:1], volume[:1], NOTHING[:1])[0], abs=1e-6)


def test_any_flow_and_volume_gives_numbers():
    flow, volume = np.array([1e-9, 1e9, 5.0]), np.array([1e-9, 1e9, 1.0])
    probability = np.full((3, len(LABELS)), 1 / len(LABELS))
    profile = profile_of(flow, volume, probability)
    assert np.isfinite(profile.table().evidence(flow, volume, probability)).all()
