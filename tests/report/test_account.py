"""The water account: what it says adds up, in numbers and in print."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure

import flowsift as fs
from flowsift.digits import round_to_sum
from flowsift.disaggregation import Disaggregation, Shares, TrickleSpans, assemble
from flowsift.households.shipped import read_shipped
from flowsift.labels import LABEL_WORDS, LABELS, label_words
from flowsift.report.account import water_account
from flowsift.report.account_text import account_sections
from flowsift.report.as_json import json_dict
from flowsift.report.page.sheets import account_sheet
from flowsift.report.page.uses_shown import uses_shown
from flowsift.study.flushes_study import flushes
from flowsift.units import L_PER_GAL

START = pd.Timestamp("2024-03-09T18:30Z").value
MINUTE_NS = 60 * 10**9


def account_text(account, units="si"):
    return "".join("\n".join([s.heading, *s.lines, ""]) for s in account_sections(account, units=units))


def home(volumes, labels, trickle_l=0.0, unexplained_l=0.0, gap_l=None, timezone="UTC", probability=0.8):
    """A day at one minute: event k takes minute 10 k, with a trickle under it and something unexplained beside it."""
    n = len(volumes)
    cell = np.arange(n, dtype=np.int64) * 10 + 5
    trickle = np.full(n, trickle_l)
    trace = fs.Trace(
        start_ns=START,
        interval_ns=MINUTE_NS,
        n_cells=1440,
        cell=cell,
        volume_l=np.asarray(volumes, float) + trickle + unexplained_l,
        gaps=np.empty((0, 2), np.int64) if gap_l is None else np.array([[1200, 1320]], np.int64),
        gap_volume_l=np.empty(0) if gap_l is None else np.array([gap_l]),
        pulse_l=0.01,
        timezone=timezone,
    )
    running = n > 0 and trickle_l > 0
    spans = TrickleSpans(
        start=np.array([0], np.int64),
        end=np.array([720], np.int64),
        rate_lpm=np.array([n * trickle_l / 720]),
        low_lpm=np.array([n * trickle_l / 800]),
        high_lpm=np.array([n * trickle_l / 600]),
    )
    return assemble(
        trace,
        start_cell=cell,
        end_cell=cell + 1,
        label=np.asarray(labels, object),
        probability=np.full(n, probability),
        fixture=np.asarray([f"{label}-1" for label in labels], object),
        cycle=np.full(n, -1, np.int64),
        shares=Shares(event=np.arange(n), flow=np.arange(n), volume_l=np.asarray(volumes, float)),
        trickle=spans if running else None,
        trickle_l=trickle,
    )


@pytest.fixture(scope="module")
def demo():
    return fs.disaggregate(read_shipped("demo").trace)


@st.composite
def homes(draw) -> Disaggregation:
    volumes = draw(st.lists(st.floats(0.01, 500.0), max_size=25))
    labels = [draw(st.sampled_from(LABELS)) for _ in volumes]
    return home(
        volumes,
        labels,
        trickle_l=draw(st.sampled_from([0.0, 0.03, 2.0])),
        unexplained_l=draw(st.sampled_from([0.0, 0.7])),
        gap_l=draw(st.sampled_from([None, 0.0, 33.3])),
    )


@settings(deadline=None, max_examples=60)
@given(result=homes())
def test_parts_add_up_to_the_whole(result):
    account = water_account(result)
    for part, whole in [("volume_l", account.metered_l), ("per_day_l", account.per_day_l)]:
        assert sum(getattr(use, part) for use in account.uses) == pytest.approx(whole, rel=1e-9, abs=1e-9)
    if account.metered_l:
        assert sum(use.share for use in account.uses) == pytest.approx(1.0, rel=1e-9)
    assert sum(use.uses for use in account.uses) == len(result.events)
    assert account.unexplained.volume_l == result.balance.unexplained_l


@settings(deadline=None, max_examples=60)
@given(result=homes(), units=st.sampled_from(["si", "us"]))
def test_printed_columns_add_up_and_fit(result, units):
    account = water_account(result)
    sections = {s.heading: s.lines for s in account_sections(account, units=units)}
    assert max(len(line) for lines in sections.values() for line in lines) <= 80
    rows = [re.findall(r"[\d,]+\.\d", line) for line in sections["Where the water went"][1:]]
    numbers = np.array([[float(cell.replace(",", "")) for cell in row] for row in rows])
    np.testing.assert_allclose(numbers[:-1].sum(axis=0), numbers[-1], atol=1e-6)
    litres = L_PER_GAL if units == "us" else 1.0
    assert numbers[-1, 0] == pytest.approx(account.metered_l / litres, abs=0.051)


def test_the_total_is_the_figure_of_the_header():
    # 7.15 in all: added up anew, it is the next number below and rounds the other way.
    account = water_account(home([2.55, 2.04, 1.08, 1.23, 0.25], ["shower", "faucet", "flush", "hose", "other"]))
    header, table = (section.lines for section in account_sections(account)[:2])
    assert re.findall(r"\d+\.\d", header[-1]) == re.findall(r"\d+\.\d", table[-1])[:2]


@settings(deadline=None, max_examples=60)
@given(result=homes(), units=st.sampled_from(["si", "us"]))
def test_the_page_has_the_volumes_of_the_printed_account(result, units):
    account = water_account(result)
    printed = [re.findall(r"[\d,]+\.\d", line) for line in account_sections(account, units=units)[1].lines[1:]]
    sheet = account_sheet(account, uses_shown(account))
    rows = ["".join(map(str, row)) for row in (*sheet.rows, sheet.foot)]
    shown = [re.findall(rf'class="in-{units}">([\d,]+\.\d) ', row) for row in rows]
    n_amounts = 1 if account.short else 2
    assert shown == [numbers[:n_amounts] for numbers in printed]


@settings(deadline=None, max_examples=60)
@given(result=homes())
def test_every_view_of_an_account_names_the_same_shares(result):
    account = water_account(result)
    printed = re.findall(r"\d+\.\d %", "\n".join(account_sections(account)[1].lines))[:-1]
    rows = account_sheet(account, uses_shown(account)).rows
    assert [cell for row in rows for cell in row if re.fullmatch(r"\d+\.\d %", str(cell))] == printed
    share_of = dict(zip((row[0] for row in rows), printed, strict=True))
    axes = fs.plot.account(result, Figure().add_subplot())
    drawn = [text.get_text().strip() for text in axes.texts]
    names = [tick.get_text() for tick in axes.get_yticklabels()][: len(drawn)]
    assert drawn == [share_of[name] for name in names]


@given(
    values=st.lists(st.floats(0.0, 1e6), max_size=20),
    decimals=st.integers(0, 3),
)
def test_rounding_keeps_the_sum_and_stays_close(values, decimals):
    rounded = round_to_sum(values, total=sum(values), decimals=decimals)
    step = 10.0**-decimals
    assert sum(rounded) == pytest.approx(sum(values), abs=0.5001 * step + 1e-6)
    assert all(abs(r - v) < 1.001 * step for r, v in zip(rounded, values, strict=True))


def test_per_day_figures_rest_on_the_time_with_a_known_volume():
    full = water_account(home([240.0], ["shower"]))
    assert full.per_day_l == pytest.approx(240.0)
    lost = water_account(home([240.0], ["shower"], gap_l=0.0))  # two hours without data
    assert lost.per_day_l == pytest.approx(240.0 * 24 / 22)
    known = water_account(home([240.0], ["shower"], gap_l=12.0))  # two hours whose volume is known
    assert known.per_day_l == pytest.approx(252.0)
    assert known.gap_volume_l == known.unexplained.volume_l == pytest.approx(12.0)
    assert "12.0 L of it passed while no data came in" in account_text(known)


def test_trickle_says_rate_bounds_and_time():
    account = water_account(home([1.0] * 10, ["faucet"] * 10, trickle_l=7.2))
    assert account.trickle.rate_lpm == pytest.approx(0.1)
    assert account.trickle.low_lpm < account.trickle.rate_lpm < account.trickle.high_lpm
    assert account.trickle.per_day_l == pytest.approx(72.0)
    assert account.trickle.running == pytest.approx(0.5)
    text = account_text(account)
    assert "0.100 L/min (between 0.0900 and 0.120)\n  from the start to 2024-03-10 06:30, 50 % of the time\n" in text
    assert "72.0 L a day, 72.0 L in all" in text
    assert json_dict(account)["trickle"]["last"] == "2024-03-10T06:30:00+00:00"
    assert "0.0264 gal/min" in account_text(account, units="us")


def test_a_trickle_in_two_spans_is_averaged_over_its_time():
    trickle = home([1.0] * 10, ["faucet"] * 10, trickle_l=7.2).trickle
    later = trickle.assign(start=trickle["end"], end=trickle["end"] + pd.Timedelta("4h"), rate_lpm=0.4)
    result = replace(home([1.0], ["faucet"], trickle_l=5.0), trickle=pd.concat([trickle, later], ignore_index=True))
    account = water_account(result)
    assert account.trickle.spans == 2
    assert account.trickle.rate_lpm == pytest.approx((12 * 0.1 + 4 * 0.4) / 16)
    assert account.trickle.running == pytest.approx(16 / 24)
    assert "from the start to 2024-03-10 10:30 in 2 spans, 67 % of" in account_text(account)


def test_a_trickle_whose_rate_changed_has_its_lowest_and_highest_rate():
    trickle = home([1.0] * 10, ["faucet"] * 10, trickle_l=7.2).trickle
    later = {"start": trickle["end"], "end": trickle["end"] + pd.Timedelta("4h")}
    drop = trickle.assign(**later, rate_lpm=0.04, low_lpm=0.03, high_lpm=0.05)
    result = replace(home([1.0], ["faucet"], trickle_l=5.0), trickle=pd.concat([trickle, drop], ignore_index=True))
    account = water_account(result)
    line = account.trickle
    assert (line.changed, line.least_lpm, line.most_lpm) == (True, 0.04, pytest.approx(0.1))
    assert f"  0.0400 to 0.100 L/min, mean {line.rate_lpm:.4f} L/min\n" in account_text(account)
    assert json_dict(account)["trickle"]["least_lpm"] == 0.04
    steady = water_account(home([1.0] * 10, ["faucet"] * 10, trickle_l=7.2)).trickle
    assert (steady.changed, steady.least_lpm, steady.most_lpm) == (False, steady.rate_lpm, steady.rate_lpm)


def test_toilets_are_those_of_the_study(demo):
    account, study = water_account(demo), flushes(demo)
    assert [(t.toilet, t.kind) for t in account.toilets] == [(t.name, "full") for t in study.toilets]
    assert {t.toilet for t in account.toilets} == {"toilet-1", "toilet-2"}
    for line, toilet in zip(account.toilets, study.toilets, strict=True):
        assert (line.per_flush_l, line.low_l, line.high_l) == (
            toilet.full.volume_l,
            toilet.full.low_l,
            toilet.full.high_l,
        )
        mine = study.members.loc[study.members["toilet"] == toilet.name, "event"]
        assert line.volume_l == pytest.approx(demo.events["volume_l"].iloc[mine].sum())
    by_label = next(use for use in account.uses if use.label == "flush")
    measured = sum(t.volume_l for t in account.toilets)
    assert measured + account.unmeasured_flush_l == pytest.approx(by_label.volume_l)
    assert sum(t.flushes for t in account.toilets) + account.unmeasured_flushes == by_label.uses
    assert water_account(demo, study=study) == account


def test_flushes_that_never_repeat_are_no_toilet():
    account = water_account(home([19.5, 8.1, 12.4, 30.2], ["flush"] * 4))
    assert account.toilets == ()
    assert account.unmeasured_flushes == 4
    assert "  4 flushes, 70.2 L, at no repeated volume: not measured\n" in account_text(account)


def test_toilets_are_listed_with_their_bounds(demo):
    text = account_text(water_account(demo), units="us")
    assert re.search(r"toilet-\d +1\.3\d gal \(between 1\.2\d and 1\.3\d\), \d+ flushes\n", text)


def test_period_is_told_in_the_time_zone_of_the_trace():
    account = water_account(home([1.0], ["faucet"], timezone="America/New_York"))
    assert account.start.isoformat() == "2024-03-09T13:30:00-05:00"
    assert account.end.isoformat() == "2024-03-10T14:30:00-04:00"  # clocks go forward in between
    assert "2024-03-09 13:30 to 2024-03-10 14:30, America/New_York" in account_text(account)


def test_an_empty_trace_has_an_account():
    result = home([], [])
    account = water_account(result)
    assert account.metered_l == 0.0
    assert [use.label for use in account.uses] == ["trickle", "unexplained"]
    text = account_text(account)
    assert "0.0 L metered" in text
    assert "none found" in text
    assert "nothing" in text


def test_findings_are_sorted_by_kind_and_wrapped():
    finding = fs.Finding(kind="limit", what="one-minute intervals", treatment="Short uses run together. " * 8)
    result = home([1.0], ["faucet"])
    result = replace(result, findings=(finding, fs.Finding(kind="assumption", what="unit", treatment="Litres.")))
    sections = account_sections(water_account(result))
    headings = [section.heading for section in sections]
    assert headings[-2:] == ["Assumed", "What this trace can't tell"]
    assert len(sections[-1].lines) >= 3
    assert max(map(len, sections[-1].lines)) <= 80


def test_labels_are_plain_words():
    assert label_words("clothes_washer") == "clothes washer"
    assert set(LABEL_WORDS) <= {*LABELS, "trickle", "unexplained"}
    assert [label for label in LABELS if "_" in label_words(label)] == []


def test_json_record_names_its_units():
    account = water_account(home([8.0], ["flush"], trickle_l=0.5))
    si, us = json_dict(account), json_dict(account, units="us")
    assert us["trickle"]["rate_gpm"] == pytest.approx(si["trickle"]["rate_lpm"] / L_PER_GAL)
    assert us["uses"][0]["volume_gal"] == pytest.approx(8.0 / L_PER_GAL)
    assert us["observed_s"] == si["observed_s"] == 86_400.0


def test_json_converts_what_lies_under_a_name_with_a_unit():
    record = {"flows_lpm": {"5/8 in": L_PER_GAL}, "pair_l": (L_PER_GAL, float("nan")), "n": 3}
    assert json_dict(record, units="us") == {
        "units": "us",
        "flows_gpm": {"5/8 in": 1.0},
        "pair_gal": [1.0, None],
        "n": 3,
    }


def test_a_day_is_not_made_of_an_hour():
    volume = np.zeros(360)
    volume[100:140] = 0.5
    hour = water_account(fs.disaggregate(fs.Trace.from_volumes(np.arange(360) * 10, volume, 0.1)))
    text = account_text(hour)
    assert "20.0 L metered\n" in text
    assert "a day" not in text
    total = next(line for line in text.splitlines() if line.startswith("  in all"))
    assert total.split() == ["in", "all", "20.0", "100.0", "%"]
    assert "240.0 L a day" in account_text(water_account(home([240.0], ["shower"])))


def test_too_short_a_record_says_nothing_of_a_trickle():
    trace = fs.Trace.from_volumes(np.arange(360) * 10, np.zeros(360), 0.1)
    account = water_account(fs.disaggregate(trace))
    assert not account.trickle_told
    assert "none found" not in account_text(account)
    assert "can't be told from a use" in account_text(account)
