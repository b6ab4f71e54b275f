"""Files of every common form go in, the same trace comes out; what is broken is named, what is unknown is asked for."""

import gzip
import os
from pathlib import Path

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import flowsift as fs
from flowsift.units import L_PER_FT3, L_PER_GAL

N = 600
STAMPS = pd.date_range("2024-03-05 06:00", periods=N, freq="s")
RNG = np.random.default_rng(7)
PULSES = np.where((np.arange(N) % 97 > 5) & (np.arange(N) % 97 < 40), RNG.integers(0, 4, N), 0)
VOLUME = np.round(PULSES * 0.1, 3)
REFERENCE = fs.Trace.from_volumes(STAMPS, VOLUME)


def text_of(times, values, header="time,volume_l", sep=",", decimal="."):
    rows = [] if header is None else [header]
    rows += [f"{t}{sep}{str(v).replace('.', decimal)}" for t, v in zip(times, values, strict=True)]
    return "\n".join(rows) + "\n"


def write(path, text, encoding="utf-8"):
    path.write_bytes(text.encode(encoding))
    return path


def same(trace, reference=REFERENCE, rtol=1e-12):
    assert (trace.start_ns, trace.interval_ns, trace.n_cells) == (
        reference.start_ns,
        reference.interval_ns,
        reference.n_cells,
    )
    np.testing.assert_array_equal(trace.cell, reference.cell)
    np.testing.assert_allclose(trace.volume_l, reference.volume_l, rtol=rtol, atol=0)
    np.testing.assert_array_equal(trace.gaps, reference.gaps)


def said(trace, kind="assumption"):
    return {f.what: f.treatment for f in trace.findings if f.kind == kind}


# layouts of text


@pytest.mark.parametrize(
    ("header", "sep", "decimal", "options"),
    [
        ("timestamp,volume_l", ",", ".", {}),
        ("Zeit;Verbrauch [L]", ";", ",", {}),
        ("time\tVolume (L)", "\t", ".", {}),
        ("time\tVolume (L)", "\t", ",", {}),
        ("time|litres", "|", ".", {}),
        (None, ",", ".", {"unit": "L"}),
        (None, ";", ",", {"unit": "L"}),
        ("# a logger\n\ntime,volume_l", ",", ".", {}),
        ("Logger 17\nwritten, read, sent on 14.06.2024\n\n\nserial,4711,\ntime,volume_l", ",", ".", {}),
        ("\nWasserzähler;Nr.;17\nExport 2024-06-14\n\nZeit;Verbrauch [L]", ";", ",", {}),
        ("when,value", ",", ".", {"unit": "L", "time_column": "when", "value_column": "value"}),
        ("when,value", ",", ".", {"unit": "L", "time_column": 1, "value_column": "2"}),
        ("a~volume_l", "~", ".", {"delimiter": "~"}),
    ],
)
def test_delimiters_headers_and_decimals(tmp_path, header, sep, decimal, options):
    path = write(tmp_path / "meter.csv", text_of(STAMPS, VOLUME, header, sep, decimal))
    same(fs.read_trace(path, **options))


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings_and_line_ends(tmp_path, encoding, ending):
    text = text_of(STAMPS, VOLUME, "Zeit für alle,volume_l")
    path = tmp_path / "meter.csv"
    path.write_bytes(text.replace("\n", ending).encode(encoding))
    same(fs.read_trace(path))


@pytest.mark.parametrize("name", ["meter.csv.gz", "meter.gz", "meter.dat"])
def test_gzip_is_recognised_by_content(tmp_path, name):
    path = tmp_path / name
    path.write_bytes(gzip.compress(text_of(STAMPS, VOLUME).encode()))
    same(fs.read_trace(path))


@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_pyarrow_opens_no_text_file_itself(tmp_path, monkeypatch, pack):
    # A thread of its may read on after the file is closed, and then takes the bytes of whatever file is opened next.
    def refused(*_, **__):
        raise AssertionError("pyarrow opens the file itself")

    path = tmp_path / "meter.csv"
    path.write_bytes(pack(text_of(STAMPS, VOLUME).encode()))
    for name in ("input_stream", "OSFile", "memory_map"):
        monkeypatch.setattr(pa, name, refused)
    same(fs.read_trace(path))


