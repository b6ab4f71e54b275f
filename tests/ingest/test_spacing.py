"""The prevailing spacing of rows."""

import numpy as np
import pytest

from flowsift.ingest.spacing import prevailing_interval_ns

S = 1_000_000_000


def rows(seconds):
    return (np.asarray(seconds, dtype=np.float64) * S).astype(np.int64)


@pytest.mark.parametrize("interval_s", [0.25, 1, 10, 60, 900])
def test_regular_rows(interval_s):
    assert prevailing_interval_ns(rows(np.arange(50) * interval_s)) == round(interval_s * S)


@pytest.mark.parametrize("kept", [0.95, 0.6, 0.3, 0.12])
def test_missing_rows_do_not_change_it(kept):
    rng = np.random.default_rng(0)
    at = np.flatnonzero(rng.random(20_000) < kept)
    assert prevailing_interval_ns(rows(at * 10)) == 10 * S


def test_rows_count_rather_than_time():
    assert prevailing_interval_ns(rows(np.r_[np.arange(500) * 60, 30_000 + np.arange(1000)])) == S
    assert prevailing_interval_ns(rows(np.r_[np.arange(2000) * 60, 120_000 + np.arange(1000)])) == 60 * S


@pytest.mark.parametrize("seed", range(3))
def test_jitter(seed):
    rng = np.random.default_rng(seed)
    for spread in (0.001, 0.02, 0.3):
        assert prevailing_interval_ns(rows(1e6 + np.arange(2000) + rng.uniform(-spread, spread, 2000))) == S
    rough = np.floor(10 * np.arange(2000) + rng.uniform(0, 2, 2000))
    assert prevailing_interval_ns(rows(rough)) == 10 * S


def test_few_irregular_rows():
    assert prevailing_interval_ns(rows([1, 3, 6, 7, 10])) == S
