"""Isolation tests: branches add up, surges and uses are no leaks, short steps say so."""

import numpy as np
import pytest
from tests.study.traces import pulsed, with_use

from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.report.isolation_text import isolation_sections
from flowsift.study.isolation import REST, isolate
from flowsift.study.isolation_draws import repeated_draws
from flowsift.study.isolation_log import Step, is_off
from flowsift.study.isolation_plan import plan_steps, smallest_visible_lpm, step_minutes
from flowsift.study.isolation_times import aligned_steps, propose_times
from flowsift.units import L_PER_GAL

MINUTES = 30
GPM = L_PER_GAL
TRACE = pulsed(np.zeros(4 * 3600), pulse_l=0.1)


def hunt(rates_lpm, states, *, minutes=MINUTES, pulse_l=0.1, interval_s=1.0, surges=(), uses=(), moved_s=0.0):
    """A trace in which each state (closed branches) lasts so many minutes, and its steps; "" is the rest."""
    per_step = round(minutes * 60 / interval_s)
    levels = [sum(r for name, r in rates_lpm.items() if not (name and is_off(name, frozenset(s)))) for s in states]
    flow = np.repeat(np.array(levels, float), per_step)
    for k in surges:
        flow = with_use(flow, at_s=k * minutes * 60, lasting_s=8, lpm=0.3 * GPM * 60 / 8, interval_s=interval_s)
    for at_s, lasting_s, lpm in uses:
        flow = with_use(flow, at_s=at_s, lasting_s=lasting_s, lpm=lpm, interval_s=interval_s)
    steps = []
    for k, state in enumerate(states):
        opened = frozenset(states[k - 1]) - frozenset(state) if k else frozenset()
        start, end = k * minutes * 60 + (moved_s if k else 0), (k + 1) * minutes * 60
        end += moved_s if k + 1 < len(states) else 0
        steps.append(Step(start_s=start, end_s=end, closed=frozenset(state), opened=opened))
    return pulsed(flow, pulse_l=pulse_l, interval_s=interval_s), tuple(steps)


RATES = {"irrigation": 0.15 * GPM, "softener": 0.04 * GPM, "": 0.09 * GPM}
NESTED = [(), ("irrigation",), ("irrigation", "softener"), ("softener",), ()]


def by_name(result):
    return {leak.name: leak for leak in (*result.branches, result.rest)}


def test_branches_of_015_and_004_gpm_and_the_rest_add_up_to_the_whole():
    # 0.28 gal/min in all: 403 gal a day.
    result = isolate(*hunt(RATES, NESTED, surges=(3, 4), uses=[(400, 120, 6.0), (2500, 240, 8.0), (5000, 60, 5.0)]))
    found = by_name(result)
    assert set(found) == {"irrigation", "softener", REST}
    for name, rate in (("irrigation", 0.15), ("softener", 0.04), (REST, 0.09)):
        assert found[name].low_lpm <= rate * GPM <= found[name].high_lpm
        assert found[name].rate_lpm == pytest.approx(rate * GPM, abs=0.01 * GPM)
        assert found[name].leaks
    parts = sum(leak.rate_lpm for leak in found.values())
    assert parts == pytest.approx(result.total_lpm, rel=1e-12)
    assert result.total_lpm * 1440 / GPM == pytest.approx(403, abs=6)
    assert not result.done
    table = result.table()
    assert table["rate_lpm"].iloc[:-1].sum() == pytest.approx(table["rate_lpm"].iloc[-1])
    assert table["branch"].tolist() == ["irrigation", "softener", REST, "whole"]


def test_a_refill_surge_is_no_leak():
    rates = {"house": 0.0, "": 0.0}
    result = isolate(*hunt(rates, [(), ("house",), ()], surges=(2,)))
    assert result.steps[2].surge_l == pytest.approx(0.3 * GPM, abs=0.15)
    assert result.steps[0].surge_l == 0.0
    assert result.total_lpm == 0.0
    assert result.done


NO_LEAK = {"irrigation": 0.0, "upstairs": 0.0, "house": 0.0, "": 0.0}
ONE_BY_ONE = [(), ("irrigation",), ("irrigation", "upstairs"), ("irrigation", "upstairs", "house")]
REFILLS = [(200 + 1200 * k, 8, 6.75) for k in range(6)]
"""0.9 L every 20 min until the branch is closed after two hours."""


@pytest.mark.parametrize("drip_lpm", [0.0, 0.1])
def test_refills_that_stop_when_a_branch_is_closed_are_told_of_it(drip_lpm):
    rates = NO_LEAK | {"irrigation": drip_lpm}
    result = isolate(*hunt(rates, ONE_BY_ONE, minutes=60, pulse_l=0.038, interval_s=2.0, uses=REFILLS))
    assert [len(m.draws_l) for m in result.steps] == [3, 3, 0, 0]
    assert [m.beyond_l for m in result.steps] == pytest.approx([2.7, 2.7, 0.0, 0.0], abs=0.1)
    assert result.repeated.branches == ("upstairs",)
    assert result.repeated.n_draws == 6
    assert result.repeated.per_hour_l == pytest.approx(2.7, rel=0.1)
    assert result.repeated.sure
    assert not result.done
    table = result.steps_table(TRACE)
    assert table["draws"].tolist() == [3, 3, 0, 0]
    said = "\n".join(line for section in isolation_sections(result, TRACE, units="us") for line in section.lines)
    assert "upstairs: 0.7 gal an hour in short draws" in said
    assert "stopped when it was closed: a refilling toilet?" in " ".join(said.split())
    assert "Done" not in said