def test_titles_left_out_are_said(tmp_path):
    trace = fs.read_trace(write(tmp_path / "m.csv", "Logger 17\n\nof 2024\n" + text_of(STAMPS, VOLUME)))
    same(trace)
    assert said(trace)["columns"].endswith("Left out: 2 lines above the header.")


def test_a_title_with_as_many_fields_as_the_header_stands_above_a_blank_line(tmp_path):
    trace = fs.read_trace(write(tmp_path / "m.csv", "Logger 17,cellar\n\n" + text_of(STAMPS, VOLUME)))
    same(trace)
    assert said(trace)["columns"].endswith("Left out: 1 line above the header.")


def test_a_blank_line_under_the_header_parts_it_from_nothing(tmp_path):
    header, _, rows = text_of(STAMPS, VOLUME).partition("\n")
    trace = fs.read_trace(write(tmp_path / "m.csv", f"{header}\n\n{rows}"))
    same(trace)
    assert "Left out" not in said(trace)["columns"]


@pytest.mark.parametrize("parquet", [False, True])
def test_rows_of_empty_fields_are_left_out_and_the_others_keep_their_numbers(tmp_path, parquet):
    def read(times, values):
        frame = pd.DataFrame({"time": pd.to_datetime(pd.Series(times)), "volume_l": values, "note": "kept"})
        path = tmp_path / ("m.parquet" if parquet else "m.csv")
        frame.to_parquet(path) if parquet else frame.to_csv(path, index=False)
        return fs.read_trace(path)

    times, values = [*STAMPS[:50], None, *STAMPS[50:], None], [*VOLUME[:50], None, *VOLUME[50:], None]
    trace = read(times, values)
    same(trace)
    assert [f.count for f in trace.findings if f.what == "empty rows"] == [2]
    values[60] = np.inf
    with pytest.raises(fs.InputError, match=f"row {61 if parquet else 62}, .*found inf"):
        read(times, values)
    with pytest.raises(fs.InputError, match=f"row {51 if parquet else 52}, .*found an empty time"):
        read(times, [*VOLUME[:50], 0.5, *VOLUME[50:], None])


def test_quoted_fields(tmp_path):
    rows = "".join(f'"{t}","{v}"\n' for t, v in zip(STAMPS, VOLUME, strict=True))
    same(fs.read_trace(write(tmp_path / "m.csv", '"time","volume_l"\n' + rows)))


def test_other_columns_are_ignored_and_said(tmp_path):
    frame = pd.DataFrame({"id": 7, "time": STAMPS, "temperature": 12.5, "volume_l": VOLUME, "note": "ok"})
    frame.to_csv(tmp_path / "m.csv", index=False)
    trace = fs.read_trace(tmp_path / "m.csv")
    same(trace)
    assert "Ignored: id, temperature, note." in said(trace)["columns"]


def test_date_and_time_in_two_columns(tmp_path):
    frame = pd.DataFrame({"date": STAMPS.strftime("%Y-%m-%d"), "time": STAMPS.strftime("%H:%M:%S"), "volume_l": VOLUME})
    frame.to_csv(tmp_path / "m.csv", index=False)
    same(fs.read_trace(tmp_path / "m.csv"))


# layouts of times


@pytest.mark.parametrize(
    ("layout", "options"),
    [
        ("%Y-%m-%d %H:%M:%S", {}),
        ("%Y-%m-%dT%H:%M:%S", {}),
        ("%Y-%m-%dT%H:%M:%SZ", {}),
        ("%Y-%m-%dT%H:%M:%S.000000", {}),
        ("%Y/%m/%d %H:%M:%S", {}),
        ("%Y%m%d%H%M%S", {}),
        ("%d.%m.%Y %H:%M:%S", {}),
        ("%d/%m/%Y %H:%M:%S", {"day_first": True}),
        ("%m/%d/%Y %H:%M:%S", {"day_first": False}),
        ("%m/%d/%Y %I:%M:%S %p", {"day_first": False}),
        ("%m/%d/%y %I:%M:%S %p", {"day_first": False}),
        ("%d-%b-%Y %H:%M:%S", {}),
        ("%b %d %Y %I:%M:%S %p", {}),
    ],
)
def test_layouts_of_times(tmp_path, layout, options):
    same(fs.read_trace(write(tmp_path / "m.csv", text_of(STAMPS.strftime(layout), VOLUME)), **options))


