"""Fixtures of an earlier answer keep their names."""

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.classify.earlier_file import read_earlier
from flowsift.classify.recognition import KnownUses, recognised
from flowsift.evaluate.suites import training_homes
from flowsift.files import write_table
from flowsift.households import simulate
from flowsift.labels import LABELS
from flowsift.tables import Table

FLUSH, SHOWER, FAUCET, LEAK = (LABELS.index(name) for name in ("flush", "shower", "faucet", "toilet_leak"))
MULTIPLE = ("flush", "shower", "irrigation")


def uses(*kinds):
    """Labels, fixtures, volumes and flows of kinds of uses: (number, label, name, volume, flow)."""
    rng = np.random.default_rng(5)
    rows = [
        (label, name, volume * rng.normal(1, 0.02), flow * rng.normal(1, 0.03))
        for number, label, name, volume, flow in kinds
        for _ in range(number)
    ]
    label, name, volume, flow = (list(column) for column in zip(*rows, strict=True))
    return np.array(label), name, np.array(volume), np.array(flow)


def known(*kinds):
    label, name, volume, flow = uses(*kinds)
    table = {"label": np.array(LABELS)[label], "fixture": name, "volume_l": volume, "mean_lpm": flow}
    return KnownUses.of(pd.DataFrame(table))


def found(earlier, *kinds):
    label, names, volume, flow = uses(*kinds)
    return recognised(names, label, volume, flow, known=earlier), names


TWO = ((30, FLUSH, "toilet-1", 6.0, 11.0), (30, FLUSH, "toilet-2", 4.8, 8.0))


def test_toilets_keep_their_names_however_they_are_numbered_now():
    new, old = found(known(*TWO), (9, FLUSH, "toilet-2", 6.0, 11.0), (20, FLUSH, "toilet-1", 4.8, 8.0))
    assert {(a, b) for a, b in zip(new, old, strict=True)} == {("toilet-1", "toilet-2"), ("toilet-2", "toilet-1")}


def test_a_new_larger_toilet_gets_a_new_number():
    new, _ = found(known(*TWO), (9, FLUSH, "toilet-1", 12.0, 11.0), (9, FLUSH, "toilet-2", 6.0, 11.0))
    assert new == ["toilet-3"] * 9 + ["toilet-1"] * 9


def test_a_full_and_a_reduced_flush_stay_one_toilet():
    dual = known(
        (20, FLUSH, "toilet-1", 6.0, 8.0), (40, FLUSH, "toilet-1", 3.0, 7.4), (30, FLUSH, "toilet-2", 6.0, 11.0)
    )
    new, _ = found(dual, (9, FLUSH, "toilet-1", 3.0, 7.4), (9, FLUSH, "toilet-2", 6.0, 8.0))
    assert set(new) == {"toilet-1"}


def test_two_showers_known_before_are_told_apart_where_the_days_alone_would_not():
    earlier = known((20, SHOWER, "shower-1", 50.0, 10.0), (20, SHOWER, "shower-2", 50.0, 6.0))
    new, _ = found(earlier, (3, SHOWER, "shower-1", 70.0, 10.0), (2, SHOWER, "shower-1", 30.0, 6.0))
    assert new == ["shower-1"] * 3 + ["shower-2"] * 2


def test_a_name_that_was_written_down_stays():
    earlier = known((20, FAUCET, "kitchen tap", 1.0, 6.0), (20, FAUCET, "faucet-1", 1.0, 3.0))
    new, _ = found(earlier, (3, FAUCET, "faucet-1", 2.0, 6.0), (3, FAUCET, "faucet-1", 0.5, 3.0))
    assert new == ["kitchen tap"] * 3 + ["faucet-1"] * 3


def test_a_new_leak_is_at_the_toilet_as_it_was_called():
    new, _ = found(known(*TWO), (20, FLUSH, "toilet-1", 4.8, 8.0), (5, LEAK, "toilet-1", 0.8, 8.0))
    assert set(new) == {"toilet-2"}


@pytest.mark.parametrize(
    ("column", "value", "row"), [("label", "bidet", 1), ("volume_l", -1.0, 1), ("mean_lpm", "fast", 1)]
)
def test_an_unsound_table_names_row_and_column(column, value, row):
    table = pd.DataFrame({"label": "flush", "fixture": "toilet-1", "volume_l": [6.0, 6.0], "mean_lpm": [8.0, 8.0]})
    table[column] = [table[column].iloc[0], value]
    with pytest.raises(fs.InputError) as caught:
        fs.HomeFacts(earlier=table)
    assert (caught.value.row, caught.value.column) == (row, column)
    with pytest.raises(fs.InputError, match="no such column"):
        fs.HomeFacts(earlier=table.drop(columns=column))


EVENTS = Table(
    {"label": ["flush", "shower"], "fixture": ["toilet-1", "bath"], "volume_l": [6.0, 50.0], "mean_lpm": [8.0, 9.0]}
)


@pytest.mark.parametrize("name", ["events.csv", "events.csv.gz", "events.parquet"])
def test_a_written_table_is_read_in_either_units(tmp_path, name):
    for table in (EVENTS, EVENTS.in_us_units()):
        write_table(table, tmp_path / name)
        read = read_earlier(tmp_path / name)
        assert read["fixture"].tolist() == ["toilet-1", "bath"]
        np.testing.assert_allclose(read[["volume_l", "mean_lpm"]], EVENTS[["volume_l", "mean_lpm"]], rtol=1e-12)


@pytest.mark.parametrize(
    ("text", "row", "column"), [("a,b\n1,2\n", None, "label"), ("", None, None), ("BAD", 3, "label")]
)
def test_a_file_that_is_no_table_of_events_says_so(tmp_path, text, row, column):
    path = tmp_path / "events.csv"
    path.write_text(EVENTS.to_csv(index=False).replace("shower", "bidet") if text == "BAD" else text, encoding="utf-8")
    with pytest.raises(fs.InputError) as caught:
        read_earlier(path)
    assert (caught.value.file, caught.value.row, caught.value.column) == ("events.csv", row, column)
    with pytest.raises(fs.InputError, match="no such file"):
        read_earlier(tmp_path / "none.csv")


def names_kept(earlier, later):
    """Whether each use in both answers, of labels with several fixtures, is on the fixture of one name."""
    both = earlier.events.merge(later.events, on=["start", "end", "label"])
    both = both[both["label"].isin(MULTIPLE)]
    return (both["fixture_x"] == both["fixture_y"]).tolist()


def test_names_stay_between_overlapping_windows_of_one_home():
    plain, carried = [], []
    for home in training_homes(4):
        trace = simulate(home.seed, days=12).trace
        day = pd.Timedelta(1, "D")
        earlier = fs.disaggregate(trace.between(end=trace.start + 8 * day))
        later = trace.between(start=trace.start + 4 * day)
        plain += names_kept(earlier, fs.disaggregate(later))
        carried += names_kept(earlier, fs.disaggregate(later, household=fs.HomeFacts(earlier=earlier.events)))
    assert len(plain) > 100
    assert np.mean(plain) > 0.7
    assert np.mean(carried) > 0.97
