"""A register that falls: faults are few, back-flow is little water, and volumes or flows are neither."""

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.households import read_shipped
from flowsift.ingest.falls import falls_seldom


def heated(step_l, back_l=0.4):
    """Readings every 10 s of a home whose heater pushes water back for ten minutes after each long draw."""
    flow = np.zeros(3 * 8640)
    for draw in range(200, flow.size - 2000, 2000):
        flow[draw : draw + 50] = 1.4
        flow[draw + 53 : draw + 113] -= back_l / 60
        flow[draw + 150 : draw + 870] += back_l / 720
    reading = 52_000.0 + np.concatenate([[0.0], np.cumsum(flow)])
    return np.floor(reading / step_l + 1e-6) * step_l


@pytest.mark.parametrize("step_l", [0.001, 0.01, 0.1, 1.0])
def test_back_flow_reads_alike_in_fine_and_coarse_steps(step_l):
    reading = heated(step_l)
    times = pd.date_range("2024-02-05", periods=reading.size, freq="10s", tz="UTC")
    trace = fs.Trace.from_register(times, reading)
    assert trace.volume_l.sum() == pytest.approx(reading[-1] - reading[0], abs=2 * step_l)


def test_back_flow_is_judged_by_its_volume():
    assert falls_seldom(np.tile([1.0, 1.0, -0.15], 100))
    assert not falls_seldom(np.tile([1.0, 1.0, -0.3], 100))


@pytest.mark.parametrize("every_s", [1, 60, 900, 3600])
@pytest.mark.parametrize("per_min", [False, True])
@pytest.mark.parametrize("name", ["demo", "repaired"])
def test_volumes_and_flows_are_no_register(name, every_s, per_min):
    trace = read_shipped(name).trace
    volume = np.zeros(trace.n_cells)
    volume[trace.cell] = trace.volume_l
    cells = max(round(every_s / trace.interval_s), 1)
    values = volume[: volume.size // cells * cells].reshape(-1, cells).sum(axis=1)
    assert not falls_seldom(np.diff(values * 60 / (cells * trace.interval_s) if per_min else values))


def test_faults_may_be_few():
    change = np.full(100, 0.5)
    change[[3, 50, 80]] = -8.0
    assert falls_seldom(change)  # noise, as before: few, whatever they take
    change[::3] = -8.0
    assert not falls_seldom(change)
    assert falls_seldom(np.array([0.5, 0.5, -52_000.0, 0.5]))