@pytest.mark.parametrize("per_s", [1, 1e3, 1e6, 1e9], ids=["s", "ms", "us", "ns"])
def test_epoch_times(tmp_path, per_s):
    numbers = STAMPS.as_unit("ns").asi8 // int(1e9 / per_s)
    trace = fs.read_trace(write(tmp_path / "m.csv", text_of(numbers, VOLUME, "ts,volume_l")))
    same(trace)
    assert "since 1970" in said(trace)["epoch times"]


def test_day_order_is_resolved_by_a_number_above_twelve(tmp_path):
    stamps = pd.date_range("2024-03-11 23:55", periods=N * 3, freq="min")
    volume = np.tile(VOLUME, 3)
    reference = fs.Trace.from_volumes(stamps, volume)
    same(fs.read_trace(write(tmp_path / "a.csv", text_of(stamps.strftime("%d/%m/%Y %H:%M"), volume))), reference)
    same(fs.read_trace(write(tmp_path / "b.csv", text_of(stamps.strftime("%m/%d/%Y %H:%M"), volume))), reference)


def test_day_order_is_asked_for(tmp_path):
    path = write(tmp_path / "m.csv", text_of(STAMPS.strftime("%d/%m/%Y %H:%M:%S"), VOLUME))
    with pytest.raises(fs.InputError, match="--day-first"):
        fs.read_trace(path)


def test_each_row_may_have_its_own_offset(tmp_path):
    zones = ["UTC", "America/Denver", "Asia/Kathmandu"]
    texts = [t.tz_localize("UTC").tz_convert(zones[i % 3]).isoformat() for i, t in enumerate(STAMPS)]
    same(fs.read_trace(write(tmp_path / "m.csv", text_of(texts, VOLUME))))


def test_naive_times_are_utc_and_that_is_said(tmp_path):
    path = write(tmp_path / "m.csv", text_of(STAMPS, VOLUME))
    assert "UTC" in said(fs.read_trace(path))["time zone"]
    trace = fs.read_trace(path, timezone="America/Denver")
    assert trace.start == pd.Timestamp("2024-03-05 13:00", tz="UTC")
    assert trace.timezone == "America/Denver"
    assert "time zone" not in said(trace)


@pytest.mark.parametrize(
    ("start", "freq", "zone"),
    [
        ("2024-11-02 12:00", "10s", "America/Denver"),
        ("2024-11-02 12:00", "1h", "America/Denver"),
        ("2024-03-09 12:00", "10s", "America/Denver"),
        ("2024-04-06 00:00", "10s", "Australia/Lord_Howe"),
        ("2024-10-05 00:00", "10s", "Australia/Lord_Howe"),
    ],
)
def test_local_time_through_daylight_saving(tmp_path, start, freq, zone):
    step = pd.Timedelta(freq)
    instants = pd.date_range(pd.Timestamp(start, tz=zone), periods=int(pd.Timedelta("40h") / step), freq=step)
    volume = np.resize(VOLUME, len(instants))
    path = write(tmp_path / "m.csv", text_of(instants.tz_localize(None), volume))
    trace = fs.read_trace(path, timezone=zone)
    same(trace, fs.Trace.from_volumes(instants, volume))
    repeats = instants.tz_localize(None).duplicated().any()
    assert ("local times that come twice" in said(trace)) == repeats


def test_local_times_that_do_not_exist(tmp_path):
    # a clock that was set an hour late: wall times run through the hour that daylight saving skips
    stamps = pd.date_range("2024-03-10 01:00", "2024-03-10 02:29:59", freq="s")
    trace = fs.read_trace(
        write(tmp_path / "m.csv", text_of(stamps, np.resize(VOLUME, len(stamps)))), timezone="America/Denver"
    )
    assert "local times that don't exist" in said(trace, "fault")
    assert trace.n_cells == len(stamps)
    assert len(trace.gaps) == 0


# kinds and units


