"""Where answers lie: whole or not at all, and only answers of these homes."""

import errno
import json
from dataclasses import replace

import pandas as pd
import pytest
from tests.cli.conftest import small_answer, small_trace
from tests.fleet.conftest import content

import flowsift as fs
from flowsift.errors import OptionError
from flowsift.fleet.source import InputFile
from flowsift.fleet.store import FleetStore, Request
from flowsift.fleet.summary import summary_row
from flowsift.fleet.tables import SCHEMAS, answer_tables
from flowsift.study import flushes
from flowsift.study.flushes_homes import TOILET_TYPES, homes_study

pytest.importorskip("fsspec")

REQUEST = Request(code="c0de", options={"unit": "L"}, files=[InputFile(path="7.csv", size=3, stamp="1.5")])


def put(store, home="7", request=REQUEST):
    result = small_answer(small_trace())
    study = homes_study([(home, flushes(result))])
    store.put(
        home,
        request,
        version="1",
        tables=answer_tables(result, study),
        summary=summary_row(result, study, home=home),
    )


@pytest.fixture
def store(tmp_path):
    made = FleetStore(str(tmp_path / "out"))
    made.prepare(["7"])
    return made


def test_holds_what_was_put_and_nothing_else(store):
    assert not store.holds("7", REQUEST)
    put(store)
    assert store.holds("7", REQUEST)
    assert not store.holds("8", REQUEST)
    for other in (
        Request(code="other", options=REQUEST.options, files=REQUEST.files),
        Request(code="c0de", options={"unit": "gal"}, files=REQUEST.files),
        Request(code="c0de", options=REQUEST.options, files=[InputFile(path="7.csv", size=3, stamp="2.5")]),
    ):
        assert not store.holds("7", other)


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_a_table_that_is_gone_or_cut_is_no_answer(store, tmp_path, name):
    put(store)
    table = tmp_path / "out" / name / "home=7" / "part-0.parquet"
    table.write_bytes(table.read_bytes()[:-1])
    assert not store.holds("7", REQUEST)
    table.unlink()
    assert not store.holds("7", REQUEST)


def test_a_receipt_that_is_damaged_counts_as_none(store, tmp_path):
    put(store)
    (tmp_path / "out" / "receipts" / "home=7.json").write_text('{"home": "7", ')
    assert not store.holds("7", REQUEST)
    assert list(store.receipts(["7"])) == []


def test_receipts_come_in_the_order_asked_for(store):
    for home in ("a", "B", "c"):
        put(store, home)
    assert [receipt["home"] for receipt in store.receipts(["c", "x", "B", "a"])] == ["c", "B", "a"]


def test_the_receipt_tells_what_is_in_the_files(store, tmp_path):
    put(store)
    receipt = json.loads((tmp_path / "out" / "receipts" / "home=7.json").read_text())
    result = small_answer(small_trace())
    assert receipt["tables"]["events"]["rows"] == len(result.events)
    assert receipt["summary"]["metered_l"] == result.balance.metered_l
    assert receipt["input"] == [{"path": "7.csv", "size": 3, "stamp": "1.5"}]


@pytest.mark.parametrize("full_at", range(len(SCHEMAS) + 1))
def test_a_full_disk_leaves_no_half_of_a_home(store, tmp_path, monkeypatch, full_at):
    put(store, "8")
    put(store)
    before = content(tmp_path / "out")
    pipe, calls = store.fs.pipe_file, []

    def fill_up(path, value, **options):
        calls.append(path)
        if len(calls) > full_at:
            pipe(path, value[:10])
            raise OSError(errno.ENOSPC, "No space left on device")
        pipe(path, value, **options)

    monkeypatch.setattr(store.fs, "pipe_file", fill_up)
    with pytest.raises(OSError, match="No space"):
        put(store, request=Request(code="new", options={}, files=[]))
    monkeypatch.undo()
    assert not store.holds("7", REQUEST), "its receipt is gone: the old answer isn't the one that was asked for"
    after = content(tmp_path / "out")
    assert after == {name: data for name, data in before.items() if name != "receipts/home=7.json"}


def test_removing_a_home_leaves_the_others(store, tmp_path):
    put(store, "7")
    alone = content(tmp_path / "out")
    put(store, "8")
    store.remove("8")
    store.remove("nobody")
    assert content(tmp_path / "out") == alone


def test_answers_of_other_homes_are_not_mixed_in(store):
    put(store, "Strange/1")
    store.prepare(["7", "Strange/1"])
    with pytest.raises(OptionError, match="1 homes that the source doesn't have, such as 'Strange/1'"):
        store.prepare(["7"])


def test_a_folder_of_something_else_is_left_alone(tmp_path):
    (tmp_path / "letter.txt").write_text("Dear")
    with pytest.raises(OptionError, match="isn't empty"):
        FleetStore(str(tmp_path)).prepare([])
    assert content(tmp_path) == {"letter.txt": b"Dear"}


def test_what_a_stopped_run_left_is_cleared_away(store, tmp_path):
    left = tmp_path / "out" / "_unfinished" / "x"
    left.mkdir(parents=True)
    (left / "0").write_bytes(b"half")
    (tmp_path / "out" / "fleet.json").unlink()
    store.prepare([])
    assert set(content(tmp_path / "out")) == {"fleet.json"}


def test_a_stopped_run_may_still_write_what_it_had_in_hand(store, monkeypatch):
    def raced(path, **_options):
        raise OSError(errno.ENOTEMPTY, "Directory not empty", path)

    with monkeypatch.context() as patched:
        patched.setattr(store.fs, "rm", raced)
        store.prepare(["7"])
    put(store)
    assert store.holds("7", REQUEST)


@pytest.mark.parametrize("unit", ["L", "gal"])
def test_tables_hold_what_the_answer_holds(unit):
    result = small_answer(small_trace(unit=unit))
    study = homes_study([("7", flushes(result))])
    tables = answer_tables(result, study)
    assert {name: table.schema for name, table in tables.items()} == dict(SCHEMAS)
    events = tables["events"].to_pandas()
    assert list(events.columns) == list(result.events.columns)
    assert (events["start"] == result.events["start"]).all()
    assert (events["volume_l"] == result.events["volume_l"]).all()
    assert tables["balance"].to_pylist()[0]["metered_l"] == result.balance.metered_l
    assert tables["trickle"].num_rows == 0
    toilets = tables["toilets"].to_pandas()
    assert ["home", *toilets.columns] == list(TOILET_TYPES)
    assert len(toilets) == 1
    for column, values in toilets.items():
        assert list(values.dropna()) == list(study.toilets[column].dropna()), column


def test_a_home_without_a_toilet_has_none_in_its_tables():
    result = fs.disaggregate(fs.Trace.from_volumes([0.0, 10.0, 20.0], [0.0, 1.0, 0.0]))
    study = homes_study([("7", flushes(result))])
    assert answer_tables(result, study)["toilets"].num_rows == 0
    row = summary_row(result, study, home="7")
    assert (row["n_toilets"], row["per_flush_l"]) == (0, None)


def test_a_time_between_two_microseconds_is_written_to_the_microsecond():
    trace = small_trace()
    answer = small_answer(replace(trace, start_ns=trace.start_ns + 1_789))
    written = answer_tables(answer, homes_study([("7", flushes(answer))]))["events"]["start"].to_pylist()
    assert [pd.Timestamp(time) for time in written] == list(answer.events["start"].dt.floor("us"))
    assert written[0].microsecond == 1
