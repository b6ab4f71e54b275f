import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.ingest.carried_zone import carried_zone
from flowsift.readers import large
from flowsift.report.account import water_account
from flowsift.report.account_text import account_sections


@pytest.mark.parametrize(
    ("written", "name"),
    [
        ("", "UTC"),
        ("Z", "UTC"),
        ("UTC", "UTC"),
        ("+00:00", "UTC"),
        ("-07:00", "Etc/GMT+7"),
        ("+0200", "Etc/GMT-2"),
        ("+02", "Etc/GMT-2"),
        ("+14:00", "Etc/GMT-14"),
        ("+05:30", "UTC"),
        ("-13:00", "UTC"),
        ("America/Denver", "America/Denver"),
        ("no zone", "UTC"),
    ],
)
def test_a_written_zone_has_a_name_in_the_tz_database(written, name):
    assert carried_zone(written)[0] == name


@pytest.mark.parametrize("written", ["-07:00", "+05:30", "America/Denver"])
def test_a_carried_zone_is_said(written):
    (finding,) = carried_zone(written)[1]
    assert finding.kind == "assumption"
    assert written in finding.treatment


def test_an_offset_points_the_same_way_as_the_zone_that_stands_for_it():
    at = pd.Timestamp("2025-01-01 00:00-07:00").tz_convert(carried_zone("-07:00")[0])
    assert at.hour == 0


@pytest.fixture
def written(tmp_path):
    """Writes 2,000 rows of ten seconds from a Denver midnight, as CSV with offsets or Parquet with the zone's name."""
    times = pd.date_range("2025-06-01", periods=2000, freq="10s", tz="America/Denver")
    table = pd.DataFrame({"time": times, "volume_l": np.where(np.arange(2000) % 50 < 10, 0.5, 0.0)})

    def write(form):
        path = tmp_path / f"meter.{form}"
        if form == "csv":
            table.to_csv(path, index=False)
        else:
            table.to_parquet(path)
        return path

    return write


@pytest.mark.parametrize("by_blocks", [False, True])
@pytest.mark.parametrize(("form", "name"), [("csv", "Etc/GMT+6"), ("parquet", "America/Denver")])
def test_days_are_told_in_the_zone_that_times_carry(written, monkeypatch, form, name, by_blocks):
    if by_blocks:
        monkeypatch.setattr(large, "LARGE_BYTES", 1)
    trace = fs.read_trace(written(form))
    assert trace.timezone == name
    assert trace.start == pd.Timestamp("2025-06-01 06:00", tz="UTC")
    assert [finding.what for finding in trace.findings].count("time zone") == 1
    assert fs.read_trace(written(form), timezone="Europe/Rome").timezone == "Europe/Rome"


def test_an_offset_is_written_with_the_sign_that_people_use(written):
    account = water_account(fs.disaggregate(fs.read_trace(written("csv"))))
    assert account_sections(account)[0].lines[0].strip() == "2025-06-01 00:00 to 2025-06-01 05:33, UTC-06:00"


def test_a_time_that_somebody_wrote_is_read_at_the_offset(written):
    trace = fs.read_trace(written("csv"))
    first, stop = trace.cells_between("2025-06-01 00:00", "2025-06-01 00:10")
    assert (first, stop) == (0, 60)


@pytest.mark.parametrize(
    ("zone", "name"),
    [("America/Denver", "America/Denver"), ("UTC", "UTC"), ("-07:00", "Etc/GMT+7"), ("+05:30", "UTC"), (None, "UTC")],
)
def test_datetimes_bring_their_zone_along(zone, name):
    times = pd.date_range("2025-06-01", periods=60, freq="1min", tz=zone)
    volume = np.where(np.arange(60) % 7 == 0, 0.5, 0.0)
    for given in (times, pd.Series(times)):
        assert fs.Trace.from_volumes(given, volume).timezone == name
        assert fs.Trace.from_flow(given, volume).timezone == name
        assert fs.Trace.from_register(given, np.cumsum(volume)).timezone == name
        assert fs.Trace.from_pulses(given, 0.5).timezone == name
        assert fs.Trace.from_volumes(given, volume, timezone="Europe/Rome").timezone == "Europe/Rome"
    assert fs.Trace.from_volumes(times, volume).start_ns == times[0].value
    assert fs.Trace.from_volumes([float(k) for k in range(60)], volume).timezone == "UTC"