@pytest.mark.parametrize(
    ("name", "litres"),
    [
        ("volume_l", 1), ("Volume (L)", 1), ("ml", 1e-3), ("volume_mL", 1e-3), ("consumption [m3]", 1e3),
        ("consumption m³", 1e3), ("volume_gal", L_PER_GAL), ("US gallons", L_PER_GAL), ("volumeGal", L_PER_GAL),
        ("usage (cubic feet)", L_PER_FT3), ("ft3", L_PER_FT3), ("CCF", 100 * L_PER_FT3),
        ("Flow (L/min)", 1 / 60), ("flow_lpm", 1 / 60), ("L/s", 1), ("flow l_per_s", 1), ("mL/s", 1e-3),
        ("flow [L/h]", 1 / 3600), ("m3/h", 1000 / 3600), ("gpm", L_PER_GAL / 60), ("flow_gpm", L_PER_GAL / 60),
        ("gal/h", L_PER_GAL / 3600), ("Flow rate (gallons per minute)", L_PER_GAL / 60), ("cfm", L_PER_FT3 / 60),
    ],
)  # fmt: skip
def test_units_are_read_from_names(tmp_path, name, litres):
    numbers = PULSES * 0.1 / litres
    frame = pd.DataFrame({"time": STAMPS, name: numbers})
    frame.to_csv(tmp_path / "m.csv", index=False)
    trace = fs.read_trace(tmp_path / "m.csv")
    same(trace)
    assert "unit" in said(trace)
    assert "kind" in said(trace)


@pytest.mark.parametrize("unit", ["L", "mL", "m3", "gal", "ft3", "CCF"])
def test_a_unit_given_wins_and_is_kept(tmp_path, unit):
    litres = {"L": 1, "mL": 1e-3, "m3": 1e3, "gal": L_PER_GAL, "ft3": L_PER_FT3, "CCF": 100 * L_PER_FT3}[unit]
    frame = pd.DataFrame({"time": STAMPS, "value": PULSES * 0.1 / litres})
    frame.to_csv(tmp_path / "m.csv", index=False)
    trace = fs.read_trace(tmp_path / "m.csv", unit=unit)
    same(trace)
    assert trace.unit == unit


@pytest.mark.parametrize("unit", ["L/min", "gpm", "m3/h", "cfm"])
def test_a_rate_makes_it_a_flow(tmp_path, unit):
    per_min = {"L/min": 1, "gpm": L_PER_GAL, "m3/h": 1000 / 60, "cfm": L_PER_FT3}[unit]
    frame = pd.DataFrame({"time": STAMPS, "value": PULSES * 6.0 / per_min})
    frame.to_csv(tmp_path / "m.csv", index=False)
    same(fs.read_trace(tmp_path / "m.csv", unit=unit))


@pytest.mark.parametrize(
    ("header", "options", "expected"),
    [
        ("time,value", {}, "pass --unit"),
        ("time,usage", {}, "known units: L, mL, m3, gal"),
        ("time,flow", {"unit": "gal"}, "gal/min"),
        ("time,volume_l", {"unit": "furlong"}, "known units"),
        ("time,volume_l", {"kind": "temperature"}, "known kinds"),
        ("time,volume_l", {"kind": "volume", "unit": "gpm"}, "--kind flow"),
        ("time,pulses", {}, "--pulse 10L"),
        ("time,volume_l", {"time_column": "zeit"}, "'time', 'volume_l'"),
        ("time,volume_l", {"value_column": "v"}, "--value-column"),
        ("time,volume_l", {"timezone": "Denver"}, "America/Denver"),
        ("time,volume_l", {"absent": "none"}, "'missing' or 'zero'"),
    ],
)
def test_what_is_not_known_is_asked_for(tmp_path, header, options, expected):
    with pytest.raises(fs.OptionError, match=r".") as error:
        fs.read_trace(write(tmp_path / "meter.csv", text_of(STAMPS, VOLUME, header)), **options)
    assert expected in str(error.value)
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("header", "options"),
    [
        ("time,reading_l", {}),
        ("time,Total (L)", {}),
        ("time,value", {"unit": "L"}),
        ("time,x", {"unit": "L", "kind": "register"}),
    ],
)
def test_registers(tmp_path, header, options):
    reading = 10_543 + np.concatenate([[0], np.cumsum(VOLUME)])
    stamps = pd.date_range(STAMPS[0], periods=N + 1, freq="s")
    trace = fs.read_trace(write(tmp_path / "m.csv", text_of(stamps, reading.round(3), header)), **options)
    same(trace, rtol=1e-9)


