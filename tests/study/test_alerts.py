"""Alert levels: false alarms within the allowance, leaks caught, a rule that a stream can evaluate."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.study.answers import answer, home_uses

import flowsift as fs
from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.study.alerts import AlertRule, alarms, alert_levels
from flowsift.study.alerts_blocks import Blocks, ordinary_flow, runs_at, whole_flow

RULE = AlertRule(kind="constant flow", level_lpm=0.5, lasting_s=3600.0, block_s=600.0)


def test_an_alarm_needs_every_block_in_a_row():
    assert RULE.n_blocks == 6
    high, low = 0.5 * 10, 0.49 * 10
    assert alarms(RULE, np.full(6, high)) == [5]
    assert alarms(RULE, np.full(20, high)) == [5]
    assert alarms(RULE, np.array([high] * 5 + [low] + [high] * 5)) == []
    assert alarms(RULE, np.array([high] * 5 + [np.nan] + [high] * 6)) == [11]


@given(st.lists(st.one_of(st.floats(0, 12), st.just(float("nan"))), max_size=80), st.integers(1, 79))
def test_a_stream_in_two_parts_gives_the_same_alarms(volumes, cut):
    row, streamed = 0, []
    for k, volume in enumerate(volumes[:cut] + volumes[cut:]):
        row = RULE.row_after(row, volume)
        if row == RULE.n_blocks:
            streamed.append(k)
    assert streamed == alarms(RULE, np.array(volumes, float))


def test_lost_before_the_alarm():
    assert RULE.lost_before_l(2.0) == pytest.approx(120.0)
    assert RULE.lost_before_l(0.4) == float("inf")


@pytest.mark.parametrize("allowed", [0.0, 1.0, 60.0])
def test_false_alarms_stay_within_the_allowance(allowed):
    plan = alert_levels(answer(21, uses=home_uses(21, showers=6)), false_per_year=allowed)
    for level in plan.tried:
        assert level.false_per_year <= allowed
        assert level.most_per_year > level.false_per_year
    assert plan.constant in plan.tried
    assert plan.high in plan.tried


def test_own_and_published_leaks_are_caught():
    plan = alert_levels(answer(21, uses=home_uses(21), trickle=[(10, 21, 0.5)]))
    own = next(c for c in plan.constant.caught if c.own)
    assert own.after_s <= plan.constant.rule.lasting_s + plan.constant.rule.block_s
    assert own.lost_l == pytest.approx(0.5 * own.after_s / 60)
    published = [c for c in plan.constant.caught if not c.own]
    assert {"leaking toilet", "stuck ice maker"} <= {c.name for c in published}
    assert all(c.source for c in published)
    hose = next(c for c in plan.high.caught if c.name == "hose left on")
    assert np.isfinite(hose.after_s)
    table = plan.table()
    assert table["chosen"].sum() == 2
    assert "level_gpm" in table.in_us_units()


def test_the_leak_itself_does_not_raise_the_level():
    tight = alert_levels(answer(21, uses=home_uses(21)))
    leaking = alert_levels(answer(21, uses=home_uses(21), trickle=[(3, 21, 1.0)]))
    assert leaking.constant.rule == tight.constant.rule


def test_a_burst_is_no_habit():
    quiet, burst = home_uses(14), (6, 190, 1800, 50.0, "irrigation", "zone-1")
    levels, rid = (alert_levels(answer(14, uses=uses)) for uses in (quiet, [*quiet, burst]))
    assert [a.rule for a in rid.tried] == [a.rule for a in levels.tried]
    assert any(c.own and np.isfinite(c.after_s) for c in rid.high.caught)


def test_losses_are_taken_out_and_gaps_are_unknown():
    result = answer(4, uses=home_uses(4), trickle=[(0, 4, 0.2)])
    ordinary, whole = (
        f.volume_l for f in (ordinary_flow(result, block_s=600.0), whole_flow(result.trace, block_s=600.0))
    )
    assert whole.sum() - ordinary.sum() == pytest.approx(4 * 1440 * 0.2)


def test_lasting_flows_by_an_obvious_count():
    blocks = Blocks(start=None, block_s=60.0, volume_l=np.array([0, 5, 5, 0, 0, 3, 4, 3, 0, np.nan, 9, 9, 0.0]))
    assert runs_at(blocks, 2).tolist() == [9.0, 5.0, 3.0]
    assert runs_at(blocks, 3).tolist() == [3.0]
    assert runs_at(blocks, 20).size == 0


def test_errors():
    with pytest.raises(OptionError, match="false_per_year"):
        alert_levels(answer(5), false_per_year=-1.0)
    with pytest.raises(NotEnoughDataError, match=r"2\.0 days"):
        alert_levels(answer(2, uses=home_uses(2)))


@pytest.mark.parametrize("hours", [6, 24])
@pytest.mark.parametrize("days", [3, 60])
def test_intervals_that_are_too_long_are_named(hours, days):
    times_s = np.arange(days * 24 // hours) * hours * 3600.0
    trace = fs.Trace.from_volumes(times_s, np.full(times_s.size, 50.0), 0.1)
    with pytest.raises(NotEnoughDataError, match=f"intervals of {hours} hours are too long"):
        alert_levels(fs.disaggregate(trace))
