"""Many homes: the same answer however it came about, and what fails, fails alone."""

import json
import os
import shutil
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pyarrow.parquet as pq
import pytest
from tests.fleet.conftest import content, log_of

import flowsift as fs
from flowsift.errors import FlowsiftError, InputError, OptionError
from flowsift.fleet import cluster as cluster_module
from flowsift.fleet import find_homes, read_answers, run_fleet
from flowsift.fleet.cluster import outcomes
from flowsift.fleet.source import Home
from flowsift.fleet.tables import SCHEMAS
from flowsift.fleet.work import Job, Outcome, answer_home
from flowsift.study import flushes
from flowsift.study.flushes_homes import homes_study

dask = pytest.importorskip("dask")
distributed = pytest.importorskip("distributed")
fsspec = pytest.importorskip("fsspec")


def run(source, out, cluster, **options):
    return run_fleet(find_homes(source), out, scheduler=cluster, **options)


def test_answers_are_those_of_each_home_alone(write_homes, tmp_path, cluster):
    source = write_homes("a", "B%201", "007")
    done = run(source, tmp_path / "out", cluster)
    assert (done.n_homes, done.n_answered, done.n_kept, len(done.failed)) == (3, 3, 0, 0)
    tables = {name: read_answers(tmp_path / "out", name) for name in SCHEMAS}
    assert set(tables) == {"events", "trickle", "fixtures", "balance", "toilets"}
    for home, folder in (("a", "a"), ("B 1", "B%201"), ("007", "007")):
        alone = fs.disaggregate(fs.read_trace(source / f"home={folder}" / "part-0.parquet"))
        study = homes_study([(home, flushes(alone))])
        expected = {
            "events": alone.events,
            "trickle": alone.trickle,
            "fixtures": alone.fixtures,
            "toilets": study.toilets.drop(columns="home"),
        }
        for name, table in expected.items():
            found = tables[name][tables[name]["home"] == home].drop(columns="home").reset_index(drop=True)
            assert len(found) == len(table)
            for column in table.columns:
                assert list(found[column].dropna()) == list(table[column].dropna()), (home, name, column)
        balance = tables["balance"].set_index("home").loc[home]
        assert balance["metered_l"] == alone.balance.metered_l
        assert balance["trickle_l"] == alone.balance.trickle_l
    assert set(tables["events"]["home"]) == {"a", "B 1", "007"}
    assert list(read_answers(tmp_path / "out", "balance", homes=["007"])["home"]) == ["007"]


def test_the_summary_has_a_row_a_home_and_closes(write_homes, tmp_path, cluster):
    source = write_homes("a", "b", "c")
    done = run(source, tmp_path / "out", cluster)
    summary = pd.read_parquet(tmp_path / "out" / "summary.parquet")
    assert list(summary["home"]) == ["a", "b", "c"]
    parts = summary["events_l"] + summary["trickle_l"] + summary["unexplained_l"]
    np.testing.assert_allclose(parts, summary["metered_l"], rtol=1e-9)
    labels = summary[[f"{label}_l" for label in fs.LABELS]].sum(axis=1)
    np.testing.assert_allclose(labels, summary["events_l"], rtol=1e-9)
    events = read_answers(tmp_path / "out", "events")
    assert summary["n_events"].sum() == len(events)
    toilets = read_answers(tmp_path / "out", "toilets")
    assert list(summary["n_toilets"]) == [sum(toilets["home"] == home) for home in summary["home"]]
    one = toilets.drop_duplicates("home", keep=False).set_index("home")
    assert len(one)
    assert list(summary.set_index("home").loc[one.index, "per_flush_l"]) == pytest.approx(list(one["mean_l"]))
    assert done.totals.metered_l == pytest.approx(summary["metered_l"].sum(), rel=1e-12)
    assert done.totals.volume_l["flush"] == pytest.approx(summary["flush_l"].sum(), rel=1e-12)
    assert done.totals.home_days == pytest.approx(3.0)
    assert list(done.totals.per_day_l([0.5])) == [summary["per_day_l"].median()]


def test_any_reader_of_partitioned_parquet_reads_it(write_homes, tmp_path, cluster):
    run(write_homes("a", "b"), tmp_path / "out", cluster)
    events = read_answers(tmp_path / "out", "events")
    by_pandas = pd.read_parquet(tmp_path / "out" / "events")
    assert len(by_pandas) == len(events)
    assert set(by_pandas["home"]) == {"a", "b"}
    assert (
        str(pq.read_schema(next((tmp_path / "out").glob("events/*/*"))).field("start").type) == "timestamp[us, tz=UTC]"
    )
    duckdb = pytest.importorskip("duckdb")
    rows = duckdb.sql(f"select home, count(*) from read_parquet('{tmp_path}/out/events/*/*.parquet') group by home")
    assert sorted(rows.fetchall()) == sorted(events.groupby("home").size().items())