def test_a_register_in_cubic_metres_over_a_gap(tmp_path):
    stamps = pd.date_range("2024-01-01", periods=500, freq="min")
    reading = 523.25 + np.cumsum(np.resize([0, 0, 0.006, 0, 0.012], 500)).round(3)
    keep = np.r_[0:200, 260:500]
    path = write(tmp_path / "m.csv", text_of(stamps[keep], reading[keep].round(3), "time,reading [m3]"))
    trace = fs.read_trace(path)
    assert trace.unit == "m3"
    assert trace.metered_l == pytest.approx(1000 * (reading[-1] - reading[0]), rel=1e-9)
    assert trace.gap_volume_l.sum() == pytest.approx(1000 * (reading[260] - reading[199]), rel=1e-9)


def test_pulse_times(tmp_path):
    times = STAMPS[np.repeat(np.arange(N), PULSES)] + pd.to_timedelta(RNG.uniform(0, 0.9, PULSES.sum()), unit="s")
    times = times.sort_values().round("ms").unique()
    path = write(tmp_path / "m.csv", "pulse\n" + "".join(f"{t.isoformat()}\n" for t in times))
    with pytest.raises(fs.OptionError, match="--pulse 10L"):
        fs.read_trace(path)
    trace = fs.read_trace(path, pulse_l=0.1)
    assert trace.metered_l == pytest.approx(0.1 * len(times), rel=1e-12)
    with_volume = write(tmp_path / "v.csv", "time,volume_l\n" + "".join(f"{t.isoformat()},0.1\n" for t in times))
    same(fs.read_trace(with_volume), trace)


def test_pulse_counts(tmp_path):
    trace = fs.read_trace(write(tmp_path / "m.csv", text_of(STAMPS, PULSES, "time,pulses")), pulse_l=0.1)
    same(trace)
    assert trace.pulse_l == 0.1
    with pytest.raises(fs.OptionError, match="pulses of no volume"):
        fs.read_trace(tmp_path / "m.csv", pulse_l=0.0)


@pytest.mark.parametrize(
    ("header", "options", "row_unit"),
    [
        ("time,volume_gal", {}, "gal"),
        ("time,flow_lpm", {}, "L/min"),
        ("time,value", {"unit": "m3/h"}, "m3/h"),
        ("time,pulses", {"pulse_l": 0.1}, "pulses"),
        ("time,reading", {"kind": "register", "unit": "L"}, None),
    ],
)
def test_the_unit_of_the_rows_is_kept(tmp_path, header, options, row_unit):
    values = np.cumsum(PULSES) if row_unit is None else PULSES
    assert fs.read_trace(write(tmp_path / "m.csv", text_of(STAMPS, values, header)), **options).row_unit == row_unit


def test_rows_only_when_water_runs(tmp_path):
    keep = VOLUME > 0
    keep[40:560] = False
    stamps = pd.date_range("2024-03-05", periods=30_000, freq="s")[::100].repeat(1)
    stamps = stamps.union(stamps + pd.Timedelta("1s")).union(stamps + pd.Timedelta("2s"))
    path = write(tmp_path / "m.csv", text_of(stamps, np.resize([0.2, 0.3, 0.1, 0.2], len(stamps))))
    with pytest.raises(fs.OptionError, match="--absent zero or --absent missing"):
        fs.read_trace(path)
    zero, missing = fs.read_trace(path, absent="zero"), fs.read_trace(path, absent="missing")
    assert zero.gap_s == 0
    assert missing.gap_s == missing.duration_s - len(stamps)
    assert zero.metered_l == missing.metered_l


