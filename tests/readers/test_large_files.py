"""A large regular log, read block by block, gives the very trace that reading it whole gives."""

import gzip

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import flowsift as fs
from flowsift.ingest.thinning import Thinner
from flowsift.readers import large, read, table

N = 4_000
SECOND = 10**9


@st.composite
def logs(draw):
    """Draw the rows of a regular log: idle time, steady and ragged flow, holes of any length."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    step_s = draw(st.sampled_from([1, 5, 60, 900]))
    volume = np.zeros(N)
    for _ in range(draw(st.integers(0, 12))):
        a = int(rng.integers(0, N))
        b = min(N, a + int(rng.integers(1, 400)))
        volume[a:b] = rng.choice([np.full(b - a, 3.0), rng.integers(0, 5, b - a).astype(float)][int(rng.integers(2))])
    volume *= 0.01 * step_s
    index = np.arange(N)
    keep = np.ones(N, bool)
    for _ in range(draw(st.integers(0, 4))):
        a = int(rng.integers(1, N - 1))
        keep[a : a + int(rng.choice([1, 2, 30, 3600]))] = False
    keep[[0, -1]] = True
    return index[keep], volume, step_s


def written(path, index, values, step_s, name, zone=""):
    stamps = (pd.Timestamp("2024-03-05") + pd.to_timedelta(index * step_s, unit="s")).strftime("%Y-%m-%dT%H:%M:%S")
    rows = "".join(f"{t}{zone},{v!r}\n" for t, v in zip(stamps, values.tolist(), strict=True))
    path.write_text(f"time,{name}\n{rows}", encoding="utf-8")
    return path


def read_both_ways(path, monkeypatch, **options):
    """Read a file whole, and block by block; the second has to have gone that way."""
    whole = fs.read_trace(path, **options)
    traces = []
    original = read.trace_of_thinned

    def noted(*args, **kwargs):
        traces.append(original(*args, **kwargs))
        return traces[-1]

    with monkeypatch.context() as patch:
        patch.setattr(large, "LARGE_BYTES", 0)
        patch.setattr(table, "BLOCK_BYTES", 7_000)
        patch.setattr(table, "BLOCK_ROWS", 331)
        patch.setattr(read, "trace_of_thinned", noted)
        by_blocks = fs.read_trace(path, **options)
    return whole, by_blocks, bool(traces) and traces[-1] is not None


def assert_same(one, other):
    for name in ("start_ns", "interval_ns", "n_cells", "pulse_l", "timezone", "unit"):
        assert getattr(one, name) == getattr(other, name)
    for name in ("cell", "volume_l", "gaps", "gap_volume_l"):
        np.testing.assert_array_equal(getattr(one, name), getattr(other, name))
    assert one.findings == other.findings


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(logs(), st.sampled_from(["volume_l", "flow_lpm", "reading_l"]), st.sampled_from(["missing", "zero"]))
def test_blocks_give_the_trace_of_the_whole(tmp_path, monkeypatch, log, name, absent):
    index, volume, step_s = log
    values = (1000.0 + np.cumsum(volume)).round(6) if name == "reading_l" else volume
    path = written(tmp_path / "m.csv", index, values[index], step_s, name)
    kind = {"volume_l": "volume", "flow_lpm": "flow", "reading_l": "register"}[name]
    whole, by_blocks, went = read_both_ways(path, monkeypatch, absent=absent, kind=kind)
    assert_same(whole, by_blocks)
    assert went or index.size < 1_000


@pytest.mark.parametrize("name", ["volume_l", "reading_l"])
@pytest.mark.parametrize("form", ["csv", "gz", "utf-16", "parquet", "epoch"])
def test_every_form_goes_by_blocks(tmp_path, monkeypatch, name, form):
    rng = np.random.default_rng(3)
    volume = np.where(rng.random(N) < 0.1, rng.integers(1, 4, N) * 0.1, 0.0)
    values = 5.0 + np.cumsum(volume) if name == "reading_l" else volume
    index = np.delete(np.arange(N), np.arange(1000, 1900))
    path = written(tmp_path / "m.csv", index, values[index], 1, name, zone="Z")
    if form == "gz":
        path.write_bytes(gzip.compress(path.read_bytes()))
    elif form == "utf-16":
        path.write_bytes(path.read_text(encoding="utf-8").encode("utf-16"))
    elif form == "epoch":
        pd.DataFrame({"ts": 1_700_000_000 + index, name: values[index]}).to_csv(path, index=False)
    elif form == "parquet":
        path = tmp_path / "m.parquet"
        stamps = pd.Timestamp("2024-03-05", tz="UTC") + pd.to_timedelta(index, unit="s")
        pd.DataFrame({"time": stamps, name: values[index]}).to_parquet(path)
    whole, by_blocks, went = read_both_ways(path, monkeypatch)
    assert_same(whole, by_blocks)
    assert went or index.size < 1_000


@pytest.mark.parametrize(
    ("name", "values"),
    [
        ("value", np.repeat([0.0, 0.4, 0.8, 1.2, 1.6], N // 5)),  # a register with four rises
        ("value", np.zeros(N)),
        ("value", np.full(N, 0.5)),
        ("reading_l", np.repeat([1.0, 500_000.0, 500_001.0], [N // 2, N // 4, N // 4])),  # an impossible jump
        ("reading_l", np.repeat([1.0, 2.0, 300.0, 301.0], N // 4)),
    ],
)
def test_the_kind_is_told_alike(tmp_path, monkeypatch, name, values):
    path = written(tmp_path / "m.csv", np.arange(N), values, 5, name)
    whole, by_blocks, _ = read_both_ways(path, monkeypatch, unit="L")
    assert_same(whole, by_blocks)


@pytest.mark.parametrize(
    ("change", "expected"),
    [
        (lambda rows: rows.__setitem__(2_000, "2024-03-05T00:33:19,-3"), "trace"),
        (lambda rows: rows.__setitem__(2_000, "2024-03-05T00:33:19,"), "trace"),
        (lambda rows: rows.insert(2_000, rows[1_000]), "trace"),
        (lambda rows: rows.__setitem__(2_000, "2024-03-05T00:33:19.4,0.0"), "trace"),
        (lambda rows: rows.__setitem__(2_000, "yesterday,0.0"), "m.csv, row 2001, column \"time\": found 'yesterday'"),
        (lambda rows: rows.__setitem__(2_000, "2024-03-05T00:33:19,x"), "row 2001, column \"volume_l\": found 'x'"),
        (lambda rows: rows.__setitem__(2_000, "2024-03-05T00:33:19,1,2"), "row 2001: found 3 fields, expected 2"),
        (lambda rows: rows.__setitem__(2_000, "2024-03-05T00:33:19,inf"), 'row 2001, column "volume_l": found inf'),
    ],
)
def test_faults_are_treated_as_in_a_small_file(tmp_path, monkeypatch, change, expected):
    path = written(tmp_path / "m.csv", np.arange(N), np.where(np.arange(N) % 50 < 3, 0.1, 0.0), 1, "volume_l")
    rows = path.read_text(encoding="utf-8").splitlines()
    change(rows)
    path.write_text("\n".join(rows), encoding="utf-8")
    if expected == "trace":
        whole, by_blocks, _ = read_both_ways(path, monkeypatch)
        assert_same(whole, by_blocks)
        return
    monkeypatch.setattr(large, "LARGE_BYTES", 0)
    monkeypatch.setattr(table, "BLOCK_BYTES", 7_000)
    with pytest.raises(fs.InputError) as error:
        fs.read_trace(path)
    assert expected in str(error.value)


def test_more_rows_than_memory_is_set_aside_for(tmp_path, monkeypatch):
    monkeypatch.setattr(table, "MOST_ROWS", N - 1)
    path = written(tmp_path / "m.csv", np.arange(N), np.zeros(N), 1, "volume_l")
    with pytest.raises(fs.InputError, match=r"m\.csv: found more than 3,999 rows"):
        fs.read_trace(path)
    pd.read_csv(path).to_parquet(tmp_path / "m.parquet")
    with pytest.raises(fs.InputError, match=r"m\.parquet: found more than 3,999 rows"):
        fs.read_trace(tmp_path / "m.parquet")


def test_thinning_keeps_what_changes():
    thinner = Thinner()
    value = np.array([0.0, 0, 0, 0, 2, 2, 2, 2, 0, 0, 0, 1, 0, 0])
    ns = np.arange(14) * SECOND
    for k in range(0, 14, 4):
        assert thinner.add(ns[k : k + 4], value[k : k + 4])
    rows = thinner.finish()
    assert rows.index.tolist() == [0, 3, 4, 7, 8, 10, 11, 12, 13]
    times, filled = rows.with_every_flow()
    assert (times // SECOND).tolist() == [0, 3, 4, 5, 6, 7, 8, 10, 11, 12, 13]
    assert filled.tolist() == value[times // SECOND].tolist()


@pytest.mark.parametrize("bad", [[0, 1, 1], [0, 2, 1], [0, 1, 2.5], [0, 1, 400 * 86_400]])
def test_times_that_are_not_plain(bad):
    thinner = Thinner()
    ns = (np.array([*range(-200, 0), *bad]) * SECOND).astype(np.int64)
    assert not (thinner.add(ns, np.zeros(ns.size)) and thinner.finish() is None)
    assert not Thinner().add(ns, np.zeros(ns.size))
