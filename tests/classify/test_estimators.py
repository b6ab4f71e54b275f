"""The feature extraction and the classifier keep scikit-learn's rules and know the published ranges."""

import numpy as np
import pytest
from sklearn.base import clone
from sklearn.ensemble import RandomForestClassifier
from sklearn.pipeline import make_pipeline
from sklearn.utils.estimator_checks import check_estimator

from flowsift.classify.estimators import UseClassifier, UseDescriber
from flowsift.labels import LABELS
from flowsift.standards import typical_ranges


@pytest.mark.filterwarnings("ignore::sklearn.exceptions.SkipTestWarning")
@pytest.mark.parametrize("estimator", [UseDescriber(), UseDescriber(repetition=False), UseClassifier()], ids=repr)
def test_rules_of_scikit_learn(estimator):
    check_estimator(estimator)


def drawn(rng, n):
    """Draw uses about the published middle of some labels: volume, flow, duration, start."""
    label = rng.choice(["flush", "shower", "faucet"], n)
    ranges = [typical_ranges()[name] for name in label]
    volume = np.array([r.volume_l.typical for r in ranges]) * rng.lognormal(0, 0.15, n)
    flow = np.array([r.flow_lpm.typical for r in ranges]) * rng.lognormal(0, 0.15, n)
    return np.column_stack([volume, flow, 60 * volume / flow, rng.uniform(0, 86_400 * 7, n)]), label


def test_published_ranges_carry_a_few_labels():
    rng = np.random.default_rng(6)
    few, given = np.array([[9.0, 7.5], [60.0, 8.0], [1.0, 4.0]]), ["flush", "shower", "faucet"]
    uses, label = drawn(rng, 400)
    model = make_pipeline(UseDescriber(repetition=False), UseClassifier()).fit(few, given)
    assert model.score(uses[:, :2], label) > 0.9
    assert model.predict_proba(uses[:, :2]).sum(axis=1) == pytest.approx(1.0)


def test_labels_of_a_home_outrank_what_is_published():
    rng = np.random.default_rng(7)
    rainsaver = np.column_stack([rng.normal(9, 0.5, 30), rng.normal(4.0, 0.1, 30)])
    taps = np.column_stack([rng.exponential(1.5, 60) + 0.1, rng.lognormal(1.4, 0.3, 60)])
    uses, label = np.r_[rainsaver, taps], np.repeat(["shower", "faucet"], [30, 60])
    model = make_pipeline(UseDescriber(repetition=False), UseClassifier()).fit(uses, label)
    assert (model.predict(rainsaver) == "shower").mean() > 0.9


def test_what_repeats_stands_out():
    rng = np.random.default_rng(8)
    uses, label = drawn(rng, 300)
    uses[label == "flush", :2] = [6.0, 8.0]
    features = UseDescriber().fit_transform(uses)
    names = UseDescriber().fit(uses).get_feature_names_out().tolist()
    alike = features[:, names.index("alike")]
    assert names == ["log_volume", "log_flow", "log_duration", "alike", "burst", "clock"]
    assert alike[label == "flush"].min() > alike[label != "flush"].max()
    assert features[:, 0] == pytest.approx(np.log(uses[:, 0]), abs=1e-4)


def test_uses_of_the_home_that_come_later_are_told_like_the_first():
    uses, label = drawn(np.random.default_rng(10), 600)
    seen, left = slice(0, 60), slice(60, None)
    describer = UseDescriber().fit(uses[seen])
    np.testing.assert_array_equal(describer.transform(uses[seen]), UseDescriber().fit_transform(uses[seen]))
    alone = [[1e4, 900.0, 667.0, 3e6]]
    assert describer.transform(alone)[0, 3:] == pytest.approx(np.log1p([1, 1, 1]))
    model = make_pipeline(UseDescriber(), UseClassifier()).fit(uses[seen], label[seen])
    assert model.score(uses[left], label[left]) > 0.9


def test_either_half_can_be_swapped():
    uses, label = drawn(np.random.default_rng(9), 200)
    forest = make_pipeline(UseDescriber(), RandomForestClassifier(20, random_state=0)).fit(uses, label)
    plain = clone(UseClassifier()).fit(np.log(uses), label)
    assert forest.score(uses, label) > 0.95
    assert plain.score(np.log(uses), label) > 0.9
    assert set(plain.classes_) <= set(LABELS)


@pytest.mark.parametrize("weight", [0.0, np.nan, np.inf])
def test_a_start_of_no_weight_or_of_all_is_refused(weight):
    with pytest.raises(ValueError, match="above 0 and finite"):
        UseClassifier(prior_uses=weight).fit([[0.0, 1.0], [1.0, 0.0]], [0, 1])