# broken files


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "meter.csv: the file is empty"),
        (b"\n\n", "empty"),
        (b"time,volume_l\n", "header and no rows"),
        (bytes(range(256)) * 20, "is binary"),
        (b"\x80\x04\x95" + bytes(50), "is binary"),
        (b"PK\x03\x04" + bytes(50), "zip archive or spreadsheet"),
        (b"\x1f\x8bnonsense", "gzip data is damaged"),
        (b"PAR1nonsense", "damaged Parquet"),
        (b"name,colour\nx,red\ny,blue\n", "no column of times"),
        (b"time,volume_l\n2024-01-01 00:00:00,1\nyesterday,2\n", 'row 3, column "time": found \'yesterday\''),
        (b"time,volume_l\n2024-01-01 00:00:00,1\n\n2024-01-01 00:00:01,x\n", 'row 4, column "volume_l": found \'x\''),
        (b"time,volume_l\n2024-01-01 00:00:00,1\n2024-01-01 00:00:01\n", "row 3: found 1 fields, expected 2"),
        (b"time,volume_l\n2024-01-01 00:00:00,1\n2024-01-01 00:00:01,1,2\n", "row 3: found 3 fields, expected 2"),
        (b"time,volume_l\n2024-01-01 00:00:00,1\n,1\n", 'row 3, column "time"'),
        (b"time,volume_l\n2024-01-01 00:00:00,1\n2024-01-01 00:00:01,-3\n", 'row 3, column "volume_l": found -3'),
        (b"# x\n\ntime,gal\n2024-01-01 00:00:00,1\n\n2024-01-01 00:00:01,-3\n", 'row 6, column "gal": found -3,'),
        (b"time,volume_l\n2024-01-01 00:00:00,1\n2024-01-01 00:00:01,inf\n", 'row 3, column "volume_l": found inf'),
        (b"time,volume_l\n2024-01-01 00:00:00,1\n2024-02-30 00:00:01,1\n", 'row 3, column "time"'),
        (b"time,volume_l\n2024-01-01 00:00:00,1\n", "interval_s"),
        (b"a\n\ntime,gal\n2024-01-01 00:00:00,1\n\n2024-01-01 00:00:01,-3\n", 'row 6, column "gal": found -3,'),
        (b"time;gal\n2024-01-01 00:00:00;1,5\n2024-01-01 00:00:01;1.000,5\n", "row 3, column \"gal\": found '1.000,5'"),
        (b"time;volume_l\n2024-01-01 00:00:00;1,000\n2024-01-01 00:00:01;2,000\n", "--decimal"),
        (b"time,volume_l,other volume_l\n2024-01-01 00:00:00,1,2\n2024-01-01 00:00:01,1,2\n", "--value-column"),
        (b"time,volume_l\n2024-01-01T00:00:00Z,1\n2024-01-01T00:00:01,1\n", "without a zone"),
    ],
)  # fmt: skip
def test_broken_files_give_one_line(tmp_path, content, expected):
    path = tmp_path / "meter.csv"
    path.write_bytes(content)
    with pytest.raises(fs.InputError, match=r".") as error:
        fs.read_trace(path)
    assert expected in str(error.value)
    assert "\n" not in str(error.value)
    assert str(error.value).count("meter.csv") == 1


def test_a_row_broken_far_down_is_found(tmp_path):
    text = text_of(pd.date_range("2024-01-01", periods=200_000, freq="s"), np.zeros(200_000))
    lines = text.splitlines()
    lines[150_000] = lines[150_000] + "?"
    with pytest.raises(fs.InputError, match=r"row 150001, column .volume_l.: found '0\.0\?'"):
        fs.read_trace(write(tmp_path / "m.csv", "\n".join(lines)))


def test_missing_file_directory_and_wrong_names(tmp_path):
    with pytest.raises(fs.InputError, match="no such file"):
        fs.read_trace(tmp_path / "none.csv")
    with pytest.raises(fs.InputError, match="is a directory"):
        fs.read_trace(tmp_path)
    with pytest.raises(fs.InputError, match="isn't gzip"):
        fs.read_trace(write(tmp_path / "m.csv.gz", text_of(STAMPS, VOLUME)))
    with pytest.raises(fs.InputError, match="named as Parquet"):
        fs.read_trace(write(tmp_path / "m.parquet", text_of(STAMPS, VOLUME)))


