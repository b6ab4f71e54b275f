"""The answer for a whole trace by what is known of its home, and the same rows fed in any way."""

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.errors import OptionError
from flowsift.households import Trickle, simulate
from flowsift.stream import SettledEvent, Sifter, disaggregate_known, home_from_json, home_to_json, learn_home

DAY_S = 86_400


def two_days(**options):
    """A home as it is learned from a day, and a trace of the day after it."""
    at, volume = simulate(days=2, start="2024-06-10", **options).trace.rows()
    half = at.size // 2
    before, after = (
        fs.Trace.from_volumes(at[part].view("M8[ns]"), volume[part], pulse_l=options.get("pulse_l", 0.03))
        for part in (slice(0, half), slice(half, None))
    )
    return learn_home(before, rules=()), after


def with_gaps(trace):
    """The trace without its first minute and some hours."""
    at, volume = trace.rows()
    keep = np.ones(at.size, bool)
    for start_s, length_s in ((0, 60), (30_000, 9000), (60_000, 30)):
        keep[start_s : start_s + length_s] = False
    return fs.Trace.from_volumes(at[keep].view("M8[ns]"), volume[keep], pulse_l=trace.pulse_l)


LEAK = Trickle(rate_lpm=0.3, from_s=0.3 * DAY_S, to_s=1.6 * DAY_S)


@pytest.fixture(scope="module", params=["usual", "gaps", "a leak, ten seconds", "crowded"])
def case(request, home, day):
    usual = fs.Trace.from_volumes(day[0].view("M8[ns]"), day[1], pulse_l=0.03)
    match request.param:
        case "usual":
            return home, usual
        case "gaps":
            return home, with_gaps(usual)
        case "a leak, ten seconds":
            return two_days(seed=12, interval_s=10.0, leaks=(LEAK,), starting_lpm=0.0)
        case _:
            return two_days(seed=13, people=5, together_per_d=12)


@pytest.fixture(scope="module")
def batch(case):
    return disaggregate_known(case[1], case[0])


def rows(events):
    """Start, end, label, fixture and cycle of settled events, in the order of a table of events; and their volumes."""
    events = sorted(events, key=lambda e: (e.start_ns, e.end_ns))
    return [(e.start_ns, e.end_ns, e.label, e.fixture, e.cycle) for e in events], [e.volume_l for e in events]


def assert_same(notices, batch):
    found, volume_l = rows(n for n in notices if isinstance(n, SettledEvent))
    e = batch.events
    start, end = (e[name].dt.as_unit("ns").astype("int64") for name in ("start", "end"))
    cycle = [None if number is pd.NA else int(number) for number in e["cycle"].astype(object)]
    assert found == list(zip(start, end, e["label"], e["fixture"], cycle, strict=True))
    assert volume_l == pytest.approx(e["volume_l"].tolist(), rel=1e-9)


def test_there_is_something_to_compare(batch):
    assert len(batch.events) > 30


def test_fed_whole(case, batch):
    home, trace = case
    sifter = Sifter(home)
    assert_same([*sifter.feed_ns(*trace.rows()), *sifter.finish()], batch)
    assert sifter.balance.events_l == pytest.approx(batch.balance.events_l, rel=1e-9)
    assert sifter.balance.trickle_l == pytest.approx(batch.balance.trickle_l, rel=1e-9, abs=1e-9)


def test_fed_in_pieces_and_taken_up_again(case, batch):
    home, trace = case
    home = home_from_json(home_to_json(home))
    at, volume = trace.rows()
    longest = at.size // 30
    rng = np.random.default_rng(2)
    sifter, found, k = Sifter(home), [], 0
    while k < at.size:
        n = int(rng.integers(1, longest))
        found += sifter.feed_ns(at[k : k + n], volume[k : k + n])
        k += n
        if rng.random() < 0.2:
            sifter = Sifter.from_json(sifter.to_json(), home)
    assert_same([*found, *sifter.finish()], batch)


def test_the_parts_add_up_and_no_cell_gives_more_than_it_holds(case, batch):
    b = batch.balance
    assert b.metered_l == pytest.approx(case[1].volume_l.sum())
    assert b.events_l + b.trickle_l + b.unexplained_l == pytest.approx(b.metered_l, rel=1e-9)
    assert (batch.unexplained_by_cell_l >= 0).all()


def test_a_trickle_is_in_the_answer():
    home, trace = two_days(seed=12, interval_s=10.0, leaks=(LEAK,), starting_lpm=0.0)
    found = disaggregate_known(trace, home).trickle
    assert found["rate_lpm"].tolist() == pytest.approx([0.3] * len(found), rel=0.05)
    assert found["volume_l"].sum() == pytest.approx(0.3 * 0.6 * DAY_S / 60, rel=0.1)


def test_another_interval_is_refused(home):
    with pytest.raises(OptionError, match=r"5 s.*1 s"):
        disaggregate_known(simulate(3, days=1, interval_s=5.0).trace, home)
