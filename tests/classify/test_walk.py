"""A few labels from the home itself, and facts about it."""

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.classify.label_file import read_labels
from flowsift.classify.walk import Walk, checked_labels
from flowsift.classify.written_names import walked_names
from flowsift.features import features_of_cuts
from flowsift.households import simulate, walk_labels
from flowsift.labels import LABELS, label_words


@pytest.fixture(scope="module")
def home():
    return simulate(31, days=6)


def test_a_labelled_use_has_its_label_and_name(home):
    plain = fs.disaggregate(home.trace)
    use = plain.events.sort_values("volume_l").iloc[-5]
    middle = use["start"] + (use["end"] - use["start"]) / 2
    labels = pd.DataFrame({"time": [middle], "label": ["hose"], "fixture": ["garden tap"]})
    told = fs.disaggregate(home.trace, labels=labels).events
    row = told[(told["start"] == use["start"]) & (told["end"] == use["end"])].iloc[0]
    assert row["label"] == "hose"
    assert row["fixture"] == "garden tap"


def test_a_name_goes_to_its_fixture_and_two_names_divide_one():
    flush, faucet = LABELS.index("flush"), LABELS.index("faucet")
    volume = np.r_[np.full(5, 6.0), np.full(5, 4.0), np.full(4, 1.0), np.full(4, 2.0)]
    flow = np.r_[np.full(5, 8.0), np.full(5, 12.0), np.full(4, 3.0), np.full(4, 6.0)]
    label = np.r_[np.full(10, flush), np.full(8, faucet)]
    names = ["toilet-1"] * 5 + ["toilet-2"] * 5 + ["faucet-1"] * 8
    features = features_of_cuts(np.arange(18) * 1e3, 60 * volume / flow, volume, flow)
    walk = Walk(
        use=np.array([0, 11, 15, 17]),
        label=np.array([flush, faucet, faucet, faucet]),
        fixture=("toilet-2", "kitchen", "bath", ""),
        n_unmatched=0,
    )
    assert walked_names(names, label, walk, features) == (
        ["toilet-2"] * 5 + ["toilet-3"] * 5 + ["kitchen"] * 4 + ["bath"] * 4
    )


def test_a_walk_through_the_house_does_not_hurt(home):
    labels = walk_labels(home, seed=1)
    told = fs.disaggregate(home.trace, labels=labels)
    assert told.balance.unexplained_l <= home.trace.metered_l * 0.05
    assert set(labels["fixture"]) & set(told.events["fixture"])


def test_a_label_at_an_idle_time_is_left_out_and_said(home):
    labels = pd.DataFrame({"time": [home.trace.start - pd.Timedelta(days=3)], "label": ["shower"]})
    told = fs.disaggregate(home.trace, labels=labels)
    assert "labels without a use" in told.quality["what"].tolist()


@pytest.mark.parametrize(
    ("text", "row", "column"),
    [
        ("time,label\n2024-06-03T08:00Z,shower\n2024-06-03T09:00Z,bidet\n", 3, "label"),
        ("time,label\nyesterday,shower\n", 2, "time"),
        ("\ntime,label\n\n2024-06-03T08:00Z,shower\n  \n2024-06-03T09:00Z,bidet\n", 6, "label"),
        ("time,label\n\n,\n", 3, "label"),
        ("when,label\n2024-06-03T08:00Z,shower\n", None, "time"),
    ],
)
def test_a_wrong_label_file_names_row_and_column(tmp_path, text, row, column):
    path = tmp_path / "walk.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(fs.InputError) as caught:
        read_labels(path)
    assert (caught.value.file, caught.value.row, caught.value.column) == ("walk.csv", row, column)


def test_what_the_home_has_not_got_is_never_found(home):
    plain = fs.disaggregate(home.trace).events["label"]
    gone = plain.value_counts().index[0]
    without = fs.disaggregate(home.trace, household=fs.HomeFacts(without=(gone,))).events["label"]
    assert gone not in set(without)


def test_unknown_facts_are_refused():
    with pytest.raises(fs.OptionError, match="known labels"):
        fs.HomeFacts(without=("jacuzzi",))


def test_another_seed_gives_the_same_volumes(home):
    a = fs.disaggregate(home.trace, random_state=0)
    b = fs.disaggregate(home.trace, random_state=0)
    pd.testing.assert_frame_equal(a.events, b.events)
    c = fs.disaggregate(home.trace, random_state=1)
    assert np.isclose(c.balance.events_l, a.balance.events_l, rtol=0.02)


def test_times_without_an_offset_are_the_homes_own():
    labels = pd.DataFrame({"time": ["2024-07-03 08:00", "2024-07-03T08:00-04:00"], "label": ["toilet", "Shower"]})
    times, codes = checked_labels(labels, timezone="America/Denver")
    assert times.tolist() == [pd.Timestamp("2024-07-03 14:00Z"), pd.Timestamp("2024-07-03 12:00Z")]
    assert [LABELS[code] for code in codes] == ["flush", "shower"]


@pytest.mark.parametrize("label", LABELS)
def test_a_label_may_be_written_in_plain_words(label):
    labels = pd.DataFrame({"time": ["2024-07-03 08:00"] * 2, "label": [label, label_words(label)]})
    assert checked_labels(labels, timezone="UTC")[1].tolist() == [LABELS.index(label)] * 2
