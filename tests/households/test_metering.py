"""The meter against answers known in advance and against a slow meter that counts every pulse."""

from __future__ import annotations

import numpy as np
import pytest

from flowsift.households.metering import Meter, record
from flowsift.households.plumbing import Flows
from flowsift.units import L_PER_GAL

IDEAL = Meter(kind="ideal", starting_lpm=0.0, gain=1.0, pulse_l=0.1, interval_s=1.0)


def flows_of(*entries):
    """Flows from (use, second, volume) entries."""
    entries = sorted(entries, key=lambda e: (e[1], e[0]))
    use, second, volume = (np.array(x) for x in zip(*entries, strict=True)) if entries else ([], [], [])
    n = int(max(use, default=-1)) + 1
    return Flows(
        use=np.asarray(use, np.int64),
        second=np.asarray(second, np.int64),
        volume_l=np.asarray(volume, np.float64),
        start_s=np.zeros(n),
        end_s=np.zeros(n),
    )


def metered(flows, meter, *, leak_lpm=0.0, end_s=3600.0):
    return record(flows, meter, leak_s=np.array([0.0]), leak_lpm=np.array([leak_lpm]), end_s=end_s)


def test_a_trickle_below_a_pulse_a_cell_shows_as_lone_pulses_at_even_spacing():
    out = metered(flows_of(), IDEAL, leak_lpm=0.12)
    assert set(np.diff(out.cell)) <= {49, 50, 51}  # 0.1 L at 0.12 L/min: every 50 s
    np.testing.assert_allclose(out.volume_l, 0.1)
    assert out.cell.size in (71, 72)
    np.testing.assert_allclose(out.trickle_l, out.volume_l)


def test_a_trickle_above_a_pulse_a_cell_fills_every_cell():
    out = metered(flows_of(), IDEAL, leak_lpm=15.0, end_s=600.0)
    assert out.volume_l.sum() == pytest.approx(150.0, abs=0.1)
    assert out.cell.size == 600


def test_nothing_registers_below_the_starting_flow_but_all_is_seen_beside_a_use():
    meter = Meter(starting_lpm=0.2, pulse_l=0.1)
    assert metered(flows_of(), meter, leak_lpm=0.15).cell.size == 0
    out = metered(flows_of(*[(0, s, 0.2) for s in range(100, 200)]), meter, leak_lpm=0.15)
    assert out.trickle_l.sum() == pytest.approx(100 * 0.15 / 60.0, rel=0.1)


def test_a_new_meter_keeps_the_published_limit_and_an_old_one_loses_as_found_in_service():
    # New 5/8 in displacement meter: 95 to 101.5 % at 0.25 gpm, 98.5 to 101.5 % at 2 and 15 gpm (Illinois tit. 83 sec.
    # 600.310, after the AWWA tables). Meters of 25 to 33 years: -46.5 % at 0.25 gpm (Mantilla-Pena et al. 2019).
    flow = np.array([0.25, 2.0, 15.0]) * L_PER_GAL
    new = Meter(starting_lpm=0.15).registered_lpm(flow) / flow
    assert np.all(new >= [0.95, 0.985, 0.985])
    assert np.all(new <= 1.015)
    old = Meter(starting_lpm=0.645).registered_lpm(flow) / flow
    assert old[0] == pytest.approx(1 - 0.465, abs=0.005)
    assert old[1] > 0.985


def slow_meter(entries, leak_lpm, meter, end_s, *, steps_per_s=100):
    """Let water by in small steps, count pulses one by one, and remember whose water went by since the last."""
    n_uses = 1 + max(e[0] for e in entries)
    rate = np.zeros((int(end_s), n_uses + 1))
    for use, second, volume in entries:
        rate[second, use] += volume
    rate[:, -1] = leak_lpm / 60.0
    level, water = 0.0, np.zeros(n_uses + 1)
    cells: dict[int, np.ndarray] = {}
    for second in range(int(end_s)):
        for step in range(steps_per_s):
            water = water + rate[second] / steps_per_s
            level += rate[second].sum() / steps_per_s
            if level >= meter.pulse_l - 1e-12:
                level -= meter.pulse_l
                cell = int((second + step / steps_per_s) // meter.interval_s)
                cells[cell] = cells.get(cell, np.zeros(n_uses + 1)) + water
                water = np.zeros(n_uses + 1)
    return cells


@pytest.mark.parametrize("interval_s", [1.0, 5.0, 2.5])
def test_composition_agrees_with_a_slow_meter(interval_s):
    rng = np.random.default_rng(3)
    entries = [(0, s, float(v)) for s, v in zip(range(20, 60), rng.uniform(0.03, 0.2, 40), strict=True)]
    entries += [(1, s, float(v)) for s, v in zip(range(45, 90), rng.uniform(0.02, 0.3, 45), strict=True)]
    meter = Meter(kind="ideal", starting_lpm=0.0, pulse_l=0.5, interval_s=interval_s)
    out = metered(flows_of(*entries), meter, leak_lpm=0.3, end_s=300.0)
    slow = slow_meter(entries, 0.3, meter, 300.0)
    assert out.cell.tolist() == sorted(slow)
    for position, cell in enumerate(out.cell.tolist()):
        for use in (0, 1):
            mine = out.share_l[(out.share_use == use) & (out.share_at == position)].sum()
            assert mine == pytest.approx(slow[cell][use], abs=0.01)
        assert out.trickle_l[position] == pytest.approx(slow[cell][2], abs=0.01)


def test_a_fast_clock_has_more_cells():
    meter = Meter(kind="ideal", starting_lpm=0.0, pulse_l=0.1, drift_ppm=1000.0)
    out = metered(flows_of((0, 3000, 1.0)), meter)
    assert out.n_cells == 3603
    assert set(out.cell) <= {3002, 3003, 3004}


def test_no_flow_gives_an_empty_record():
    out = metered(flows_of(), IDEAL)
    assert out.cell.size == out.share_l.size == out.trickle_l.size == 0
    assert out.n_cells == 3600