def test_refills_of_the_branch_closed_first_and_of_none_are_told():
    first = isolate(*hunt(NO_LEAK, ONE_BY_ONE, minutes=60, pulse_l=0.038, uses=REFILLS[:3]))
    assert first.repeated.branches == ("irrigation",)
    through = [(200 + 1200 * k, 8, 6.75) for k in range(12)]
    assert isolate(*hunt(NO_LEAK, ONE_BY_ONE, minutes=60, pulse_l=0.038, uses=through)).repeated.branches == ()


def test_few_refills_are_no_certainty():
    result = isolate(*hunt(NO_LEAK, ONE_BY_ONE, minutes=20, pulse_l=0.038, uses=[REFILLS[0], REFILLS[1]]))
    assert result.repeated.branches == ("upstairs",)
    assert not result.repeated.sure


@pytest.mark.parametrize(
    "uses",
    [
        [(400, 8, 6.75)],
        [(400, 8, 6.75), (900, 8, 6.75)],  # somebody drew twice, all in one step
        [(400, 60, 6.0), (3000, 60, 6.0)],  # two full flushes
        [(400, 8, 6.75), (3000, 20, 6.0)],
    ],
)
def test_uses_are_not_called_a_refilling_toilet(uses):
    result = isolate(*hunt(NO_LEAK, ONE_BY_ONE, pulse_l=0.038, uses=uses))
    assert sum(len(m.draws_l) for m in result.steps) == len(uses)
    assert result.repeated is None
    assert result.done


def test_a_closed_supply_reads_zero_and_the_hunt_is_done():
    result = isolate(*hunt({"main": 0.28 * GPM, "": 0.0}, [(), ("main",)]))
    assert result.rest.rate_lpm == 0.0
    assert result.done
    assert by_name(result)["main"].rate_lpm == pytest.approx(0.28 * GPM, rel=0.02)


def test_a_branch_behind_another_is_off_with_it():
    rates = {"house/kitchen": 0.3, "house": 0.5, "garden": 0.2, "": 0.0}
    states = [(), ("house/kitchen",), ("house/kitchen", "house"), ("house/kitchen", "house", "garden"), ("house",)]
    found = by_name(isolate(*hunt(rates, states)))
    for name in ("house/kitchen", "house", "garden"):
        assert found[name].low_lpm <= rates[name] <= found[name].high_lpm


def test_branches_closed_together_are_told_together():
    found = by_name(isolate(*hunt({"a": 0.3, "b": 0.4, "": 0.1}, [(), ("a", "b"), ()])))
    assert found["a + b"].rate_lpm == pytest.approx(0.7, rel=0.05)


def test_a_use_that_runs_through_a_step_is_found_out():
    # Irrigation comes on while more is closed: that can't be a leak.
    trace, steps = hunt(RATES, NESTED, uses=[(3600, 1800, 20.0)])
    result = isolate(trace, steps)
    assert [m.used for m in result.steps] == [True, True, False, True, True]
    assert "use ran" in result.steps[2].note
    assert by_name(result)["irrigation"].low_lpm <= RATES["irrigation"] <= by_name(result)["irrigation"].high_lpm


def test_a_short_step_says_so():
    result = isolate(*hunt({"a": 0.05, "": 0.0}, [(), ("a",)], minutes=6, pulse_l=1.0))
    leak = by_name(result)["a"]
    assert not leak.leaks
    assert 30 < leak.minutes < 600
    assert "short" in result.steps[0].note
    with pytest.raises(NotEnoughDataError, match="steps"):
        isolate(*hunt({"a": 0.05, "": 0.0}, [(), ("a",)], minutes=0.5, interval_s=15.0))


def test_a_branch_found_among_several_is_less_sure_than_the_only_one():
    # Eight draws in the three steps in which "a" was open; any other branch could have been the one without.
    draws, hours = [(), (0.9,) * 3, (0.9,) * 3, (0.9,) * 2], np.full(4, 3600.0)
    among = repeated_draws(
        draws, hours, branches=[("a",), ("b",), ("c",), ("d",)], on=~np.eye(4, dtype=bool), pulse_l=0.1
    )
    alone = repeated_draws(draws, hours, branches=[("a",)], on=~np.eye(4, dtype=bool)[:, :1], pulse_l=0.1)
    assert among.branches == alone.branches == ("a",)
    assert among.chance == pytest.approx(4 * 0.75**8)
    assert alone.chance == pytest.approx(0.75**8)


