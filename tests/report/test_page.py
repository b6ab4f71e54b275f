"""The report page: complete, closed in itself, safe with any name, and adding up."""

import base64
import csv
import gzip
import io
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from tests.study.traces import pulsed

import flowsift as fs
from flowsift.disaggregation import from_uses
from flowsift.households.shipped import read_shipped
from flowsift.labels import LABELS
from flowsift.report.page.sheets import branches_sheet
from flowsift.report.steps_drawn import flow_steps
from flowsift.report.weeks import usual_week
from flowsift.study.isolation import isolate
from flowsift.study.isolation_draws import RepeatedDraws
from flowsift.study.isolation_log import Step
from flowsift.study.tariff import example_tariff_text, parsed_tariff
from flowsift.units import L_PER_GAL

pytest.importorskip("bokeh", reason="the report extra is not installed")
pytest.importorskip("jinja2", reason="the report extra is not installed")

TABLES = ("account", "fixtures", "days", "week", "events", "trickle", "flushes", "irrigation", "leaks", "quality")
HOSTILE = '<img src=x onerror="alert(1)"></script><b>=1+1'


class Elements(HTMLParser):
    """Every element of a page with its attributes, and the text of its cells."""

    def __init__(self, text):
        super().__init__()
        self.found = []
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.found.append((tag, dict(attributes)))


def page_of(result, **options):
    from flowsift.report.page import page_html

    return page_html(result, **options)


@pytest.fixture(scope="module")
def demo():
    return fs.disaggregate(read_shipped("demo").trace)


@pytest.fixture(scope="module")
def page(demo):
    return page_of(demo, tariff=parsed_tariff(example_tariff_text()))


def downloads(page):
    """Rows of each table offered in litres, by name."""
    tables = {}
    for tag, attributes in Elements(page).found:
        if tag == "a" and "in-si" in attributes.get("class", ""):
            head, _, content = attributes["href"].partition(",")
            assert head == "data:text/csv;charset=utf-8;base64"
            name = attributes["download"].removesuffix(".csv")
            tables[name] = list(csv.DictReader(io.StringIO(base64.b64decode(content).decode())))
    return tables


def small_answer(fixture="faucet-1", uses=2, hours=48):
    cell = (np.arange(uses)[:, None] * 200 + np.arange(10)).ravel().astype(np.int64)
    trace = fs.Trace(
        start_ns=pd.Timestamp("2024-05-01T00:00Z").value,
        interval_ns=10 * 10**9,
        n_cells=360 * hours,
        cell=cell,
        volume_l=np.ones(cell.size),
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=0.1,
        timezone="Europe/Madrid",
    )
    starts = trace.time_of(np.arange(uses) * 200)
    table = pd.DataFrame({"start": starts, "end": starts + pd.Timedelta(100, "s"), "label": "faucet"})
    return from_uses(trace, table.assign(probability=0.9, fixture=fixture))


def test_nothing_is_fetched(page):
    for tag, attributes in Elements(page).found:
        assert tag not in {"link", "iframe", "object", "embed", "base"}
        for name in ("src", "href", "action", "srcset", "poster"):
            address = attributes.get(name) or ""
            assert address == "" or address.startswith(("data:", "#")), f"<{tag} {name}={address[:60]}>"
    assert "url(http" not in page.split("<script>")[0]
    policy = next(a["content"] for t, a in Elements(page).found if a.get("http-equiv") == "Content-Security-Policy")
    assert policy.startswith("default-src 'none'")
    assert "connect-src" not in policy
    assert "unsafe-eval" not in policy


def test_it_is_small(page):
    assert len(page.encode()) < 5_000_000


def test_every_table_is_there_and_can_be_downloaded(page):
    tables = downloads(page)
    assert set(tables) == set(TABLES)
    assert all(tables.values())
    ids = {attributes.get("id") for _, attributes in Elements(page).found}
    assert {f"sheet-{name}" for name in TABLES} <= ids


def test_every_picture_has_words(page):
    elements = Elements(page).found
    described = [a["aria-describedby"] for _, a in elements if "picture" in (a.get("class") or "").split()]
    assert described == [f"{name}-text" for name in ("days", "week", "trace", "trickle", "flushes")]
    assert set(described) <= {a.get("id") for _, a in elements}
    for text in re.findall(r"<figcaption[^>]*>(.*?)</figcaption>", page, re.S):
        assert len(re.sub(r"<[^>]+>", "", text).strip()) > 20


def test_figures_add_up(page, demo):
    tables = downloads(page)
    metered = demo.balance.metered_l
    assert sum(float(row["volume_l"]) for row in tables["account"]) == pytest.approx(metered, rel=1e-4)
    assert sum(float(row["total_l"]) for row in tables["days"]) == pytest.approx(metered, rel=1e-4)
    assert sum(float(row["volume_l"]) for row in tables["events"]) == pytest.approx(demo.balance.events_l, rel=1e-4)
    assert len(tables["events"]) == len(demo.events)


