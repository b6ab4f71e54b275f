from itertools import pairwise

import numpy as np
import pytest

from flowsift.households import simulate
from flowsift.households.recomposed import MOST_FILLS, recomposed
from flowsift.households.uses import Use, filled
from flowsift.standards import typical_ranges


def loads(label, *, n=10, every_s=4 * 3600.0):
    """Loads of three equal fills."""
    published = typical_ranges()[label]
    t_s, flow_lpm = filled(published.volume_l.typical, published.flow_lpm.typical)
    return [
        Use(start_s=every_s * k + 900.0 * i, label=label, fixture=label, t_s=t_s, flow_lpm=flow_lpm, cycle=k)
        for k in range(n)
        for i in range(3)
    ]


@pytest.mark.parametrize("label", sorted(MOST_FILLS))
def test_fills_keep_to_what_is_published(label):
    published = typical_ranges()[label]
    sizes, whole_l = set(), sum(use.volume_l for use in loads(label))
    for seed in range(100):
        fills = recomposed(loads(label), rng=np.random.default_rng(seed))
        sizes.add(max(sum(use.cycle == k for use in fills) for k in range(10)))
        for use in fills:
            assert published.volume_l.low * (1 - 1e-6) <= use.volume_l <= published.volume_l.high * (1 + 1e-6)
            assert use.flow_lpm.max() <= published.flow_lpm.high * 1.01
        assert 0.3 * whole_l < sum(use.volume_l for use in fills) < 2.0 * whole_l
    assert min(sizes) <= 2
    assert max(sizes) >= MOST_FILLS[label] - 1


def test_a_machine_that_ran_once_still_runs():
    once = loads("clothes_washer", n=1)
    runs = [recomposed(once, rng=np.random.default_rng(seed)) for seed in range(3000)]
    assert all(runs)
    # The fills of few would all be left out.
    assert 0 < sum(fills[0] is once[0] for fills in runs) < 30


def test_a_machine_runs_one_load_at_a_time():
    for seed in range(50):
        fills = recomposed(loads("clothes_washer", every_s=1800.0), rng=np.random.default_rng(seed))
        for use, later in pairwise(fills):
            assert use.start_s + use.duration_s < later.start_s
            assert use.cycle <= later.cycle


def test_loads_of_one_machine_are_alike():
    alike, unlike = [], []
    for seed in range(40):
        one, other = (recomposed(loads("clothes_washer"), rng=np.random.default_rng([seed, k])) for k in range(2))
        first, second, foreign = (
            np.sort([u.volume_l for u in fills if u.cycle == k]) for fills, k in ((one, 0), (one, 1), (other, 0))
        )
        alike.append(abs(first[-1] - second[-1]) / first[-1])
        unlike.append(abs(first[-1] - foreign[-1]) / first[-1])
    assert np.median(alike) < 0.5 * np.median(unlike)


def test_varied_homes_have_machines_of_their_own():
    def sizes(spread):
        events = [simulate(seed, days=7, spread=spread).truth.events for seed in range(6)]
        washing = [table[table["label"] == "clothes_washer"] for table in events]
        return [table.groupby("cycle").size().median() for table in washing if len(table)]

    assert sizes(0.2) != sizes(0.0)
