"""The commands that learn a home and watch it."""

import json
import multiprocessing
import os
import random
import re
import signal
import subprocess
import sys
import time
from contextlib import contextmanager
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from flowsift.cli import main
from flowsift.cli.watch import tell_faults
from flowsift.stream import Sifter, home_to_json

N_KILLS = 5


@pytest.fixture(scope="module")
def folder(tmp_path_factory, home, morning):
    """A learned home, and a feed of some hours as a file."""
    path = tmp_path_factory.mktemp("watch")
    (path / "home.json").write_text(home_to_json(home))
    (path / "feed.csv").write_text("time,volume\n" + lines(*morning))
    return path


def lines(at, volume):
    times = pd.DatetimeIndex(at.view("M8[ns]")).strftime("%Y-%m-%dT%H:%M:%SZ")
    return "".join(f"{t},{v!r}\n" for t, v in zip(times, volume.tolist(), strict=True))


@pytest.fixture(scope="module")
def whole(home, morning):
    sifter = Sifter(home)
    return [n.record() for n in [*sifter.feed_ns(*morning), *sifter.finish()]]


def run(*arguments):
    with pytest.raises(SystemExit) as ended:
        main([str(a) for a in arguments])
    return ended.value.code


def read(path):
    return [json.loads(line) for line in path.read_text().splitlines()]


