"""When a flapper leaked: by the refills that follow one another, not by the odd draw that looks like one."""

import numpy as np
import pandas as pd
import pytest
from tests.study.answers import answer, home_uses

from flowsift.study.flushes_spells import spells_of
from flowsift.study.flushes_study import flushes
from flowsift.study.leaks_ledger import leaks

HOUR_S, DAY_S = 3600.0, 86_400.0


def every(wait_s, *, begin_s, stop_s):
    return np.arange(begin_s, stop_s, wait_s)


def test_odd_draws_before_and_after_a_spell_are_none_of_it():
    leaking = every(1200.0, begin_s=5 * DAY_S, stop_s=8 * DAY_S)
    odd = np.array([0.5, 1.7, 4.8, 9.0, 9.2, 12.0]) * DAY_S
    spells = spells_of(np.sort(np.concatenate([leaking, odd])), end_s=12.2 * DAY_S)
    assert spells.member.size == leaking.size
    assert spells.span_s.tolist() == [[5 * DAY_S, 8 * DAY_S]]
    assert not spells.ongoing


def test_a_leak_goes_on_if_the_record_ends_within_its_own_pauses():
    fast = every(600.0, begin_s=0.0, stop_s=DAY_S)
    assert spells_of(fast, end_s=DAY_S + 2 * HOUR_S).ongoing
    assert not spells_of(fast, end_s=DAY_S + 4 * HOUR_S).ongoing
    slow = every(4 * HOUR_S, begin_s=0.0, stop_s=5 * DAY_S)
    assert spells_of(slow, end_s=6 * DAY_S).ongoing
    nightly = np.concatenate([every(1800.0, begin_s=k * DAY_S, stop_s=k * DAY_S + 6 * HOUR_S) for k in range(5)])
    spells = spells_of(nightly, end_s=5 * DAY_S)
    assert spells.ongoing
    assert spells.span_s.tolist() == [[0.0, 5 * DAY_S]]  # a loss a day is a mean over whole days


def test_a_leak_that_comes_and_goes_keeps_all_its_spells():
    first, second = (every(1200.0, begin_s=k * DAY_S, stop_s=(k + 2) * DAY_S) for k in (1, 8))
    spells = spells_of(np.concatenate([first, second]), end_s=14 * DAY_S)
    assert spells.member.size == first.size + second.size
    assert spells.span_s.tolist() == [[DAY_S, 3 * DAY_S], [8 * DAY_S, 10 * DAY_S]]
    assert spells.lasted_s == 4 * DAY_S


@pytest.mark.parametrize("n", [1, 2, 5])
def test_a_few_refills_are_all_that_there_is(n):
    spells = spells_of(np.arange(n) * 0.4 * DAY_S, end_s=5 * DAY_S)
    assert spells.member.tolist() == list(range(n))
    assert spells.lasted_s >= DAY_S


def repaired(spans, *, odd):
    """A home of 21 days whose flapper leaks 0.9 L every 20 minutes, with odd draws under the same name."""
    refills = [(0, m) for a, b in spans for m in range(round(a * 1440), round(b * 1440), 20)]
    draws = [(0, round(d * 1440)) for d in odd]
    leaking = [(day, minute, 1, 0.9, "toilet_leak", "toilet-1") for day, minute in sorted(refills + draws)]
    return answer(21, uses=[*home_uses(21), *leaking]), len(refills)


def test_leaks_and_flushes_date_a_repaired_flapper_alike():
    result, n = repaired([(8.13, 15.4)], odd=(3.5, 6.4, 7.7, 19.5, 19.8, 20.8))
    (line,) = leaks(result).lines
    leak = flushes(result).leak
    start = pd.Timestamp("2024-06-03", tz="UTC")
    assert abs(line.since - (start + pd.Timedelta(8.13, "D"))) < pd.Timedelta(1, "h")
    assert abs(line.until - (start + pd.Timedelta(15.4, "D"))) < pd.Timedelta(1, "h")
    assert (leak.first, leak.n_refills, leak.n_spans) == (line.since, n, 1)
    assert (line.ongoing, line.per_year_l, line.sure) == (False, 0.0, "firm")
    assert line.volume_l == pytest.approx(0.9 * n)
    assert line.per_day_l == pytest.approx(0.9 * 72, rel=0.01)
    assert leak.per_day_while_l == pytest.approx(0.9 * 72, rel=0.03)
    assert leak.every_min == pytest.approx(20.0, rel=0.03)


def test_a_flapper_that_comes_and_goes_loses_as_much_while_it_does():
    result, n = repaired([(1.005, 4), (9.005, 12), (17.005, 21)], odd=())
    (line,) = leaks(result).lines
    assert (line.ongoing, "in 3 spells" in line.reason) == (True, True)
    assert line.volume_l == pytest.approx(0.9 * n)
    assert line.per_day_l == pytest.approx(0.9 * 72, rel=0.01)
    assert flushes(result).leak.per_day_while_l == pytest.approx(0.9 * 72, rel=0.03)


def test_a_leak_of_some_hours_is_not_taken_for_a_day_of_it():
    spells = spells_of(np.arange(42) * 1200.0, end_s=10 * DAY_S)
    assert spells.went_on_s == pytest.approx(14 * HOUR_S)
    assert spells.lasted_s == DAY_S