@pytest.mark.parametrize("most", [10**9, 2_000])
def test_the_areas_that_are_drawn_are_volumes(demo, most):
    steps = flow_steps(demo, most=most)
    area = ((steps["high_lpm"] - steps["low_lpm"]) * (steps["end_s"] - steps["start_s"]) / 60.0).to_numpy()
    event = steps["event"].to_numpy()
    drawn = np.bincount(event[event >= 0], area[event >= 0], minlength=len(demo.events))
    np.testing.assert_allclose(drawn, demo.events["volume_l"], rtol=1e-9)
    assert area[event == -2].sum() == pytest.approx(demo.unexplained_by_cell_l.sum(), abs=1e-6)
    if most == 2_000:
        assert len(steps) < len(flow_steps(demo, most=10**9))


def test_the_usual_week_holds_the_metered_volume(demo):
    week = usual_week(demo)
    assert (week["volume_l"] * week["hours_seen"]).sum() == pytest.approx(demo.balance.metered_l)
    assert week["hours_seen"].sum() == pytest.approx(demo.trace.duration_s / 3600)


@pytest.mark.parametrize("zone", ["Asia/Kolkata", "Asia/Kathmandu", "Europe/Berlin"])
def test_hours_of_the_usual_week_are_those_of_the_clock(zone):
    # A week of local time with water from seven to eight alone, and the last hour not seen.
    minutes = np.arange(7 * 1440 - 60)
    flow = np.where(minutes % 1440 // 60 == 7, 2.0, 0.0)
    start = pd.Timestamp("2024-05-06", tz=zone)
    trace = fs.Trace.from_volumes(start + pd.to_timedelta(minutes, unit="min"), flow, 0.1)
    week = usual_week(fs.disaggregate(trace))
    assert trace.timezone == zone
    assert week["volume_l"][:-1].tolist() == np.where(week["hour"] == 7, 120.0, 0.0)[:-1].tolist()
    assert week["hours_seen"].tolist() == [1.0] * 167 + [0.0]


def test_a_name_can_do_nothing():
    page = page_of(small_answer(fixture=HOSTILE), title=HOSTILE)
    elements = Elements(page).found
    assert not [a for _, a in elements if any(name.startswith("on") for name in a)]
    assert not [tag for tag, _ in elements if tag in {"img", "b"}]
    assert "<img src=x" not in page
    assert page.count("</script>") == 4
    names = {row["fixture"] for row in downloads(page)["fixtures"]}
    assert names == {HOSTILE}


def test_a_formula_is_guarded():
    names = {row["fixture"] for row in downloads(page_of(small_answer(fixture="=1+1")))["fixtures"]}
    assert names == {"'=1+1"}


def isolated():
    """Two hours with 0.6 L/min running, 0.4 of it behind the valve that is closed from 0:40 to 1:20."""
    flow = np.repeat([0.6, 0.2, 0.6], 2400)
    trace = pulsed(flow, pulse_l=0.01, interval_s=1.0)
    steps = [
        Step(start_s=0.0, end_s=2400.0, closed=frozenset()),
        Step(start_s=2400.0, end_s=4800.0, closed=frozenset({HOSTILE})),
        Step(start_s=4800.0, end_s=7200.0, closed=frozenset(), opened=frozenset({HOSTILE})),
    ]
    return fs.disaggregate(trace), isolate(trace, steps)


def test_an_isolation_test_is_shown_when_given():
    result, isolation = isolated()
    page = page_of(result, isolation=isolation)
    assert not [tag for tag, _ in Elements(page).found if tag in {"img", "b"}]
    branches = {row["branch"]: float(row["rate_lpm"]) for row in downloads(page)["branches"]}
    assert branches == pytest.approx({HOSTILE: 0.4, "not located": 0.2, "whole": 0.6}, abs=0.02)
    assert len(downloads(page)["steps"]) == 3
    assert "is not located" in page
    assert "refilling toilet" not in page
    repeated = RepeatedDraws(branches=(HOSTILE,), n_draws=6, draw_l=0.9, per_hour_l=2.7, chance=0.01)
    page = page_of(result, isolation=replace(isolation, repeated=repeated))
    assert not [tag for tag, _ in Elements(page).found if tag in {"img", "b"}]
    assert "2.7 L an hour in short draws" in page
    assert "refilling toilet" in page
    assert "sheet-branches" not in page_of(result)


def test_a_branch_that_no_step_tells_is_said_to_be_open():
    trace = pulsed(np.repeat([0.6, 0.2, 0.2], 2400), pulse_l=0.01, interval_s=1.0)
    steps = [
        Step(start_s=0.0, end_s=2400.0, closed=frozenset()),
        Step(start_s=2400.0, end_s=4800.0, closed=frozenset({"garden"})),
        Step(start_s=4800.0, end_s=4801.0, closed=frozenset({"garden", "barn"})),
    ]
    verdicts = {row[0]: row[-1] for row in branches_sheet(isolate(trace, steps)).rows}
    assert verdicts == {"garden": "leaks", "barn": "these steps leave it open", "not located": "leaks"}


def test_reasons_are_those_that_are_explained(demo):
    from flowsift.report.page.reasons import NO_LABEL, OUTSIDE, reason_columns, reason_words

    columns, words = reason_columns(demo), reason_words(demo)
    for k in range(0, len(demo.events), 7):
        explained = demo.explain(k)
        assert LABELS[columns["label"][k]] == explained.label
        assert columns["sure"][k] == round(100 * explained.probability)
        assert LABELS[columns["next"][k]] == explained.runner_up
        assert columns["next_sure"][k] == round(100 * explained.runner_up_probability)
        outside = sum(OUTSIDE[one.quantity] for one in explained.ranges if not one.inside)
        assert columns["flags"][k] == outside
        fixture = words["fixtures"][columns["who"][k]]
        assert (fixture["fixture"], fixture["uses"]) == (explained.resembles.fixture, explained.resembles.uses)
        usual = words["labels"][columns["label"][k]]["volume_l"]
        assert usual == [explained.ranges[0].spread.low, explained.ranges[0].spread.high]
    assert set(reason_columns(small_answer())["next"]) == {NO_LABEL}


def test_costs_are_said_to_be_left_out_where_there_is_no_tariff(page, demo):
    words = "no tariff was given"
    assert words not in page
    assert words in page_of(demo)


def test_a_home_without_water():
    page = page_of(small_answer(uses=0))
    assert "No water was metered." in page
    assert "Nothing stands out." in page


def test_an_hour_is_told_as_it_is_and_says_nothing_of_a_trickle():
    page = page_of(small_answer(hours=1))
    assert "60 min metered" in page
    assert re.search(r'<p class="big"><span class="in-si">20.0 L</span>.*in 60 min, all water metered', page)
    assert "no trickle" not in page
    assert "In a record this short a constant flow can&#39;t be told from a use" in page
    assert "no two whole days" in page
    assert "Not every hour of the week was seen" in page
    assert "no trickle" in page_of(small_answer())


def test_a_day_is_not_made_of_an_hour():
    hour, days = small_answer(hours=1), small_answer(hours=48)
    assert "a day</th>" in page_of(days)
    assert "a day</th>" not in page_of(hour)
    tariff = parsed_tariff(example_tariff_text())
    assert "a year at this use" in page_of(days, tariff=tariff)
    page = page_of(hour, tariff=tariff)
    assert "a year at this use" not in page
    assert "What it costs is not said: the record is shorter than a day." in page


def test_what_took_most_may_be_the_trickle():
    page = page_of(fs.disaggregate(read_shipped("repaired").trace))
    assert '<p class="big">trickle</p><p>took most: ' in page
    assert re.search(r'<ul class="bars">\s*<li><span class="name">trickle<', page)


def test_units_first_shown(demo):
    assert '<html lang="en" data-units="us">' in page_of(demo, units="us")


def test_a_year_stays_small(demo):
    """A year like the demo's two weeks, repeated: as many uses and as much flow as a busy home has."""
    trace, times = demo.trace, 26
    shift = np.arange(times) * trace.n_cells
    year = fs.Trace(
        start_ns=trace.start_ns,
        interval_ns=trace.interval_ns,
        n_cells=times * trace.n_cells,
        cell=(shift[:, None] + trace.cell).ravel(),
        volume_l=np.tile(trace.volume_l, times),
        gaps=trace.gaps,
        gap_volume_l=trace.gap_volume_l,
        pulse_l=trace.pulse_l,
        timezone=trace.timezone,
    )
    uses = pd.concat(
        [
            demo.events.assign(**{k: demo.events[k] + n * pd.Timedelta(14, "D") for k in ("start", "end")})
            for n in range(times)
        ],
        ignore_index=True,
    )
    result = from_uses(year, pd.DataFrame(uses[["start", "end", "label", "probability", "fixture"]]))
    page = page_of(result)
    assert len(uses) > 20_000
    assert len(page.encode()) < 5_000_000
    packed = [a for tag, a in Elements(page).found if tag == "a" and "data-packed" in a]
    assert {a["download"] for a in packed} == {"events.csv"}
    for address, volume in zip((a["href"] for a in packed), ("volume_l", "volume_gal"), strict=True):
        text = gzip.decompress(base64.b64decode(address.partition(",")[2])).decode()
        rows = list(csv.DictReader(io.StringIO(text)))
        assert len(rows) == len(uses)
        litres = 1.0 if volume == "volume_l" else L_PER_GAL
        assert sum(float(r[volume]) for r in rows) * litres == pytest.approx(result.balance.events_l, rel=1e-5)
