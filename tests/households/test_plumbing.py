"""Fixtures share a line: flows dip, regulators hold, fills keep their volume."""

from __future__ import annotations

import numpy as np
import pytest

from flowsift.households.days import days_from
from flowsift.households.plumbing import ServiceLine, run
from flowsift.households.uses import ORIFICE, RESTRICTOR, Use, filled, steady, volume_after

DAYS = days_from("2024-06-03", n=1, timezone="UTC")
CALM = ServiceLine(loss_at_20_lpm=0.1, swing=0.0, flutter=0.0)
NOON = 43_200.0


def use_of(start_s, points, **options):
    t, q = points
    return Use(start_s=start_s, label="faucet", fixture="faucet-1", t_s=t, flow_lpm=q, **options)


def flow_at(flows, use, second):
    here = (flows.use == use) & (flows.second == second)
    return float(flows.volume_l[here].sum()) * 60.0


def run_calm(*uses, line=CALM):
    return run(uses, line, days=DAYS, leak_lpm=0.0, rng=np.random.default_rng(0))


def test_a_fixture_alone_gives_its_own_flow():
    flows = run_calm(use_of(NOON, steady(60.0, 12.0)))
    assert flow_at(flows, 0, int(NOON) + 30) == pytest.approx(12.0, rel=1e-3)


def test_a_second_fixture_makes_the_first_dip_and_a_regulator_holds_better():
    first = steady(120.0, 12.0)
    second = use_of(NOON + 40.3, steady(40.0, 15.0))
    plain = run_calm(use_of(NOON, first, exponent=ORIFICE), second)
    held = run_calm(use_of(NOON, first, exponent=RESTRICTOR), second)
    dip = flow_at(plain, 0, int(NOON) + 60) / 12.0
    held_dip = flow_at(held, 0, int(NOON) + 60) / 12.0
    assert dip < 0.97
    assert dip < held_dip < 0.9999
    assert flow_at(plain, 0, int(NOON) + 20) == pytest.approx(12.0, rel=1e-3)


def test_the_solver_agrees_with_a_plain_solution():
    uses = [use_of(NOON, steady(60.0, 12.0)), use_of(NOON, steady(60.0, 18.0), exponent=RESTRICTOR)]
    flows = run_calm(*uses)
    loss = 0.1 / 400.0
    ask = [12.0 / (1 - loss * 144) ** 0.5, 18.0 / (1 - loss * 324) ** 0.1]
    pressure = np.linspace(0.05, 1.0, 200_001)
    total = ask[0] * pressure**0.5 + ask[1] * pressure**0.1
    best = pressure[np.argmin(np.abs(pressure - (1.0 - loss * total**2)))]
    second = int(NOON) + 30
    assert flow_at(flows, 0, second) == pytest.approx(ask[0] * best**0.5, rel=1e-3)
    assert flow_at(flows, 1, second) == pytest.approx(ask[1] * best**0.1, rel=1e-3)


def test_a_fill_keeps_its_volume_and_takes_longer_at_low_pressure():
    fill = use_of(NOON, filled(20.0, 10.0), by_volume=True)
    timed = use_of(NOON, filled(20.0, 10.0))
    other = use_of(NOON + 10.0, steady(200.0, 25.0))
    alone, shared, by_time = run_calm(fill), run_calm(fill, other), run_calm(timed, other)
    volume = [float(f.volume_l[f.use == 0].sum()) for f in (alone, shared, by_time)]
    assert volume[0] == pytest.approx(20.0, rel=1e-9)
    assert volume[1] == pytest.approx(20.0, rel=1e-9)
    assert volume[2] < 19.0
    assert shared.end_s[0] > alone.end_s[0] + 5.0
    assert by_time.end_s[0] == pytest.approx(NOON + timed.duration_s)


def test_a_pump_makes_pressure_rise_and_fall():
    line = ServiceLine(supply="pump", loss_at_20_lpm=0.02, flutter=0.0, cut_in=0.6, drawdown_l=20.0)
    flows = run_calm(use_of(NOON, steady(900.0, 15.0)), line=line)
    flow = np.array([flow_at(flows, 0, int(NOON) + s) for s in range(20, 880)])
    assert flow.min() / flow.max() < 0.85
    assert np.count_nonzero(np.diff(np.sign(np.diff(flow))) != 0) >= 6


def test_volume_after_is_the_integral_of_straight_pieces():
    use = use_of(0.0, (np.array([0.0, 2.0, 10.0, 30.0]), np.array([0.0, 9.0, 6.0, 0.0])))
    fine = np.linspace(0.0, 30.0, 300_001)
    flow = np.interp(fine, use.t_s, use.flow_lpm) / 60.0
    slow = np.concatenate([[0.0], np.cumsum(0.5 * (flow[1:] + flow[:-1]) * np.diff(fine))])
    at = np.array([-3.0, 0.0, 0.7, 2.0, 5.5, 20.0, 30.0, 99.0])
    np.testing.assert_allclose(volume_after(use, at), np.interp(at, fine, slow), rtol=1e-7, atol=1e-9)
    assert use.volume_l == pytest.approx(slow[-1], rel=1e-7)