@pytest.mark.skipif(os.name == "nt" or getattr(os, "geteuid", lambda: 0)() == 0, reason="root may read every file")
def test_a_file_without_permission(tmp_path):
    path = write(tmp_path / "m.csv", text_of(STAMPS, VOLUME))
    path.chmod(0)
    with pytest.raises(fs.InputError, match="no permission"):
        fs.read_trace(path)


def test_truncated_gzip(tmp_path):
    path = tmp_path / "m.csv.gz"
    path.write_bytes(gzip.compress(text_of(STAMPS, VOLUME).encode())[:-30])
    with pytest.raises(fs.InputError, match="gzip data is damaged"):
        fs.read_trace(path)


# Parquet


@pytest.mark.parametrize(
    "times",
    [
        STAMPS,
        STAMPS.tz_localize("UTC").tz_convert("America/Denver"),
        STAMPS.as_unit("us"),
        STAMPS.as_unit("ns").asi8 // 10**9,
        STAMPS.as_unit("ns").asi8 / 1e9,
        STAMPS.strftime("%Y-%m-%dT%H:%M:%S"),
        STAMPS.strftime("%d.%m.%Y %H:%M:%S"),
    ],
    ids=["naive", "zoned", "us", "int", "float", "iso", "dotted"],
)
def test_parquet_times(tmp_path, times):
    pd.DataFrame({"time": times, "volume_l": VOLUME}).to_parquet(tmp_path / "m.parquet", index=False)
    same(fs.read_trace(tmp_path / "m.parquet"))


@pytest.mark.parametrize("kind", [pa.float32(), pa.float64(), pa.int16(), pa.decimal128(9, 3), pa.string()])
def test_parquet_values(tmp_path, kind):
    volume = np.round(VOLUME * 10) if kind == pa.int16() else VOLUME
    values = pa.array([str(v) for v in volume]) if kind == pa.string() else pa.array(volume)
    values = values.cast(kind, safe=False)
    pq.write_table(pa.table({"time": STAMPS, "volume_l": values}), tmp_path / "m.parquet")
    same(fs.read_trace(tmp_path / "m.parquet"), fs.Trace.from_volumes(STAMPS, volume), rtol=1e-6)


def test_parquet_errors(tmp_path):
    pd.DataFrame({"a": ["x", "y"], "b": ["u", "v"]}).to_parquet(tmp_path / "none.parquet")
    with pytest.raises(fs.InputError, match="no column of times"):
        fs.read_trace(tmp_path / "none.parquet")
    pd.DataFrame({"time": STAMPS[:0], "volume_l": []}).to_parquet(tmp_path / "empty.parquet")
    with pytest.raises(fs.InputError, match="no rows"):
        fs.read_trace(tmp_path / "empty.parquet")
    volume = VOLUME.copy()
    volume[4] = np.inf
    pd.DataFrame({"time": STAMPS, "volume_l": volume}).to_parquet(tmp_path / "inf.parquet")
    with pytest.raises(fs.InputError, match=r"inf\.parquet, row 5, column .volume_l.: found inf"):
        fs.read_trace(tmp_path / "inf.parquet")
    whole = tmp_path / "cut.parquet"
    pd.DataFrame({"time": STAMPS, "volume_l": VOLUME}).to_parquet(whole)
    whole.write_bytes(whole.read_bytes()[:-200])
    with pytest.raises(fs.InputError, match="damaged Parquet"):
        fs.read_trace(whole)


def test_empty_parquet_values_are_missing(tmp_path):
    volume = pd.Series(VOLUME).mask(np.arange(N) == 50)
    pd.DataFrame({"time": STAMPS, "volume_l": volume}).to_parquet(tmp_path / "m.parquet")
    np.testing.assert_array_equal(fs.read_trace(tmp_path / "m.parquet").gaps, [[50, 51]])


# invariants


@settings(max_examples=40, deadline=None)
@given(st.lists(st.integers(0, 60), min_size=2, max_size=80), st.sampled_from(["L", "gal", "m3", "ft3"]))
def test_round_trip_in_any_unit(tmp_path_factory, pulses, unit):
    litres = {"L": 1.0, "gal": L_PER_GAL, "m3": 1e3, "ft3": L_PER_FT3}[unit]
    volume = np.array(pulses) * 0.05
    stamps = pd.date_range("2024-03-05", periods=len(pulses), freq="5s")
    path = tmp_path_factory.mktemp("units") / "m.csv"
    pd.DataFrame({"time": stamps, "value": volume / litres}).to_csv(path, index=False)
    trace = fs.read_trace(path, unit=unit, kind="volume")
    same(trace, fs.Trace.from_volumes(stamps, volume))
    assert trace.metered_l == pytest.approx(volume.sum(), rel=1e-12)


