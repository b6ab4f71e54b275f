"""Measure fleets: throughput per core, scaling, memory, and what survives.

    python benchmarks/fleet.py --output benchmarks/FLEET.md

Makes its own homes (copies of a few simulated ones, each under an id of its own), runs `flowsift.fleet` on them in
processes of its own, and watches those from outside. Give --parts to run some of the parts; their sections of an
existing report are replaced, the others stay.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import pandas as pd
import psutil

from fleet_faults import measure_damage, measure_interrupts, measure_kills
from fleet_runs import DISTINCT, Watched, content, watched_run, write_fleet
from flowsift.evaluate.provenance import commit
from flowsift.fleet import find_homes, read_answers
from flowsift.fleet.store import FleetStore
from flowsift.fleet.tables import SCHEMAS
from flowsift.fleet.work import Job, answer_home, code_here

PACKAGES = ("flowsift", "dask", "distributed", "pyarrow", "pandas", "numpy", "duckdb", "pyspark")
PRICE_PER_CORE_H = 0.05
"""Price of a core-hour of a rented machine [USD] (assumption: it differs by provider and by year)."""


def size_mb(folder: Path) -> float:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file()) / 1e6


def alone_per_s(source: Path, processes: int) -> float:
    """Rate of homes that plain processes reach on the same files without Dask: the machine's own ceiling."""
    code = (
        "import sys, time, flowsift as fs\n"
        "files = sys.argv[1:]\n"
        "fs.disaggregate(fs.read_trace(files[0]))\n"
        "print(time.perf_counter(), flush=True)\n"
        "for file in files: fs.disaggregate(fs.read_trace(file))\n"
        "print(time.perf_counter())\n"
    )
    files = sorted(map(str, source.glob("*/*.parquet")))[: 2 * DISTINCT]
    running = [
        subprocess.Popen(
            [sys.executable, "-c", code, *files],
            stdout=subprocess.PIPE,
            text=True,
            env=os.environ | {"OMP_NUM_THREADS": "1"},
        )
        for _ in range(processes)
    ]
    spans = [tuple(map(float, process.communicate()[0].split())) for process in running]
    return sum(len(files) / (end - start) for start, end in spans)