def test_the_same_bytes_from_two_threads_and_from_one_process(write_homes, tmp_path, cluster):
    source = write_homes("a", "b", "c")
    run(source, tmp_path / "threads", cluster)
    run_fleet(find_homes(source), tmp_path / "processes", workers=1)
    assert content(tmp_path / "processes") == content(tmp_path / "threads")
    assert len(content(tmp_path / "threads")) == 3 * (len(SCHEMAS) + 1) + 3


def test_interrupted_ten_times_it_ends_the_same(write_homes, tmp_path, cluster, monkeypatch):
    monkeypatch.setattr(cluster_module, "JOBS_PER_THREAD", 1)
    homes = 24  # with two threads, two are finished at most between two stops
    source = write_homes(*(f"h{number:02d}" for number in range(homes)), rows=1_500)
    run(source, tmp_path / "whole", cluster)

    def stop_at_a_new_one(outcome):
        if outcome.state == "answered":
            raise KeyboardInterrupt

    for _ in range(10):
        with pytest.raises(KeyboardInterrupt):
            run(source, tmp_path / "stopped", cluster, report=stop_at_a_new_one)
    done = run(source, tmp_path / "stopped", cluster)
    assert (done.n_kept + done.n_answered, len(done.failed)) == (homes, 0)
    assert done.n_kept >= 10
    assert content(tmp_path / "stopped") == content(tmp_path / "whole")


def test_a_finished_run_is_kept_and_a_changed_file_is_not(write_homes, tmp_path, cluster):
    source = write_homes("a", "b", "c")
    out = tmp_path / "out"
    run(source, out, cluster)
    before = content(out)
    again = run(source, out, cluster)
    assert (again.n_answered, again.n_kept) == (0, 3)
    assert content(out) == before
    log_of(5).to_parquet(source / "home=b" / "part-0.parquet")
    changed = run(source, out, cluster)
    assert (changed.n_answered, changed.n_kept) == (1, 2)
    differ = {name for name, data in content(out).items() if before.get(name) != data}
    assert {name for name in differ if "home=" in name and "home=b" not in name} == set()
    assert "events/home=b/part-0.parquet" in differ
    assert "summary.parquet" in differ


def test_answers_of_a_version_without_a_table_are_answered_anew(write_homes, tmp_path, cluster):
    source = write_homes("a", "b")
    out = tmp_path / "out"
    run(source, out, cluster)
    whole = content(out)
    shutil.rmtree(out / "toilets")
    for place in (out / "receipts").iterdir():
        receipt = json.loads(place.read_text())
        del receipt["tables"]["toilets"], receipt["summary"]["n_toilets"], receipt["summary"]["per_flush_l"]
        place.write_text(json.dumps(receipt | {"code": "of before"}))
    with pytest.raises(InputError, match=r"expected a folder toilets: run flowsift fleet \(again\)"):
        read_answers(out, "toilets")
    assert run(source, out, cluster).n_answered == 2
    assert content(out) == whole


def test_other_options_are_another_answer(write_homes, tmp_path, cluster):
    source = write_homes("a", "b")
    out = tmp_path / "out"
    litres = run(source, out, cluster, reading={"unit": "L"})
    gallons = run(source, out, cluster, reading={"unit": "gal"})
    assert gallons.n_answered == 2
    assert gallons.totals.metered_l == pytest.approx(litres.totals.metered_l * 3.785411784)
    assert (litres.totals.units, gallons.totals.units) == ("si", "us")