@settings(max_examples=150, deadline=None)
@given(st.one_of(st.binary(max_size=300), st.text(max_size=300).map(lambda t: t.encode("utf-8", "replace"))))
def test_no_bytes_crash(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("bytes") / "m.csv"
    path.write_bytes(content)
    try:
        fs.read_trace(path, unit="L")
    except fs.FlowsiftError as error:
        assert "\n" not in str(error).strip()  # noqa: PT017


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.lists(
            st.sampled_from(
                ["2024-01-01", "2024-01-01 00:00:01", "01/02/2024 10:00", "12:30", "1700000000", "1,5", "0.5", "-1", "",
                 "x", "nan", "inf", "1e400", '"', "time", "volume_l", "2024-13-45 99:99", "99999999999999999999"]
            ),
            min_size=1, max_size=3,
        ),
        min_size=1, max_size=12,
    ),
    st.sampled_from([",", ";", "\t"]),
)  # fmt: skip
def test_no_table_crashes(tmp_path_factory, rows, sep):
    path = tmp_path_factory.mktemp("tables") / "m.csv"
    path.write_text("\n".join(sep.join(row) for row in rows), encoding="utf-8")
    try:
        fs.read_trace(path, unit="L", interval_s=1.0)
    except fs.FlowsiftError as error:
        assert "\n" not in str(error)  # noqa: PT017


OPEN_DATA = Path(__file__).resolve().parents[2].parent / "shared" / "open-data" / "apartment" / "whole_house_1s.parquet"


@pytest.mark.skipif(not OPEN_DATA.exists(), reason="the open data set is not next to the repository")
def test_open_data_of_an_apartment():
    with pytest.raises(fs.OptionError, match="--absent"):
        fs.read_trace(OPEN_DATA)
    trace = fs.read_trace(OPEN_DATA, unit="mL", absent="zero")
    assert trace.interval_s == 1.0
    assert trace.n_flow == 409_230
    # smoothed pulses show no step
    assert trace.pulse_l == 0.0
    assert trace.metered_l == pytest.approx(17_189.7, rel=1e-4)


def test_a_decimal_comma_that_was_not_expected_is_named(tmp_path):
    path = tmp_path / "register.tsv"
    rows = "".join(f"2024-06-0{day} 00:00:00\t{day},5\t3.6\n" for day in range(1, 7))
    path.write_text("time\tregister_l\tbattery\n" + rows, encoding="utf-8")
    with pytest.raises(
        fs.InputError, match=r"found '1,5', expected a number \(is its comma a decimal one: --decimal ,\)"
    ):
        fs.read_trace(path)


def test_a_broken_number_among_decimal_commas_is_no_question_of_commas(tmp_path):
    rows = "".join(f"2024-06-01 00:00:0{k};{k},5\n" for k in range(9)) + "2024-06-01 00:00:09;9x,5\n"
    path = write(tmp_path / "register.csv", "time;register_l\n" + rows)
    with pytest.raises(fs.InputError, match="found '9x,5', expected a number") as error:
        fs.read_trace(path)
    assert "--decimal" not in str(error.value)


def test_a_register_in_local_time_without_a_zone_is_one_through_the_autumn_change(tmp_path):
    utc = pd.date_range("2026-10-24 12:00", periods=1440, freq="min", tz="UTC")
    written = utc.tz_convert("Europe/Berlin").strftime("%Y-%m-%d %H:%M:%S")
    reading = 1200.0 + np.cumsum(np.where(np.arange(1440) % 7 < 3, 0.004, 0.0))
    path = tmp_path / "meter.csv"
    pd.DataFrame({"time": written, "m3": reading.round(4)}).to_csv(path, index=False)
    (kind,) = [finding for finding in fs.read_trace(path).findings if finding.what == "kind"]
    assert "its values are large and never fall" in kind.treatment
