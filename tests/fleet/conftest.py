"""A small data set of many homes, and a cluster of threads in this process."""

import numpy as np
import pandas as pd
import pytest
from tests.cli.conftest import run  # noqa: F401  (a fixture)

DAY = 8_640  # cells of 10 s


@pytest.fixture(scope="session")
def cluster():
    """Address of a Dask cluster of two single threads in this process."""
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=False,
        dashboard_address="127.0.0.1:0",
        scheduler_kwargs={"dashboard": False},
    ) as running:
        yield running.scheduler_address


def log_of(number, *, days=1):
    """Rows of one home's meter: flushes of a volume of its own, a shower, a trickle in every third home."""
    volume = np.zeros(days * DAY)
    # At no regular times: a refill every two hours around the clock would be a leaking flapper's.
    at = np.random.default_rng(number).choice(np.r_[2_400:3_900:60, 4_100:8_200:60], 12, replace=False)
    for start in at:
        volume[start : start + 6] = 0.9 + 0.05 * (number % 7)
    volume[4_000:4_030] = 1.5
    if number % 3 == 0:
        volume[1_000:1_900:3] += 0.1
    times = pd.date_range("2024-05-01", periods=volume.size, freq="10s", tz="UTC")
    return pd.DataFrame({"time": times, "volume_l": volume})


@pytest.fixture
def write_homes(tmp_path):
    """Write a partitioned data set, one part a home; gives its folder."""

    def write(*homes, folder="meters", rows=None):
        for number, home in enumerate(homes):
            place = tmp_path / folder / f"home={home}"
            place.mkdir(parents=True)
            log_of(number).iloc[:rows].to_parquet(place / "part-0.parquet")
        return tmp_path / folder

    return write


def content(folder):
    """Every file below a folder, as bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()
    }
