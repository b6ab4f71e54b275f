"""``flowsift account`` on files as meters write them, good and bad."""

import gzip

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.units import L_PER_GAL


def day_of_flushes(interval_s=10, unit_l=1.0):
    """Two days of a toilet that takes 6 L at 6 L/min every hour, with a shower a day: volume per interval."""
    n = 2 * 86_400 // interval_s
    fine = np.zeros(2 * 86_400)
    for hour in range(48):
        fine[hour * 3600 + 600 : hour * 3600 + 660] = 0.1
    for day in range(2):
        fine[day * 86_400 + 7 * 3600 + 1800 : day * 86_400 + 7 * 3600 + 2280] = 8.0 / 60
    times = pd.date_range("2024-05-01", periods=n, freq=f"{interval_s}s", tz="UTC")
    return pd.DataFrame({"time": times, "volume": fine.reshape(n, interval_s).sum(axis=1) / unit_l})


METERED_L = 48 * 6.0 + 2 * 64.0


def assert_one_line_and_status_2(ended, *words):
    assert ended.status == 2
    assert ended.out == ""
    assert len(ended.err.splitlines()) == 1, ended.err
    for word in words:
        assert word in ended.err


def test_litres(run, tmp_path):
    path = tmp_path / "meter.csv"
    day_of_flushes().rename(columns={"volume": "volume_l"}).to_csv(path, index=False)
    account = run("account", path, "--json", "-").json
    assert account["metered_l"] == pytest.approx(METERED_L)
    assert sum(use["volume_l"] for use in account["uses"]) == pytest.approx(METERED_L)
    uses = {use["label"]: use for use in account["uses"]}
    assert uses["flush"]["uses"] >= 40
    assert account["toilets"][0]["per_flush_l"] == pytest.approx(6.0, rel=0.05)


def test_gallons_in_gallons_out(run, tmp_path):
    path = tmp_path / "meter.csv.gz"
    data = day_of_flushes(unit_l=L_PER_GAL).rename(columns={"volume": "volume_gal"})
    path.write_bytes(gzip.compress(data.to_csv(index=False).encode()))
    ended = run("account", path)
    assert ended.status == 0, ended.err
    assert f"{METERED_L / L_PER_GAL:,.1f} gal metered" in ended.out
    assert max(map(len, ended.out.splitlines())) <= 80


def test_answers_do_not_depend_on_the_file_format(run, tmp_path):
    data = day_of_flushes().rename(columns={"volume": "volume_l"})
    data.to_csv(tmp_path / "a.csv", index=False)
    data.to_parquet(tmp_path / "a.parquet")
    a, b = (run("account", tmp_path / name, "--json", "-").json for name in ("a.csv", "a.parquet"))
    assert [use["label"] for use in a["uses"]] == [use["label"] for use in b["uses"]]
    assert a["metered_l"] == pytest.approx(b["metered_l"])


def test_a_bad_row_is_named(run, tmp_path):
    path = tmp_path / "meter.csv"
    rows = day_of_flushes().rename(columns={"volume": "volume_l"}).to_csv(index=False).splitlines()
    rows[1041] = rows[1041].rsplit(",", 1)[0] + ",what"
    path.write_text("\n".join(rows) + "\n")
    assert_one_line_and_status_2(run("account", path), "meter.csv", "row 1042", '"volume_l"', "what")


def test_a_negative_value_is_told_as_a_fault(run, tmp_path):
    path = tmp_path / "meter.csv"
    data = day_of_flushes().rename(columns={"volume": "volume_l"})
    data.loc[1040, "volume_l"] = -3.2
    data.to_csv(path, index=False)
    ended = run("account", path)
    assert ended.status == 0, ended.err
    faults = ended.out.split("Wrong with the data")[1]
    assert "negative values (1)" in faults
    assert "-3.2 L" in faults


def test_an_unknown_unit_lists_the_known_ones(run, tmp_path):
    path = tmp_path / "meter.csv"
    day_of_flushes().to_csv(path, index=False)
    assert_one_line_and_status_2(run("account", path, "--unit", "barrel"), "barrel", "gal", "ft3")