def test_corrupt_homes_cost_themselves_alone_and_are_tried_again(write_homes, tmp_path, cluster):
    sound = write_homes("a", "b", "c", folder="sound")
    run(sound, tmp_path / "expected", cluster)
    mixed = write_homes("a", "b", "c", "cut", "empty", "=odd", folder="mixed")
    for home in ("a", "b", "c"):
        stat = (sound / f"home={home}" / "part-0.parquet").stat()
        os.utime(mixed / f"home={home}" / "part-0.parquet", ns=(stat.st_atime_ns, stat.st_mtime_ns))
    cut = mixed / "home=cut" / "part-0.parquet"
    whole = cut.read_bytes()
    cut.write_bytes(whole[: len(whole) // 2])
    (mixed / "home=empty" / "part-0.parquet").unlink()
    (mixed / "home==odd" / "part-0.parquet").unlink()
    (mixed / "home==odd" / "part-0.csv").write_text("time,volume_l\n2024-05-01T00:00:00Z,wet\n")
    told = []
    done = run(mixed, tmp_path / "out", cluster, report=told.append)
    assert list(done.failed["home"]) == ["=odd", "cut", "empty"]
    assert sorted(outcome.home for outcome in told if outcome.state == "failed") == ["=odd", "cut", "empty"]
    assert "row" in done.failed["error"][0]
    assert "damaged" in done.failed["error"][1] or "Parquet" in done.failed["error"][1]
    assert all("run again" in advice for advice in done.failed["what_to_do"])
    # A spreadsheet would take an id that starts with = for a formula.
    assert list(pd.read_csv(tmp_path / "out" / "failed.csv")["home"]) == ["'=odd", "cut", "empty"]
    found = content(tmp_path / "out")
    del found["failed.csv"]
    assert found == {name: data for name, data in content(tmp_path / "expected").items() if name != "failed.csv"}
    cut.write_bytes(whole)
    mended = run(mixed, tmp_path / "out", cluster)
    assert (mended.n_answered, mended.n_kept, list(mended.failed["home"])) == (1, 3, ["=odd", "empty"])


@pytest.mark.parametrize("named", [b"caf\xe9.csv", b"home=caf\xe9/a.csv", b"home=caf%E9/a.csv"])
def test_a_name_that_is_no_utf8_costs_itself_alone(write_homes, tmp_path, cluster, named):
    if named.startswith(b"home="):
        source = write_homes("a")
    else:
        source = tmp_path / "meters"
        source.mkdir()
        log_of(1).to_parquet(source / "a.parquet")
    strange = source / os.fsdecode(named)
    strange.parent.mkdir(exist_ok=True)
    strange.write_text("time,volume_l\n2024-05-01T00:00:00Z,1\n")
    for _ in range(2):
        done = run(source, tmp_path / "out", cluster)
        assert (done.totals.n_homes, list(done.failed["home"])) == (1, ["caf\\udce9"])
        assert "isn't UTF-8" in done.failed["error"][0]
        assert list(pd.read_csv(tmp_path / "out" / "failed.csv")["home"]) == ["caf\\udce9"]


def test_a_home_that_fails_now_keeps_no_answer_of_before(write_homes, tmp_path, cluster):
    source = write_homes("a", "b")
    run(source, tmp_path / "out", cluster)
    (source / "home=a" / "part-0.parquet").write_bytes(b"PAR1 no more")
    done = run(source, tmp_path / "out", cluster)
    assert list(done.failed["home"]) == ["a"]
    assert not [name for name in content(tmp_path / "out") if "home=a" in name]
    assert list(pd.read_parquet(tmp_path / "out" / "summary.parquet")["home"]) == ["b"]


def test_from_url_to_url(write_homes, tmp_path, cluster):
    source = write_homes("a", "b")
    run(source, tmp_path / "out", cluster)
    memory = fsspec.filesystem("memory")
    memory.put(str(source), "/fleet/meters", recursive=True)
    try:
        done = run("memory://fleet/meters", "memory://fleet/out", cluster)
        assert (done.n_answered, len(done.failed)) == (2, 0)
        for name, data in content(tmp_path / "out").items():
            if not name.startswith("receipts"):  # another source, other stamps
                assert memory.cat_file(f"/fleet/out/{name}") == data
        assert run("memory://fleet/meters", "memory://fleet/out", cluster).n_kept == 2
    finally:
        memory.rm("/fleet", recursive=True)


def job(home, **changes):
    given = {
        "source": "/nowhere",
        "key": "home",
        "partitioned": True,
        "out": "/nowhere",
        "reading": {},
        "random_state": 0,
        "code": "x",
    }
    return Job(home=Home(name=home, entries=(f"home={home}",)), **(given | changes))


def test_a_home_that_kills_workers_is_listed_and_its_neighbours_answered(cluster, monkeypatch, tmp_path):
    last = SimpleNamespace(address="tcp://127.0.0.1:1")

    def dies(job):
        tried = tmp_path / job.home.name
        if job.home.name == "killer" or (job.home.name == "neighbour" and not tried.exists()):
            tried.write_text(tried.read_text() + "x" if tried.exists() else "x")
            raise distributed.KilledWorker(job.home.name, last, 3)
        return Outcome(home=job.home.name, state="answered")

    monkeypatch.setattr(cluster_module, "answer_home", dies)
    with distributed.Client(cluster) as client:
        found = {outcome.home: outcome for outcome in outcomes(client, map(job, ["a", "killer", "neighbour", "b"]))}
    assert {home: outcome.state for home, outcome in found.items()} == {
        "a": "answered",
        "b": "answered",
        "neighbour": "answered",
        "killer": "failed",
    }
    assert "died" in found["killer"].error
    assert (tmp_path / "killer").read_text() == "xx", "once beside others, once alone"


def test_workers_that_dask_gives_up_are_started_anew(write_homes, tmp_path, cluster, monkeypatch):
    psutil = pytest.importorskip("psutil")
    source = write_homes(*(f"h{number}" for number in range(6)), rows=1_500)
    run(source, tmp_path / "whole", cluster)
    monkeypatch.setattr(cluster_module, "RECOUNT_S", 0.5)
    monkeypatch.setattr(cluster_module, "UNMANNED_S", 30.0)
    killed, wait = [], distributed.wait

    def kill_the_worker_that_has_the_outcome(*args, **options):
        found = wait(*args, **options)
        if not killed:
            workers = [child for child in psutil.Process().children() if "spawn_main" in " ".join(child.cmdline())]
            killed.extend(worker.pid for worker in workers)
            for worker in workers:
                worker.kill()
        return found

    monkeypatch.setattr(distributed, "wait", kill_the_worker_that_has_the_outcome)
    # No process starts so fast: the nanny of the dead worker is ended before it has another.
    with dask.config.set({"distributed.deploy.lost-worker-timeout": "10ms"}):
        done = run_fleet(find_homes(source), tmp_path / "killed", workers=1)
    assert (len(killed), done.n_answered + done.n_kept, len(done.failed)) == (1, 6, 0)
    assert content(tmp_path / "killed") == content(tmp_path / "whole")


def test_a_run_without_workers_ends_with_an_error(monkeypatch):
    monkeypatch.setattr(cluster_module, "RECOUNT_S", 0.1)
    monkeypatch.setattr(cluster_module, "UNMANNED_S", 0.3)
    with (
        distributed.LocalCluster(
            n_workers=0, processes=False, dashboard_address="127.0.0.1:0", scheduler_kwargs={"dashboard": False}
        ) as empty,
        distributed.Client(empty) as client,
        pytest.raises(FlowsiftError, match="no worker is left: run again"),
    ):
        list(outcomes(client, [job("a")]))


def test_only_a_few_jobs_are_handed_out_at_a_time(cluster, monkeypatch):
    taken, done = [], []

    def jobs():
        for number in range(40):
            taken.append(number)
            assert len(taken) - len(done) <= 2 * cluster_module.JOBS_PER_THREAD + 1
            yield job(f"h{number}")

    monkeypatch.setattr(cluster_module, "answer_home", lambda job: Outcome(home=job.home.name, state="answered"))
    with distributed.Client(cluster) as client:
        for outcome in outcomes(client, jobs()):
            done.append(outcome.home)
    assert sorted(done) == sorted(f"h{number}" for number in range(40))


def test_a_worker_with_another_flowsift_stops_the_run(cluster):
    with pytest.raises(OptionError, match="another flowsift"):
        answer_home(job("a"))
    with distributed.Client(cluster) as client, pytest.raises(FlowsiftError, match="another flowsift"):
        list(outcomes(client, [job("a")]))


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"workers": 2, "scheduler": "tcp://127.0.0.1:1"}, "not both"),
        ({"workers": 0}, "1 or more"),
        ({"reading": {"kind": "speed"}}, "unknown kind"),
    ],
)
def test_wrong_options_stop_before_any_home(write_homes, tmp_path, options, words):
    with pytest.raises(OptionError, match=words):
        run_fleet(find_homes(write_homes("a")), tmp_path / "out", **options)


def test_answers_never_go_into_the_source(write_homes, cluster):
    source = write_homes("a")
    with pytest.raises(OptionError, match="is the source"):
        run(source, source, cluster)


def test_what_cannot_be_read_back(tmp_path):
    with pytest.raises(InputError, match="no answers"):
        read_answers(tmp_path, "events")
    with pytest.raises(OptionError, match="known tables: events"):
        read_answers(tmp_path, "showers")
