import numpy as np
import pytest

from flowsift.classify.home_clock import NAMES, clock_evidence, count_by_clock
from flowsift.labels import LABELS
from flowsift.units import SECONDS_PER_DAY

SHOWER, FAUCET, HOSE = (LABELS.index(name) for name in ("shower", "faucet", "hose"))
HOUR_S = 3600.0


@pytest.fixture
def home():
    """A week of showers at seven, taps through the day and a hose at six in the evening."""
    hours = np.array([(7.0, SHOWER), *((h, FAUCET) for h in (7.5, 12.0, 13.0, 17.0, 22.0)), (18.0, HOSE)])
    start_s = np.concatenate([hours[:, 0] * HOUR_S + day * SECONDS_PER_DAY for day in range(7)])
    label = np.tile(hours[:, 1].astype(int), 7)
    probability = np.zeros((label.size, len(LABELS)))
    probability[np.arange(label.size), label] = 1.0
    return start_s, probability


def seen_at(home, hour):
    """Return the evidence, by name, of a use of no known label at an hour."""
    row = clock_evidence(count_by_clock(*home), np.array([hour * HOUR_S]), np.zeros((1, len(LABELS))))[0]
    assert row.shape == (len(NAMES),)
    return dict(zip(NAMES, row, strict=True))


def test_a_use_is_compared_with_those_at_its_hour(home):
    morning, evening = seen_at(home, 7.0), seen_at(home, 18.0)
    assert morning["clock_excess_shower"] > 1.5 > -1.0 > evening["clock_excess_shower"]
    assert evening["clock_excess_hose"] > 1.5 > -1.0 > morning["clock_excess_hose"]
    assert np.exp(evening["clock_share_hose"]) == pytest.approx(0.5, abs=0.05)  # a tap at five is near too
    assert morning["clock_near_shower"] == pytest.approx(7 / 8, abs=0.01)
    assert seen_at(home, 19.0)["clock_near_shower"] == pytest.approx(-7 / 8, abs=0.01)
    assert morning["clock_focus_shower"] > morning["clock_focus_faucet"]


def test_another_zone_or_a_night_shift_changes_nothing(home):
    start_s, probability = home
    for later_s in (5 * HOUR_S, 11.5 * HOUR_S, -8 * HOUR_S):
        moved = clock_evidence(count_by_clock(start_s + later_s, probability), start_s + later_s, probability)
        assert moved == pytest.approx(clock_evidence(count_by_clock(*home), *home), abs=1e-9)


def test_morning_and_evening_differ(home):
    morning, evening = seen_at(home, 7.0), seen_at(home, 18.0)
    assert morning["day_sin"] < -0.5
    assert evening["day_sin"] > 0.5
    assert 0.0 < morning["day_focus"] < 1.0


def test_leaving_out_equals_a_count_of_the_others(home):
    start_s, probability = home
    within = clock_evidence(count_by_clock(*home), *home)
    for use in (0, 3, 6):
        others = count_by_clock(np.delete(start_s, use), np.delete(probability, use, axis=0))
        alone = clock_evidence(others, start_s[use : use + 1], np.zeros((1, len(LABELS))))[0]
        # What people use tells the whole home's day, each use of which is a small part.
        assert within[use, 5:] == pytest.approx(alone[5:], abs=1e-9)


def test_a_home_without_any_use_gives_numbers():
    nothing = np.zeros((1, len(LABELS)))
    count = count_by_clock(np.empty(0), np.empty((0, len(LABELS))))
    assert np.isfinite(clock_evidence(count, np.array([-3.0]), nothing)).all()