def measure_throughput(folder: Path, *, homes: int = 64, repeats: int = 3) -> list[str]:
    lines = [
        "| interval | homes | workers | home-days/s | per worker | efficiency | per core-second | plain | load |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    costs, every = [], []
    for interval_s, days, count in ((1.0, 14, homes), (10.0, 14, 2 * homes)):
        source = write_fleet(folder / f"at-{interval_s:g}s", homes=count, days=days, interval_s=interval_s)
        runs: dict[int, list[Watched]] = {1: [], 2: []}
        plain: dict[int, list[float]] = {1: [], 2: []}
        # In turns, so that what else runs on the machine disturbs all alike.
        for repeat in range(repeats):
            for workers in (1, 2):
                out = folder / f"out-{interval_s:g}-{workers}-{repeat}"
                runs[workers].append(watched_run(source, out, workers=workers))
                plain[workers].append(alone_per_s(source, workers) * days)
                assert content(out) == content(folder / f"out-{interval_s:g}-1-0"), "other bytes"
        rates = {workers: [run.homes_per_s() * days for run in done] for workers, done in runs.items()}
        best = {workers: max(found) for workers, found in rates.items()}
        per_core = {workers: max(run.homes_per_cpu_s() * days for run in done) for workers, done in runs.items()}
        for workers in (1, 2):
            efficiency = f"{best[2] / (2 * best[1]):.2f}" if workers == 2 else ""
            load = statistics.mean(run.load for run in runs[workers])
            lines.append(
                f"| {interval_s:g} s | {count} x {days} days | {workers} | {best[workers]:.1f} "
                f"| {best[workers] / workers:.1f} | {efficiency} | {per_core[workers]:.1f} "
                f"| {max(plain[workers]):.1f} | {load:.1f} |"
            )
        ceiling = max(plain[2]) / (2 * max(plain[1]))
        listed = "; ".join(f"{w}: {', '.join(f'{rate:.1f}' for rate in found)}" for w, found in rates.items())
        every.append(
            f"- {interval_s:g} s: every run, home-days/s by workers: {listed}. Two plain processes reach {ceiling:.2f} "
            "of twice one: more than that can't be expected of two workers here."
        )
        size = size_mb(folder / f"out-{interval_s:g}-1-0") / count
        core_h = 1e6 * days / per_core[1] / 3600
        costs.append(
            f"- {days} days at {interval_s:g} s: {core_h:,.0f} core-hours (on 100 cores {core_h / 100:.1f} hours), "
            f"about {core_h * PRICE_PER_CORE_H:,.0f} USD at {PRICE_PER_CORE_H} USD a core-hour (assumed), "
            f"{size_mb(source) / count:,.2f} TB of data read, {size:,.2f} TB of answers in 6 million files"
        )
        shutil.rmtree(source)
    return [
        *lines,
        "",
        f"Best of {repeats} runs, from the seventh outcome on: starting Python and Dask isn't counted. *Per core- "
        "second*: home-days for each second of processor time that the workers used, which says what a core can "
        "do whatever else runs beside it. *Plain*: home-days/s of as many Python processes as workers that read "
        "and disaggregate the same files without Dask and write nothing. *Load*: mean number of runnable "
        "processes on these two cores at the ends of the runs, our own included; more than workers means that "
        "other work took part of the cores.",
        "",
        *every,
        "- All runs wrote the same files, byte for byte, with one worker and with two.",
        "",
        "A million homes, from the home-days per core-second of one worker:",
        "",
        *costs,
    ]


def measure_core(folder: Path) -> list[str]:
    lines = [
        "| interval | homes | home-days per core-second | a million homes of 14 days | answers |",
        "| --- | --- | --- | --- | --- |",
    ]
    days = 14
    for interval_s in (1.0, 10.0):
        source = find_homes(
            write_fleet(folder / f"core-{interval_s:g}s", homes=DISTINCT, days=days, interval_s=interval_s)
        )
        out = folder / f"core-out-{interval_s:g}"
        FleetStore(str(out)).prepare([])
        jobs = [
            Job(
                home=home,
                source=source.url,
                key=source.key,
                partitioned=source.partitioned,
                out=str(out),
                reading={},
                random_state=0,
                code=code_here(),
            )
            for home in source.homes()
        ]
        answer_home(jobs[0])
        started = time.process_time()
        assert all(answer_home(replace(job, random_state=1)).state == "answered" for job in jobs)
        rate = len(jobs) * days / (time.process_time() - started)
        core_h = 1e6 * days / rate / 3600
        lines.append(
            f"| {interval_s:g} s | {len(jobs)} x {days} days | {rate:.1f} | {core_h:,.0f} core-hours, about "
            f"{core_h * PRICE_PER_CORE_H:,.0f} USD at {PRICE_PER_CORE_H} USD a core-hour (assumed) "
            f"| {size_mb(out) / len(jobs):.3f} TB in 6 million files |"
        )
    return [
        *lines,
        "",
        "Processor time of the work on a home (reading its file, disaggregating, writing its tables), in one process "
        "without Dask: it holds whatever else runs on the machine, but for caches that are shared.",
    ]


def measure_memory(folder: Path) -> list[str]:
    lines = [
        "| homes | peak of the coordinator, MB | peak of a worker, MB | run, s | again, all kept, s |",
        "| --- | --- | --- | --- | --- |",
    ]
    for homes in (10, 100, 1000):
        source = write_fleet(folder / f"memory-{homes}", homes=homes, days=1, interval_s=60.0)
        out = folder / f"memory-out-{homes}"
        seen = watched_run(source, out, workers=2)
        again = watched_run(source, out, workers=2)
        assert {state for _, _, state in again.outcomes} == {"kept"}
        lines.append(
            f"| {homes:,} | {seen.coordinator_mb:.0f} | {seen.worker_mb:.0f} | {seen.elapsed_s:.1f} "
            f"| {again.elapsed_s:.1f} |"
        )
        shutil.rmtree(source)
    lines += ["", "Homes of 1 day at 60 s, two workers; largest resident memory, sampled ten times a second."]
    rows = []
    for days in (14, 60):
        source = write_fleet(folder / f"big-{days}", homes=3, days=days, interval_s=1.0)
        seen = watched_run(source, folder / f"big-out-{days}", workers=1)
        rows.append(f"{seen.worker_mb:.0f} MB with homes of {days} days at 1 s")
        shutil.rmtree(source)
    lines += ["", f"A worker's memory follows its largest home: {', '.join(rows)}."]
    return lines


def measure_plan(folder: Path) -> list[str]:
    source = folder / "plan"
    count = 100_000
    for number in range(count):
        (source / f"home={number:07d}").mkdir(parents=True)
    code = (
        "import sys, time, resource\n"
        "from flowsift.fleet import find_homes\n"
        "from flowsift.fleet.store import FleetStore\n"
        "import fsspec\n"
        "before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "start = time.perf_counter()\n"
        "found = find_homes(sys.argv[1])\n"
        "FleetStore(sys.argv[2]).prepare(home.name for home in found.homes())\n"
        "after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        "print(len(found), time.perf_counter() - start, (after - before) / 1e3)\n"
    )
    shown = subprocess.run(
        [sys.executable, "-c", code, str(source), str(folder / "plan-out")], capture_output=True, text=True, check=True
    )
    homes, seconds, megabytes = shown.stdout.split()
    return [
        f"Finding {int(homes):,} homes and checking the folder of answers: {float(seconds):.1f} s and "
        f"{float(megabytes):.0f} MB in the coordinator ({float(megabytes) / int(homes) * 1e6:.0f} bytes a home).",
    ]


def measure_readers(folder: Path) -> list[str]:
    source = write_fleet(folder / "readers", homes=6, days=3, interval_s=10.0)
    source.joinpath("home=000000").rename(source / "home=Caf%C3%A9%201%2Fb")
    out = folder / "readers-out"
    watched_run(source, out, workers=2)
    own = {name: read_answers(out, name) for name in SCHEMAS}
    lines = [
        "| table | rows | pandas | DuckDB | Spark |",
        "| --- | --- | --- | --- | --- |",
    ]
    readers = {"pandas": _pandas_sum, "DuckDB": _duckdb_sum, "Spark": _spark_sum}
    for name, table in own.items():
        column = {"balance": "metered_l", "toilets": "mean_l"}.get(name, "volume_l")
        expected = (len(table), table["home"].nunique(), float(table[column].sum()))
        cells = []
        for reader in readers.values():
            try:
                rows, homes, litres = reader(out / name, column)
            except ImportError as error:
                cells.append(f"not tried ({error.name} isn't installed)")
                continue
            fine = (rows, homes) == expected[:2] and abs(litres - expected[2]) <= 1e-9 * expected[2]
            cells.append("same rows, homes and sum" if fine else f"**{rows} rows, {homes} homes, {litres} L**")
        lines.append(f"| {name} | {len(table):,} | {' | '.join(cells)} |")
    lines += ["", "Each reader opens the folder of the table as it is; one home's id is `Café 1/b`."]
    return lines


def _pandas_sum(folder: Path, column: str) -> tuple[int, int, float]:
    table = pd.read_parquet(folder)
    return len(table), table["home"].nunique(), float(table[column].sum())


def _duckdb_sum(folder: Path, column: str) -> tuple[int, int, float]:
    import duckdb

    found = duckdb.sql(
        f"select count(*), count(distinct home), sum({column}) from read_parquet('{folder}/*/*.parquet')"
    )
    row = found.fetchall()[0]
    return int(row[0]), int(row[1]), float(row[2])


def _spark_sum(folder: Path, column: str) -> tuple[int, int, float]:
    from pyspark.sql import SparkSession
    from pyspark.sql.functions import count, countDistinct, sum

    spark = SparkSession.builder.master("local[1]").config("spark.ui.enabled", "false").getOrCreate()
    row = spark.read.parquet(str(folder)).agg(count("*"), countDistinct("home"), sum(column)).first()
    return int(row[0]), int(row[1]), float(row[2])


PARTS: dict[str, tuple[str, Callable[[Path], list[str]]]] = {
    "throughput": ("Throughput, scaling, and a million homes", measure_throughput),
    "core": ("The work of one core", measure_core),
    "memory": ("Memory", measure_memory),
    "plan": ("Finding the homes", measure_plan),
    "kills": ("Workers that die", measure_kills),
    "interrupts": ("Interrupted runs", measure_interrupts),
    "damage": ("Corrupt files and full disks", measure_damage),
    "readers": ("Who reads the answers", measure_readers),
}


def environment_line() -> str:
    """Say on what it was measured."""
    found = []
    for package in PACKAGES:
        try:
            found.append(f"{package} {version(package)}")
        except PackageNotFoundError:
            continue
    memory = psutil.virtual_memory().total / 1e9
    return (
        f"Python {platform.python_version()}, {', '.join(found)}; commit {commit() or 'unknown'}; {platform.system()} "
        f"{platform.machine()}, {os.cpu_count()} cores, {memory:.0f} GB; {time.strftime('%Y-%m-%d %H:%M')} UTC"
    )


def main(arguments: Sequence[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--parts", nargs="+", choices=list(PARTS), default=list(PARTS))
    parser.add_argument("--output", type=Path)
    parser.add_argument("--homes", type=int, default=64, help="homes of the runs that are timed")
    parser.add_argument("--repeats", type=int, default=3, help="runs that are timed with each number of workers")
    options = parser.parse_args(arguments)
    parts = PARTS | {
        "throughput": (
            PARTS["throughput"][0],
            partial(measure_throughput, homes=options.homes, repeats=options.repeats),
        )
    }
    sections = {}
    if options.output is not None and options.output.exists():
        sections = dict(
            re.findall(r"^## (.+?)\n(.*?)(?=^## |\Z)", options.output.read_text(), re.DOTALL | re.MULTILINE)
        )
    for part in options.parts:
        heading, measure = parts[part]
        with tempfile.TemporaryDirectory(prefix="flowsift-fleet-") as folder:
            lines = measure(Path(folder))
        command = f"python benchmarks/fleet.py --parts {part}"
        if part == "throughput":
            command += f" --homes {options.homes} --repeats {options.repeats}"
        sections[heading] = "\n".join(["", *lines, "", f"`{command}`. {environment_line()}.", "", ""])
        print(f"## {heading}\n{sections[heading]}")
    if options.output is not None:
        body = "".join(f"## {heading}\n{sections[heading]}" for heading, _ in PARTS.values() if heading in sections)
        options.output.write_text(f"# Many homes\n\nWritten by `benchmarks/fleet.py`.\n\n{body.rstrip()}\n")


if __name__ == "__main__":
    main()