@pytest.mark.parametrize("option", ["--timezone", "--kind", "--absent", "--time-column", "--value-column"])
def test_a_wrong_option_is_one_line(run, tmp_path, option):
    path = tmp_path / "meter.csv"
    day_of_flushes().rename(columns={"volume": "volume_l"}).to_csv(path, index=False)
    assert_one_line_and_status_2(run("account", path, option, "Nowhere/Land"), "Nowhere/Land")


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("empty.csv", b""),
        ("header.csv", b"time,volume_l\n"),
        ("binary.csv", bytes(range(256)) * 64),
        ("picture.parquet", b"PAR1 not really"),
        ("prose.csv", b"dear customer,\nplease find the data attached\n"),
    ],
)
def test_a_file_that_is_no_trace_is_one_line(run, tmp_path, name, content):
    path = tmp_path / name
    path.write_bytes(content)
    assert_one_line_and_status_2(run("account", path), name)


def test_no_file_and_a_folder_are_one_line(run, tmp_path):
    assert_one_line_and_status_2(run("account", tmp_path / "none.csv"), "none.csv")
    assert_one_line_and_status_2(run("account", tmp_path), tmp_path.name)


def test_five_minutes_are_answered_with_their_limits(run, tmp_path):
    path = tmp_path / "coarse.csv"
    day_of_flushes(interval_s=300).rename(columns={"volume": "volume_l"}).to_csv(path, index=False)
    ended = run("account", path)
    assert ended.status == 0, ended.err
    account = run("account", path, "--json", "-").json
    assert account["metered_l"] == pytest.approx(METERED_L)
    assert [f for f in account["findings"] if f["kind"] == "limit"]
    assert "What this trace can't tell" in ended.out


def test_the_account_is_that_of_the_library(run, tmp_path):
    path = tmp_path / "meter.csv"
    day_of_flushes().rename(columns={"volume": "volume_l"}).to_csv(path, index=False)
    events = tmp_path / "events.parquet"
    run("account", path, "--events", events)
    expected = fs.disaggregate(fs.read_trace(path)).events
    pd.testing.assert_frame_equal(pd.read_parquet(events), pd.DataFrame(expected), check_dtype=False)


def test_the_demo_is_a_whole_account(run, tmp_path):
    ended = run("demo", "--events", tmp_path / "events.csv")
    assert ended.status == 0, ended.err
    assert max(map(len, ended.out.splitlines())) <= 80
    assert "toilet flush" in ended.out
    assert "Volume per flush" in ended.out
    assert len(pd.read_csv(tmp_path / "events.csv")) > 200
    account = run("demo", "--json", "-").json
    assert account["trickle"] is not None
    assert sum(use["volume_l"] for use in account["uses"]) == pytest.approx(account["metered_l"])


@pytest.mark.parametrize(
    "options",
    [
        ("account", "--events"),
        ("account", "--fixtures"),
        ("account", "--json"),
        ("leaks", "--table"),
        ("flushes", "--table"),
        ("flushes", "--out"),
        ("learn", "--out"),
        ("learn", "--output"),
    ],
)
def test_no_answer_takes_the_place_of_the_data(run, tmp_path, options):
    command, option = options
    path = tmp_path / "meter.csv"
    day_of_flushes().rename(columns={"volume": "volume_l"}).to_csv(path, index=False)
    before = path.read_bytes()
    ended = run(command, path, option, path)
    assert (ended.status, ended.out) == (2, "")
    assert "meter.csv: is read, or written by another option too" in ended.err
    assert path.read_bytes() == before


def test_two_answers_in_one_file_are_refused(run, tmp_path):
    path = tmp_path / "meter.csv"
    day_of_flushes().rename(columns={"volume": "volume_l"}).to_csv(path, index=False)
    ended = run("account", path, "--events", tmp_path / "new.csv", "--fixtures", tmp_path / "new.csv")
    assert ended.status == 2
    assert not (tmp_path / "new.csv").exists()


def test_homes_of_one_file_name_are_told_apart(run, tmp_path):
    for home in ("north", "south"):
        (tmp_path / home).mkdir()
        day_of_flushes().rename(columns={"volume": "volume_l"}).to_csv(tmp_path / home / "log.csv", index=False)
    north, south = tmp_path / "north" / "log.csv", tmp_path / "south" / "log.csv"
    ended = run("flushes", north, south, "--json", "-")
    assert [home["home"] for home in ended.json["homes"]] == [str(north), str(south)]
    (tmp_path / "south" / "round").symlink_to("..")
    assert "2 homes studied" in run("flushes", tmp_path).out
    twice = run("flushes", north, south, north)
    assert twice.status == 2
    assert "is given twice" in twice.err
