"""A controller's programme, read from zones that water by the clock, and loads with their volume."""

import numpy as np
import pandas as pd
import pytest

from flowsift import Trace
from flowsift.disaggregation import from_uses
from flowsift.study.leaks_ledger import leaks
from flowsift.study.loads import LOAD_COLUMNS, loads
from flowsift.study.programme import days_in_words, programme

START = pd.Timestamp("2024-06-03", tz="America/Denver")  # a Monday


def watered(days, zones, *, first="05:00", rises=None, n_days=28):
    """Answer for a controller that runs zones (minutes, flow) on some days; `rises` = (zone, day, extra flow)."""
    minutes = n_days * 1440
    flow = np.zeros(minutes)
    uses = []
    for day in days:
        midnight = START + pd.DateOffset(days=day)
        at = midnight + pd.Timedelta(first + ":00")
        for k, (length, lpm) in enumerate(zones):
            more = rises[2] if rises is not None and k == rises[0] and day >= rises[1] else 0.0
            cell = int((at - START) / pd.Timedelta("1min"))
            flow[cell : cell + length] = lpm + more
            end = at + pd.Timedelta(minutes=length)
            uses.append((at, end, "irrigation", f"zone-{k + 1}", day))
            at = end
    times = START.tz_convert("UTC") + pd.to_timedelta(np.arange(minutes), unit="min")
    trace = Trace.from_volumes(times, flow, timezone="America/Denver")
    table = pd.DataFrame(uses, columns=["start", "end", "label", "fixture", "cycle"])
    return from_uses(trace, table)


def test_a_programme_is_read_as_it_was_set():
    days = [d for d in range(28) if d % 7 in (0, 3)]
    result = watered(days, [(12, 40.0), (9, 25.0), (40, 8.0)])
    found = programme(result)
    zones = found.zones
    assert zones["start_time"].tolist() == ["05:00", "05:12", "05:21"]
    assert zones["minutes"].tolist() == [12.0, 9.0, 40.0]
    assert zones["typical_lpm"].tolist() == pytest.approx([40.0, 25.0, 8.0])
    assert zones["typical_volume_l"].tolist() == pytest.approx([480.0, 225.0, 320.0])
    assert set(zones["days"]) == {"Mon Thu"}
    assert zones["runs"].tolist() == [8, 8, 8]
    assert zones[["programme", "zone"]].to_numpy().tolist() == [[1, 1], [1, 2], [1, 3]]
    assert found.raised.empty
    assert found.by_hand_l == pytest.approx(0.0)


def test_a_zone_that_rises_against_its_own_history_is_told():
    result = watered(range(0, 28, 2), [(12, 40.0), (9, 25.0)], rises=(1, 14, 14.0))
    raised = programme(result).raised
    assert raised["start_time"].tolist() == ["05:12"]
    assert raised["raised_from_lpm"].tolist() == pytest.approx([25.0])
    assert raised["typical_lpm"].tolist() == pytest.approx([39.0])
    assert raised["raised_since"].iloc[0] == START + pd.DateOffset(days=14) + pd.Timedelta("05:12:00")
    assert raised["days"].tolist() == ["every 2 days"]


def test_a_start_at_midnight_is_one_time():
    days = list(range(10))
    result = watered(days, [(12, 40.0)], first="00:00", n_days=12)
    zones = programme(result).zones
    assert zones[["start_time", "days", "runs"]].to_numpy().tolist() == [["00:00", "daily", 10]]


def test_a_run_early_for_midnight_is_the_next_days():
    # Tuesdays, 15 s before or after midnight
    start = START + pd.to_timedelta([1, 8, 15, 22], unit="D") + pd.to_timedelta([-15, 15, -15, 15], unit="s")
    uses = pd.DataFrame({"start": start, "end": start + pd.Timedelta("20min"), "label": "irrigation"})
    trace = Trace.from_volumes(
        START.tz_convert("UTC") + pd.to_timedelta(np.arange(28 * 17_280) * 5, unit="s"),
        np.ones(28 * 17_280),
        timezone="America/Denver",
    )
    zones = programme(from_uses(trace, uses)).zones
    assert zones[["start_time", "days"]].to_numpy().tolist() == [["00:00", "Tue"]]


def test_watering_by_hand_is_no_programme():
    result = watered([3], [(30, 20.0)])
    found = programme(result)
    assert found.zones.empty
    assert found.by_hand_l == pytest.approx(600.0)
    assert found.zones["raised_since"].dtype == "datetime64[ns, America/Denver]"


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (range(10), "daily"),
        ([d for d in range(30) if d % 3 == 0], "every 3 days"),
        ([d for d in range(30) if d % 3 == 0 and d != 9], "every 3 days"),
        ([d for d in range(42) if d % 7 == 5], "Sat"),
        ([d for d in range(42) if d % 7 in (1, 4, 6) and d != 11], "Tue Fri Sun"),
        ([0, 1, 9, 20, 22, 35], "irregular"),
        ([4], "irregular"),
    ],
)
def test_the_rule_behind_days(days, words):
    assert days_in_words(pd.Series([START + pd.DateOffset(days=d) for d in days])) == words


def test_a_load_is_the_sum_of_its_fills():
    result = watered(range(0, 28, 2), [(12, 40.0), (9, 25.0)])
    table = loads(result)
    assert list(table.columns) == list(LOAD_COLUMNS)
    assert len(table) == 14
    assert table["events"].tolist() == [2] * 14
    assert table["volume_l"].tolist() == pytest.approx([12 * 40.0 + 9 * 25.0] * 14)
    assert set(table["fixture"]) == {"zone-1"}
    assert table["volume_l"].sum() == pytest.approx(result.events["volume_l"].sum())


def test_no_cycles_give_an_empty_table_of_the_same_columns():
    result = watered([3], [(30, 20.0)])
    none = from_uses(result.trace, result.events.assign(label="hose", cycle=pd.NA).iloc[:1])
    assert list(loads(none).columns) == list(LOAD_COLUMNS)
    assert loads(none).empty
    assert programme(none).zones.empty


SKIPPED, TWICE = ("America/Santiago", "2024-09-08"), ("America/Havana", "2024-11-03")
"""Days on which the clock skips midnight, or shows it twice."""


@pytest.mark.parametrize(("zone", "change"), [SKIPPED, TWICE, ("America/Denver", "2024-11-03")])
def test_a_timer_goes_by_the_clock_where_clocks_change(zone, change):
    days = pd.date_range(end=pd.Timestamp(change) + pd.Timedelta("4D"), periods=10)
    start = (days + pd.Timedelta("6h")).tz_localize(zone)
    uses = pd.DataFrame({"start": start, "end": start + pd.Timedelta("20min"), "label": "irrigation"})
    times = pd.date_range(start[0], start[-1] + pd.Timedelta("1h"), freq="min")
    running = ((times.hour == 6) & (times.minute < 20)).astype(float)
    result = from_uses(Trace.from_volumes(times, 30.0 * running), uses.assign(fixture="zone-1"))
    zones = programme(result).zones
    assert zones[["start_time", "runs", "days"]].to_numpy().tolist() == [["06:00", 10, "daily"]]
    assert [line for line in leaks(result).lines if line.kind == "zone above its history"] == []
