"""One home's files as one trace."""

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from tests.fleet.conftest import log_of

import flowsift as fs
from flowsift.errors import InputError, OptionError
from flowsift.fleet import find_homes
from flowsift.fleet.reading import read_home
from flowsift.fleet.source import input_files, open_files
from flowsift.readers.reading_options import checked_reading

fsspec = pytest.importorskip("fsspec")


def read(place, *, key="home", **options):
    found = find_homes(place, key=key)
    files, root = open_files(found.url)
    home = next(found.homes())
    return read_home(
        files,
        root,
        input_files(files, root, home),
        home=home.name if found.partitioned else None,
        key=found.key,
        options=options,
    )


def same(one, other):
    assert (one.start_ns, one.interval_ns, one.n_cells) == (other.start_ns, other.interval_ns, other.n_cells)
    np.testing.assert_array_equal(one.cell, other.cell)
    np.testing.assert_array_equal(one.volume_l, other.volume_l)


@pytest.fixture
def home(tmp_path):
    folder = tmp_path / "meters" / "home=7"
    folder.mkdir(parents=True)
    return folder


def test_several_files_are_one_trace(tmp_path, home):
    log = log_of(1)
    log.to_parquet(tmp_path / "whole.parquet")
    log.iloc[5_000:].to_parquet(home / "a.parquet")
    log.iloc[:5_000][["volume_l", "time"]].to_parquet(home / "b.parquet")
    trace = read(tmp_path / "meters")
    same(trace, fs.read_trace(tmp_path / "whole.parquet"))
    assert not any(finding.what == "missing intervals" for finding in trace.findings)


def test_what_is_far_is_fetched(tmp_path):
    memory = fsspec.filesystem("memory")
    log = log_of(2)
    log.to_csv(tmp_path / "whole.csv", index=False)
    memory.pipe("/far/7.csv", (tmp_path / "whole.csv").read_bytes())
    try:
        same(read("memory://far"), fs.read_trace(tmp_path / "whole.csv"))
    finally:
        memory.rm("/far", recursive=True)


def test_options_reach_the_reader(tmp_path, home):
    log_of(1).rename(columns={"volume_l": "volume"}).to_parquet(home / "a.parquet")
    assert read(tmp_path / "meters", unit="gal").metered_l == pytest.approx(
        read(tmp_path / "meters", unit="L").metered_l * 3.785411784
    )


@pytest.mark.parametrize(("ids", "fine"), [(["7"], True), ([7], True), (["7", "8"], False), (["8"], False)])
def test_rows_of_another_home_are_an_error(tmp_path, home, ids, fine):
    log = log_of(1)
    log["home"] = pa.array((ids * len(log))[: len(log)]).to_pandas()
    log.to_parquet(home / "a.parquet")
    if fine:
        assert read(tmp_path / "meters").n_flow
        return
    with pytest.raises(InputError, match="rows of '8', expected those of '7' alone"):
        read(tmp_path / "meters")


@pytest.mark.parametrize(
    ("ids", "found"),
    [(["7"], None), (["acc-12"], None), (["7", "8"], "'7', '8'"), (["8", None], "'8', None")],
)
def test_a_file_named_after_its_home_holds_rows_of_one_home_whatever_its_id(tmp_path, ids, found):
    log = log_of(1)
    log["account"] = (ids * len(log))[: len(log)]
    log.to_parquet(tmp_path / "7.parquet")
    assert read(tmp_path).n_flow, "another key"
    if found is None:
        assert read(tmp_path, key="account").n_flow
        return
    with pytest.raises(InputError, match=f'"account": found rows of {found}, expected those of one home alone'):
        read(tmp_path, key="account")


@pytest.mark.parametrize("second", ["csv", "columns", "types"])
def test_files_that_do_not_fit_together(tmp_path, home, second):
    log = log_of(1)
    log.to_parquet(home / "a.parquet")
    if second == "csv":
        log.to_csv(home / "b.csv")
    elif second == "columns":
        log.rename(columns={"volume_l": "volume_gal"}).to_parquet(home / "b.parquet")
    else:
        pq.write_table(pa.table({"time": ["soon"], "volume_l": [1.0]}), home / "b.parquet")
    with pytest.raises(InputError, match=r"^b\.(csv|parquet)"):
        read(tmp_path / "meters")


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"colour": "red"}, "unknown option 'colour'"),
        ({"kind": "speed"}, "unknown kind"),
        ({"unit": "barrel"}, "unknown unit"),
        ({"timezone": "Nowhere/At_All"}, "unknown time zone"),
        ({"absent": "perhaps"}, "absent"),
    ],
)
def test_wrong_options_are_told_before_any_home_is_read(options, words):
    with pytest.raises(OptionError, match=words):
        checked_reading(options)
    assert checked_reading({"kind": None, "pulse_l": 1.0}) == {"pulse_l": 1.0}
