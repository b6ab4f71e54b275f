"""Each event says why it got its label."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.disaggregation import from_uses
from flowsift.households import simulate
from flowsift.labels import LABELS
from flowsift.standards import figure, typical_ranges


@pytest.fixture(scope="module")
def home():
    return simulate(31, days=6)


@pytest.fixture(scope="module")
def result(home):
    return fs.disaggregate(home.trace)


def test_every_event_explains_itself_by_its_own_figures(result):
    fixtures = result.fixtures.set_index(["fixture", "label"])
    for row, event in result.events.iterrows():
        why = result.explain(row)
        assert (why.label, why.probability) == (event["label"], event["probability"])
        assert [r.value for r in why.ranges] == [event["volume_l"], event["mean_lpm"], event["duration_s"]]
        assert why.ranges[0].spread is typical_ranges()[event["label"]].volume_l
        assert why.resembles.typical_volume_l == fixtures.loc[(event["fixture"], event["label"]), "typical_volume_l"]
        assert why.runner_up in LABELS
        assert why.runner_up != why.label
        assert str(why) == why.text


def test_the_runner_up_is_the_likeliest_but_one(result):
    both = [result.explain(row) for row in range(len(result.events))]
    chance = np.sort(result.reasons.label_probability, axis=1)
    sure = np.array([why.probability >= why.runner_up_probability for why in both])
    assert sure.mean() > 0.9
    assert np.array([why.runner_up_probability for why in both])[sure] == pytest.approx(chance[sure, -2])
    assert np.array([why.runner_up_probability for why in both])[~sure] == pytest.approx(chance[~sure, -1])
    assert all(why.label == "other" for why, known in zip(both, sure, strict=True) if not known)


def test_a_flush_is_explained_in_words_and_in_gallons(result):
    flushes = result.events[(result.events["label"] == "flush") & (result.events["probability"] > 0.9)]
    why = result.explain(flushes.iloc[3], units="us")
    like = why.resembles
    assert f"{100 * why.probability:.0f} % sure" in why.text or "over 99 % sure" in why.text
    assert f"Put with {like.fixture}: {like.uses} uses" in why.text
    assert "gal/min" in why.text
    assert " L" not in why.text
    assert why.ranges[0].sources == ("toilet.dual_flush_half", why.ranges[0].sources[1], why.ranges[0].sources[2])
    assert str(figure("toilet.dual_flush_half").source) in why.sources


def test_a_value_outside_its_range_is_said(result):
    outside = next(
        why for why in map(result.explain, range(len(result.events))) if not all(r.inside for r in why.ranges)
    )
    assert "Outside the usual range" in outside.text


def test_small_amounts_are_not_written_as_nothing(result):
    why = result.explain(0)
    like = replace(why.resembles, uses=9, typical_volume_l=0.0042, low_l=0.0, high_l=1250.0, typical_lpm=0.0004)
    text = replace(why, cycle=None, resembles=like).text
    assert "9 uses, typically 0.0042 L (0 to 1,250 L) at 0.00040 L/min." in text


def test_a_fill_names_its_load(result):
    loads = result.events[result.events["cycle"].notna()]
    size = loads.groupby(["label", "cycle"])["volume_l"].transform("size")
    row = size[size > 1].index[0]
    mine = loads[(loads["label"] == loads.loc[row, "label"]) & (loads["cycle"] == loads.loc[row, "cycle"])]
    why = result.explain(row)
    assert (why.cycle.n_events, why.cycle.volume_l) == (len(mine), pytest.approx(mine["volume_l"].sum()))
    assert f"One of {len(mine)} events" in why.text


def test_what_somebody_wrote_down_is_said(home, result):
    use = result.events[~result.events["overlaps"]].sort_values("volume_l").iloc[-3]
    labels = pd.DataFrame({"time": [use["start"] + use["duration_s"] * pd.Timedelta("500ms")], "label": ["hose"]})
    told = fs.disaggregate(home.trace, labels=labels)
    row = told.events.index[(told.events["start"] == use["start"]) & (told.events["label"] == "hose")][0]
    assert told.explain(row).told
    assert "as it was written down" in str(told.explain(row))
    assert sum(told.explain(k).told for k in range(len(told.events))) == 1


def test_a_method_that_keeps_labels_alone_explains_without_a_runner_up(home):
    uses = pd.DataFrame({"start": [home.trace.start], "end": [home.trace.end], "label": ["irrigation"]})
    why = from_uses(home.trace, uses).explain(0)
    assert why.runner_up is None
    assert np.isnan(why.runner_up_probability)
    assert "Irrigation, 100 % sure." in why.text
    assert "The only use of irrigation." in why.text


@pytest.mark.parametrize("event", [-1, 10**6, "first", 2.5, True])
def test_an_event_that_is_not_there_is_refused(result, event):
    with pytest.raises(fs.OptionError, match="the events are rows 0 to"):
        result.explain(event)


def test_a_row_under_another_number_is_not_taken_for_the_event_of_that_number(result):
    flushes = result.events[result.events["label"] == "flush"]
    assert result.explain(flushes.iloc[3]) is not None
    assert result.explain(flushes.in_us_units().iloc[3]) is not None
    with pytest.raises(fs.OptionError, match=r"event 3 goes from .* the number that it has in `events`"):
        result.explain(flushes.reset_index(drop=True).iloc[3])


def test_units_that_are_not_known_are_refused(result):
    with pytest.raises(fs.OptionError, match="units must be one of si, us, got 'imperial'"):
        result.explain(0, units="imperial")