@contextmanager
def started(*arguments):
    """Run the command beside this process, forked from one that has imported it; it is not left running."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["flowsift.cli"])
    process = context.Process(target=main, args=(["watch", *map(str, arguments)],))
    process.start()
    try:
        yield process
    finally:
        process.kill()
        process.join()


def saved(state):
    """Which file the state is: each saving makes a new one."""
    return state.stat().st_ino if state.exists() else None


def wait_for(condition, timeout_s=300):
    end = time.monotonic() + timeout_s
    while not condition():
        assert time.monotonic() < end, "it never came"
        time.sleep(0.01)


def test_learn_writes_a_home(tmp_path, rows, capsys):
    at, volume = rows
    some = slice(0, 26 * 3600)
    pd.DataFrame({"time": at[some].view("M8[ns]"), "volume_l": volume[some]}).to_parquet(tmp_path / "record.parquet")
    assert run("learn", tmp_path / "record.parquet", "-o", tmp_path / "home.json") == 0
    assert "LearnedHome" in capsys.readouterr().out
    assert run("watch", "--home", tmp_path / "home.json", os.devnull) == 0


def test_a_file_is_watched_to_its_end(folder, whole, capsys):
    assert run("watch", "--home", folder / "home.json", folder / "feed.csv") == 0
    assert [json.loads(line) for line in capsys.readouterr().out.splitlines()] == whole


def test_lines_of_json_in_gallons_a_minute(folder, tmp_path, morning, whole):
    at, volume = morning
    gpm = volume * 60 / 3.785411784
    rows = (json.dumps({"time": t, "value": v}) for t, v in zip((at / 1e9).tolist(), gpm.tolist(), strict=True))
    (tmp_path / "feed.jsonl").write_text("\n".join(rows))
    options = ("--unit", "gpm", "--output", tmp_path / "out.jsonl", "--units", "si")
    assert run("watch", "--home", folder / "home.json", tmp_path / "feed.jsonl", *options) == 0
    found = read(tmp_path / "out.jsonl")
    assert [(r["number"], r["kind"]) for r in found] == [(r["number"], r["kind"]) for r in whole]
    volumes = ([r["volume_l"] for r in table if r["kind"] == "event"] for table in (found, whole))
    np.testing.assert_allclose(*volumes, rtol=1e-9)


def test_values_are_read_in_the_unit_of_the_record(tmp_path, home, morning, whole):
    at, volume = morning
    for unit, factor in (("L/min", 60.0), ("gal/min", 60 / 3.785411784), ("pulses", 1 / home.pulse_l)):
        (tmp_path / "home.json").write_text(home_to_json(replace(home, row_unit=unit)))
        (tmp_path / "feed.csv").write_text("time,value\n" + lines(at, volume * factor))
        out = tmp_path / f"{factor}.jsonl"
        assert run("watch", "--home", tmp_path / "home.json", tmp_path / "feed.csv", "--out", out) == 0
        found = read(out)
        volumes = ([r["volume_l"] for r in table if r["kind"] == "event"] for table in (found, whole))
        np.testing.assert_allclose(*volumes, rtol=1e-9)


def test_a_record_that_tells_no_unit_asks_for_it(folder, tmp_path, home, capsys):
    (tmp_path / "home.json").write_text(home_to_json(replace(home, row_unit=None)))
    assert run("watch", "--home", tmp_path / "home.json", folder / "feed.csv") == 2
    assert "pass --unit" in capsys.readouterr().err
    assert run("watch", "--home", tmp_path / "home.json", folder / "feed.csv", "--unit", "L") == 0


@pytest.mark.parametrize(("name", "unit"), [("flow_lpm", "L"), ("volume_gal", "L"), ("volume_l", "pulses")])
def test_a_header_that_names_another_unit_is_refused(folder, tmp_path, capsys, name, unit):
    (tmp_path / "feed.csv").write_text(f"time,{name}\n2024-06-20T07:00:00Z,0.0\n")
    assert run("watch", "--home", folder / "home.json", tmp_path / "feed.csv", "--unit", unit) == 2
    assert f"{name!r}, but they are read as {unit}" in capsys.readouterr().err


def test_a_run_carries_on_where_the_one_before_ended(folder, tmp_path, whole):
    feed, out, state = tmp_path / "feed.csv", tmp_path / "out.jsonl", tmp_path / "state.json"
    rows = (folder / "feed.csv").read_text().splitlines(keepends=True)
    options = ("--home", folder / "home.json", "--state", state, "--output", out)
    for stop in (1, 2000, 2001, 9000):
        feed.write_text("".join(rows[:stop]))
        assert run("watch", *options, feed) == 0
    feed.write_text("".join(rows))
    assert run("watch", *options, feed, "--finish") == 0
    assert read(out) == whole


def test_killed_at_random_nothing_is_lost_or_doubled(folder, tmp_path, whole):
    feed, out, state = tmp_path / "feed.csv", tmp_path / "out.jsonl", tmp_path / "state.json"
    rows = (folder / "feed.csv").read_text().splitlines(keepends=True)
    options = ("--home", folder / "home.json", "--state", state, "--output", out, feed)
    chance = random.Random(4)
    feed.write_text(rows[0])
    written = 1
    for kill in range(1, N_KILLS + 1):
        with started(*options, "--follow", "--save-every", "0.05") as process:
            stop = len(rows) * kill // N_KILLS
            before = saved(state)
            wait_for(lambda: saved(state) != before)  # noqa: B023
            while written < stop:
                some = chance.randint(1, 900)
                with feed.open("a") as file:
                    file.write("".join(rows[written : min(written + some, stop)]))
                written = min(written + some, stop)
                time.sleep(chance.uniform(0.0, 0.03))
            time.sleep(chance.uniform(0.0, 0.3))
            assert process.is_alive()
    assert run("watch", *options, "--finish") == 0
    assert read(out) == whole


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_cleanly_with_its_state_saved(folder, tmp_path, whole, number):
    out, state = tmp_path / "out.jsonl", tmp_path / "state.json"
    options = ("--home", folder / "home.json", "--state", state, "--output", out, folder / "feed.csv")
    with started(*options, "--follow", "--save-every", "1000") as process:
        wait_for(lambda: out.exists() and out.stat().st_size > 0)
        os.kill(process.pid, number)
        process.join(timeout=300)
        assert process.exitcode == 0
    assert json.loads(state.read_text())["sifter"]["number"] == len(read(out)) > 0
    assert run("watch", *options, "--finish") == 0
    assert read(out) == whole


def test_standard_input_may_be_sent_again(folder, tmp_path, morning, whole):
    # it can't be read again from a place: the sender repeats what it likes, rows that were taken do no harm
    feed, state = tmp_path / "feed.csv", tmp_path / "state.json"
    options = ("--home", folder / "home.json", "--state", state)
    feed.write_text(lines(*(column[:15_000] for column in morning)))
    assert run("watch", *options, "--output", tmp_path / "first.jsonl", feed) == 0
    command = [sys.executable, "-c", "from flowsift.cli import main; main()", "watch", *map(str, options), "--finish"]
    done = subprocess.run(command, input=lines(*morning).encode(), capture_output=True, check=True)
    assert set(re.findall(rb"so far: (.*)", done.stderr)) == {b"too late", b"repeated"}
    assert read(tmp_path / "first.jsonl") + [json.loads(line) for line in done.stdout.splitlines()] == whole


def test_lines_that_are_no_rows_are_told_and_left_out(folder, tmp_path, capsys):
    feed = tmp_path / "feed.csv"
    feed.write_text("time,volume\n2024-06-20T07:00:00Z,0.1\nnonsense\n2024-06-20T07:00:01Z,many\nnoon,0.1\n")
    assert run("watch", "--home", folder / "home.json", feed) == 0
    complaints = capsys.readouterr().err
    assert all(f"line {n}: found" in complaints for n in (3, 4, 5))


@pytest.mark.parametrize(
    "torn",
    ["17176323001717632301,0.0", '{"time": 99999999999999999999, "value": 1}', '{"time":' + "[" * 4000],
    ids=["two times in one", "a time no clock shows", "nested without end"],
)
def test_a_torn_line_is_told_like_any_other(folder, tmp_path, capsys, torn):
    (tmp_path / "feed.csv").write_text(f"time,volume\n2024-06-20T07:00:00Z,0.1\n{torn}\n2024-06-20T07:00:01Z,0.1\n")
    assert run("watch", "--home", folder / "home.json", tmp_path / "feed.csv") == 0
    found = capsys.readouterr()
    assert "line 3: found" in found.err
    assert json.loads(found.out.splitlines()[0])["volume_l"] == pytest.approx(0.2)


def test_faults_are_told_as_they_grow_tenfold(folder, tmp_path, capsys):
    rows = (folder / "feed.csv").read_text().splitlines(keepends=True)[:1000]
    (tmp_path / "feed.csv").write_text("".join([*rows[:900], rows[1] * 3, *rows[900:]]))
    assert run("watch", "--home", folder / "home.json", tmp_path / "feed.csv") == 0
    assert capsys.readouterr().err == "flowsift: 3 rows or intervals so far: too late\n"


def test_a_fault_is_told_anew_at_ten_times_its_count(capsys):
    told = {}
    for n in (1, 2, 9, 10, 11, 99, 250):
        tell_faults({"stray": n}, told)
    assert capsys.readouterr().err.count("stray") == 3
    assert told == {"stray": 250}


@pytest.mark.parametrize(
    ("content", "message"),
    [("not a feed\n" * 200, "none of"), ("x" * 20_000, "no end within")],
)
def test_what_is_no_feed_is_refused(folder, tmp_path, capsys, content, message):
    feed = tmp_path / "feed.csv"
    feed.write_text(content)
    assert run("watch", "--home", folder / "home.json", feed) == 2
    assert message in capsys.readouterr().err


def test_files_that_were_replaced_are_noticed(folder, tmp_path, capsys):
    feed, out, state = tmp_path / "feed.csv", tmp_path / "out.jsonl", tmp_path / "state.json"
    feed.write_text((folder / "feed.csv").read_text())
    options = ("--home", folder / "home.json", "--state", state, "--output", out, feed)
    assert run("watch", *options) == 0
    out.write_text("")
    assert run("watch", *options) == 2
    feed.write_text("time,volume\n")
    assert run("watch", *options) == 2
    assert capsys.readouterr().err.count("was it replaced?") == 2


@pytest.mark.parametrize("how", ["cut", "replaced"])
def test_a_file_that_is_replaced_while_it_is_followed_is_noticed(folder, tmp_path, how):
    feed, state = tmp_path / "feed.csv", tmp_path / "state.json"
    feed.write_text((folder / "feed.csv").read_text())
    options = ("--home", folder / "home.json", "--state", state, "--save-every", "0", feed, "--follow")
    with started(*options) as process:
        wait_for(lambda: state.exists() and json.loads(state.read_text())["input_bytes"] == feed.stat().st_size)
        other = feed if how == "cut" else tmp_path / "other.csv"
        other.write_text("time,volume\n2024-06-20T07:00:00Z,0.0\n")
        if how == "replaced":
            other.replace(feed)
        process.join(timeout=60)
        assert process.exitcode == 2


def test_a_broken_state_is_refused(folder, tmp_path, capsys):
    state = tmp_path / "state.json"
    state.write_text('{"kind": "flowsift watch state", "version": 1}')
    assert run("watch", "--home", folder / "home.json", "--state", state, folder / "feed.csv") == 2
    complaint = capsys.readouterr().err
    assert "missing" in complaint
    assert str(state) in complaint


def test_what_is_no_home_is_named(folder, capsys):
    assert run("watch", "--home", folder / "feed.csv", folder / "feed.csv") == 2
    assert capsys.readouterr().err.startswith(f"flowsift: {folder / 'feed.csv'}: flowsift learned home: not JSON")