def test_times_stay_in_order():
    # "c" alone leaks, and the others' times, which no flow tells, are written a minute or two late.
    flow = np.repeat([1.0, 0.8], [1260, 240])
    edges = [0.0, 660.0, 1140.0, 1320.0, 1500.0]
    closed = [frozenset("abc"[:k]) for k in range(4)]
    steps = tuple(Step(start_s=a, end_s=b, closed=c) for a, b, c in zip(edges[:-1], edges[1:], closed, strict=True))
    trace = pulsed(flow, pulse_l=0.02, interval_s=1.0)
    fitted, _ = aligned_steps(trace, steps, within_s=300.0)
    assert all(step.end_s - step.start_s > 60 for step in fitted)
    assert {leak.name for leak in isolate(trace, fitted).branches if leak.leaks} == {"c"}


def test_times_at_which_no_flow_changes_stay_as_written():
    # Refills every 20 minutes until "a" is closed: no steady flow anywhere.
    refills = [(600 + 1200 * k, 30, 1.8) for k in range(6)]
    trace, steps = hunt({"": 0.0}, [(), ("b",), ("b", "a"), ("b", "a", "c")], minutes=60, pulse_l=0.04, uses=refills)
    assert aligned_steps(trace, steps, within_s=300.0) == (steps, (0.0,) * 5)


def test_a_branch_that_adds_nothing_asks_for_no_endless_step():
    found = by_name(isolate(*hunt({"a": 0.0, "b": 0.0, "": 0.5}, [(), ("a",), ("a", "b")], minutes=60)))
    for name in ("a", "b"):
        assert found[name].rate_lpm == 0.0
        assert np.isnan(found[name].minutes) or 60 < found[name].minutes < 1440


def test_below_the_starting_flow_as_much_may_hide():
    trace, steps = hunt({"a": 0.4, "": 0.0}, [(), ("a",)])
    assert isolate(trace, steps, starting_lpm=0.2).rest.high_lpm >= 0.2 > isolate(trace, steps).rest.high_lpm


@pytest.mark.parametrize("moved_s", [-200.0, 180.0])
def test_times_that_are_off_are_fitted_to_the_trace(moved_s):
    trace, steps = hunt(RATES, NESTED, surges=(3, 4), moved_s=moved_s)
    fitted, shift = aligned_steps(trace, steps, within_s=300.0)
    assert len(shift) == len(steps) + 1
    found = by_name(isolate(trace, fitted))
    for name, rate in (("irrigation", 0.15), ("softener", 0.04), (REST, 0.09)):
        assert found[name].low_lpm <= rate * GPM <= found[name].high_lpm
    taken, none = aligned_steps(trace, steps, within_s=0.0)
    assert taken == steps
    assert not any(none)


def test_times_are_proposed_where_nothing_was_written():
    trace, steps = hunt(RATES, NESTED[:3])
    found = propose_times(trace, start_s=0.0, end_s=steps[-1].end_s)
    assert [round(p.at_s / 60) for p in found] == pytest.approx([30, 60], abs=1.1)
    assert found[0].before.rate_lpm > found[0].after.rate_lpm > found[1].after.rate_lpm
    assert propose_times(pulsed(np.full(7200, 0.8), pulse_l=0.1), start_s=0, end_s=7200) == ()


@pytest.mark.parametrize("pulse_l", [0.03, 0.3, 3.8])
@pytest.mark.parametrize("rate_gpm", [0.04, 0.15, 0.5])
def test_steps_as_long_as_planned_tell_the_leak(pulse_l, rate_gpm):
    minutes = step_minutes(rate_gpm * GPM, pulse_l=pulse_l)
    result = isolate(*hunt({"a": rate_gpm * GPM, "": 0.0}, [(), ("a",)], minutes=minutes, pulse_l=pulse_l))
    leak = by_name(result)["a"]
    assert leak.leaks
    assert leak.low_lpm <= rate_gpm * GPM <= leak.high_lpm


def test_the_plan_scales_with_pulse_and_rate():
    assert step_minutes(0.1, pulse_l=1.0) > step_minutes(0.2, pulse_l=1.0) > step_minutes(0.2, pulse_l=0.5)
    plan = plan_steps(0.1, pulse_l=0.3, meter_size="5/8 in")
    assert plan.test_flow_lpm == pytest.approx(0.25 * GPM)
    for bad in (0.0, -1.0, float("nan")):
        with pytest.raises(OptionError, match="above 0"):
            step_minutes(bad, pulse_l=0.1)


def test_smallest_visible_flow():
    assert smallest_visible_lpm(pulse_l=1.0, duration_s=7200) == pytest.approx(2.0 / 120)
    assert smallest_visible_lpm(pulse_l=0.001, duration_s=7200, starting_lpm=0.1) == 0.1
    with pytest.raises(OptionError, match="duration_s"):
        smallest_visible_lpm(pulse_l=1.0, duration_s=0.0)
