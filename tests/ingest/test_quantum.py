"""The volume of a pulse, found in the values."""

import numpy as np
import pytest

from flowsift.ingest.quantum import estimate_pulse_l
from flowsift.units import L_PER_GAL


def counts(n=2000, seed=0, most=40):
    return np.random.default_rng(seed).integers(1, most, n)


@pytest.mark.parametrize("step", [0.001, 0.1, 1.0, 10.0, 0.01 * L_PER_GAL, 1 / 354 * L_PER_GAL])
@pytest.mark.parametrize("dtype", [np.float64, np.float32])
def test_multiples_of_a_step(step, dtype):
    values = (counts() * step).astype(dtype).astype(np.float64)
    assert estimate_pulse_l(values) == pytest.approx(step, rel=1e-6)


def test_step_smaller_than_every_value():
    assert estimate_pulse_l(0.25 * np.array([7, 9, 12, 12, 7, 15, 20, 9])) == pytest.approx(0.25, rel=1e-9)


def test_values_rounded_to_three_decimals():
    # one pulse is 1 L, written in gallons with three decimals
    values = np.round(counts(most=12) / L_PER_GAL, 3) * L_PER_GAL
    assert estimate_pulse_l(values) == pytest.approx(1.0, rel=2e-3)


@pytest.mark.parametrize("seed", range(5))
def test_smooth_values_have_no_step(seed):
    rng = np.random.default_rng(seed)
    assert estimate_pulse_l(rng.gamma(2.0, 0.05, 3000)) == 0.0


def test_averaged_pulses_have_no_step():
    # a pulse train averaged over windows of changing length
    rng = np.random.default_rng(0)
    values = 0.002 * rng.integers(1, 300, 3000) / rng.integers(7, 60, 3000)
    assert estimate_pulse_l(values.astype(np.float32).astype(float)) == 0.0


@pytest.mark.parametrize(("values", "expected"), [([], 0.0), ([0.0, np.nan, np.inf, -1.0], 0.0), ([0.3, 0.3], 0.3)])
def test_little_to_go_by(values, expected):
    assert estimate_pulse_l(np.array(values)) == expected


def test_a_few_odd_values_do_not_hide_the_step():
    values = 0.5 * counts()
    values[:10] = 0.1234
    assert estimate_pulse_l(values) in (pytest.approx(0.5, rel=1e-3), 0.0)


def test_input_is_not_changed():
    values = 0.1 * counts()
    values.setflags(write=False)
    estimate_pulse_l(values)


def test_the_smallest_values_show_a_step_that_noise_hides_in_large_ones():
    rng = np.random.default_rng(5)
    count = np.minimum(rng.geometric(0.2, 4000), 40)
    values = 0.25 * count * rng.normal(1.0, 0.012, count.size)
    assert estimate_pulse_l(values) == pytest.approx(0.25, rel=5e-3)
    # as many values without a step
    assert estimate_pulse_l(0.25 * rng.exponential(5.0, 4000)) == 0.0
