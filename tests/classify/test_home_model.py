"""What repeats in a home outranks what is typical elsewhere."""

import numpy as np
import pytest

from flowsift import Trace, disaggregate
from flowsift.classify.cycles import discount_lone_fills, number_cycles
from flowsift.classify.joining import chain_pieces
from flowsift.classify.modes import Plane, find_modes
from flowsift.classify.naming import name_fixtures
from flowsift.classify.prior import published_prior
from flowsift.labels import LABELS

DAY = 86_400


def made_home(days, *, refill, seed, taps_per_day=25):
    """Meter a home of taps and of one toilet that refills as told (litres, litres per minute), 1 s and 0.01 L."""
    rng = np.random.default_rng(seed)
    flow = np.zeros(days * DAY)
    flushes = []
    for day in range(days):
        for _ in range(taps_per_day):
            start = day * DAY + int(rng.uniform(6.5, 23) * 3600)
            flow[start : start + int(rng.exponential(20)) + 3] += rng.lognormal(1.2, 0.4)
        for _ in range(7):
            start = day * DAY + int(rng.uniform(6.5, 23) * 3600)
            seconds = round(60 * refill[0] * rng.normal(1, 0.01) / refill[1])
            flow[start : start + seconds] += refill[1]
            flushes.append((start, start + seconds))
    total = np.cumsum(flow) / 60
    volume = np.diff(np.floor(total / 0.01 + 1e-9), prepend=0) * 0.01
    cell = np.flatnonzero(volume)
    trace = Trace(
        start_ns=1_709_510_400 * 10**9,
        interval_ns=10**9,
        n_cells=flow.size,
        cell=cell,
        volume_l=volume[cell],
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=0.01,
    )
    return trace, flushes


@pytest.mark.parametrize(
    "refill",
    [
        pytest.param((6.0, 8.0), id="ordinary"),
        pytest.param((10.0, 1.7), id="six minutes"),
        pytest.param((3.8, 5.0), id="one gallon"),
        pytest.param((19.0, 12.0), id="five gallons"),
    ],
)
def test_a_toilet_is_found_by_its_repetition(refill):
    trace, flushes = made_home(10, refill=refill, seed=3)
    answer = disaggregate(trace)
    toilets = answer.fixtures[answer.fixtures["label"] == "flush"].sort_values("uses")
    assert len(toilets) >= 1
    main = toilets.iloc[-1]
    assert main["uses"] == pytest.approx(len(flushes), rel=0.25)
    assert main["typical_volume_l"] == pytest.approx(refill[0], rel=0.05)


def test_a_home_without_toilet_use_gets_no_flushes():
    trace, _ = made_home(7, refill=(6.0, 8.0), seed=4)
    rng = np.random.default_rng(4)
    flow = np.zeros(7 * DAY)
    for day in range(7):
        for _ in range(25):
            start = day * DAY + int(rng.uniform(6.5, 23) * 3600)
            flow[start : start + int(rng.exponential(20)) + 3] += rng.lognormal(1.2, 0.4)
    volume = np.diff(np.floor(np.cumsum(flow) / 60 / 0.01 + 1e-9), prepend=0) * 0.01
    cell = np.flatnonzero(volume)
    bare = Trace(**{**trace.__dict__, "cell": cell, "volume_l": volume[cell]})
    events = disaggregate(bare).events
    assert events.loc[events["label"] == "flush", "volume_l"].sum() < 0.15 * bare.metered_l


def test_modes_stand_out_and_chance_does_not():
    rng = np.random.default_rng(5)
    plane = Plane.of(pulse_l=0.01, interval_s=1.0)
    taps = np.exp(rng.normal([0.2, 1.2], [1.0, 0.4], (1500, 2)))
    assert find_modes(plane.points(taps[:, 0], taps[:, 1])).purity.max(initial=0.0) < np.log(6)
    toilet = [6.0, 8.0] * np.exp(rng.normal(0, 0.02, (60, 2)))
    both = np.concatenate([taps, toilet])
    modes = find_modes(plane.points(both[:, 0], both[:, 1]))
    expected = plane.points(np.array([6.0]), np.array([8.0]))[0]
    assert modes.center[0] == pytest.approx(expected, abs=0.6)
    assert 40 < modes.excess[0] < 120  # a mode tighter than the smoothing counts up to twice


def test_prior_densities_add_up_to_one():
    prior = published_prior()
    v, q = np.meshgrid(np.linspace(-12, 18, 400), np.linspace(-9, 10, 300), indexing="ij")
    density = np.exp(prior.log_density(v.ravel(), q.ravel()))
    area = (30 / 399) * (19 / 299)
    assert density.sum(axis=0) * area == pytest.approx(np.ones(len(LABELS)), rel=0.02)


def test_fills_of_one_load_share_a_cycle():
    washer = LABELS.index("clothes_washer")
    start = np.array([0.0, 600.0, 1500.0, 20_000.0, 20_300.0])
    cycle = number_cycles(start, start + 60, np.full(5, washer))
    assert cycle.tolist() == [1, 1, 1, 2, 2]
    assert number_cycles(start, start + 60, np.full(5, LABELS.index("faucet"))).tolist() == [-1] * 5


def test_a_lone_fill_is_less_likely_a_load():
    washer, faucet = LABELS.index("clothes_washer"), LABELS.index("faucet")
    probability = np.zeros((3, len(LABELS)))
    probability[:, washer], probability[:, faucet] = 0.7, 0.3
    start = np.array([0.0, 600.0, 50_000.0])
    adjusted = discount_lone_fills(start, start + 60, probability)
    assert adjusted[:2, washer] == pytest.approx(0.7)
    assert adjusted[2, washer] < 0.5
    assert adjusted.sum(axis=1) == pytest.approx(1.0)


def test_pieces_chain_over_short_pauses_at_like_flow():
    start = np.array([0.0, 15.0, 18.0, 40.0, 300.0])
    end = np.array([10.0, 17.0, 30.0, 50.0, 310.0])
    flow = np.array([5.0, 12.0, 5.2, 5.1, 5.0])
    chain = chain_pieces(start, end, flow, flow, longest_pause_s=10.0, alike=1.3)
    assert chain.tolist() == [0, 1, 0, 0, 2]


def test_a_dual_flush_toilet_is_one_fixture_and_another_volume_is_two():
    flush = LABELS.index("flush")
    volume = np.r_[np.full(10, 6.0), np.full(10, 3.5), np.full(10, 9.0)]
    flow = np.r_[np.full(20, 8.0), np.full(10, 4.0)]
    names = name_fixtures(np.full(30, flush), np.repeat([0, 1, 2], 10), volume, flow)
    assert names[0] == names[10] != names[20]
    assert set(names) == {"toilet-1", "toilet-2"}
