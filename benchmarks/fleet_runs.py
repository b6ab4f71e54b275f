"""Fleets for the measurements: homes made, runs in processes of their own, watched from outside.

``python fleet_runs.py SOURCE OUT WORKERS LOG`` is what `watched_run` starts.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import psutil

from flowsift.fleet import find_homes, run_fleet
from flowsift.households import simulate

DISTINCT = 8
"""Simulated homes that the others are copies of."""

WARM_UP = 6
"""First outcomes that aren't timed: every worker has loaded what it needs by then."""

SAMPLE_S = 0.1


def write_fleet(folder: Path, *, homes: int, days: int, interval_s: float) -> Path:
    """Write a partitioned data set with a row for every interval."""
    models = folder.with_name(f"{folder.name}-models")
    models.mkdir(parents=True)
    for number in range(min(DISTINCT, homes)):
        trace = simulate(1_000 + number, days=days, interval_s=interval_s).trace
        volume = np.zeros(trace.n_cells)
        volume[trace.cell] = trace.volume_l
        table = pd.DataFrame({"time": trace.time_of(np.arange(trace.n_cells)), "volume_l": volume})
        table.to_parquet(models / f"{number}.parquet")
    for number in range(homes):
        place = folder / f"home={number:06d}"
        place.mkdir(parents=True)
        shutil.copy2(models / f"{number % DISTINCT}.parquet", place / "part-0.parquet")
    return folder


@dataclass(frozen=True, kw_only=True)
class Watched:
    """A run as seen from outside: outcomes with their times, peak memory, processor time of the workers."""

    status: int
    outcomes: list[tuple[float, str, str]]
    elapsed_s: float
    coordinator_mb: float
    worker_mb: float
    worker_cpu_s: list[tuple[float, float]]
    load: float

    def homes_per_s(self) -> float:
        """Rate of homes after the warm-up."""
        times = [at for at, _, _ in self.outcomes]
        return (len(times) - WARM_UP) / (times[-1] - times[WARM_UP - 1])

    def homes_per_cpu_s(self) -> float:
        """Homes after the warm-up for each second that a core worked for the workers."""
        times = [at for at, _, _ in self.outcomes]
        at, used = np.array(self.worker_cpu_s).T
        spent = np.diff(np.interp([times[WARM_UP - 1], times[-1]], at, used))
        return float((len(times) - WARM_UP) / spent[0])


def watched_run(
    source: Path,
    out: Path,
    *,
    workers: int,
    disturb: Callable[[psutil.Process, Watched], bool] | None = None,
    environment: dict[str, str] | None = None,
    log: Path | None = None,
) -> Watched:
    """Run a fleet in a process of its own.

    `disturb` is called at every sample until it returns True; it gets the process and what is known so far.
    """
    log = log or out.with_name(f"{out.name}.jsonl")
    log.write_text("")
    command = [sys.executable, __file__, str(source), str(out), str(workers), str(log)]
    started = time.perf_counter()
    process = subprocess.Popen(
        command, env=os.environ | {"OMP_NUM_THREADS": "1"} | (environment or {}), stderr=subprocess.DEVNULL
    )
    top, peaks, disturbed = psutil.Process(process.pid), {"coordinator": 0.0, "worker": 0.0}, disturb is None
    used: list[tuple[float, float]] = []

    def seen() -> Watched:
        lines = [json.loads(line) for line in log.read_text().splitlines() if line.endswith("]")]
        return Watched(
            status=process.returncode if process.returncode is not None else -1,
            outcomes=[(at, home, state) for at, home, state in lines],
            elapsed_s=time.perf_counter() - started,
            coordinator_mb=peaks["coordinator"],
            worker_mb=peaks["worker"],
            worker_cpu_s=used,
            load=os.getloadavg()[0],
        )

    while process.poll() is None:
        try:
            peaks["coordinator"] = max(peaks["coordinator"], top.memory_info().rss / 1e6)
            now_s, cpu_s = time.perf_counter(), 0.0
            for child in workers_of(top):
                peaks["worker"] = max(peaks["worker"], child.memory_info().rss / 1e6)
                cpu_s += sum(child.cpu_times()[:2])
            # While the workers end, one after another, their sum falls.
            if not used or cpu_s >= used[-1][1]:
                used.append((now_s, cpu_s))
        except psutil.Error:
            pass
        if not disturbed and disturb is not None:
            disturbed = disturb(top, seen())
        time.sleep(SAMPLE_S)
    return seen()


def workers_of(top: psutil.Process) -> list[psutil.Process]:
    """Return the worker processes of a run."""
    return [child for child in top.children(recursive=True) if "spawn_main" in " ".join(child.cmdline())]


def run_here(source: str, out: str, workers: int, log: str) -> int:
    """Run a fleet in this process and write every outcome down (what `watched_run` starts)."""
    with open(log, "a", encoding="utf-8") as sink:

        def report(outcome: object) -> None:
            sink.write(json.dumps([time.perf_counter(), outcome.home, outcome.state]) + "\n")  # type: ignore[attr-defined]
            sink.flush()

        try:
            done = run_fleet(find_homes(source), out, workers=workers, report=report)
        except KeyboardInterrupt:
            return 130
        except OSError:  # no room even for the summary; the command line ends alike
            return 2
    return 3 if len(done.failed) else 0


def content(folder: Path) -> dict[str, str]:
    """Return the checksum of every file below a folder of answers."""
    return {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


if __name__ == "__main__":
    sys.exit(run_here(sys.argv[1], sys.argv[2], int(sys.argv[3]), sys.argv[4]))
