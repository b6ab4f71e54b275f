"""What of a fleet's answers survives killed workers, interrupts, corrupt files and full disks (parts of `fleet.py`)."""

from __future__ import annotations

import shutil
import signal
import subprocess
import time
from pathlib import Path

import pandas as pd
import psutil

from fleet_runs import Watched, content, watched_run, workers_of, write_fleet


def reference(folder: Path, homes: int) -> tuple[Path, dict[str, str], str]:
    """Return a data set, what an undisturbed run writes, and a line that says so."""
    source = write_fleet(folder / "homes", homes=homes, days=1, interval_s=60.0)
    watched_run(source, folder / "whole", workers=2)
    line = f"{homes} homes of 1 day at 60 s, two workers; compared with what an undisturbed run wrote."
    return source, content(folder / "whole"), line


def without_42(files: dict[str, str]) -> dict[str, str]:
    """Return the files that the failure of home 42 must not change."""
    return {n: c for n, c in files.items() if "home=000042" not in n and n not in ("failed.csv", "summary.parquet")}


def measure_kills(folder: Path) -> list[str]:
    source, expected, line = reference(folder, 100)
    lines = [line, ""]
    kills: list[int] = []

    def kill_workers(top: psutil.Process, seen: Watched) -> bool:
        if len(seen.outcomes) >= 20 * (len(kills) + 1):
            worker = workers_of(top)
            if worker:
                worker[0].send_signal(signal.SIGKILL)
                kills.append(worker[0].pid)
        return len(kills) == 3

    killed = watched_run(source, folder / "faults-killed", workers=2, disturb=kill_workers)
    lines.append(
        f"- **A worker killed mid-run**, {len(kills)} times (SIGKILL): status {killed.status}, "
        f"{sum(state != 'failed' for _, _, state in killed.outcomes)} homes answered, "
        f"{same(expected, content(folder / 'faults-killed'))}."
    )

    preload = folder / "killer.py"
    preload.write_text(
        "import os\nimport flowsift.fleet.work as work\n_read = work.read_home\n"
        "def read_home(*args, home, **options):\n"
        "    if home == '000042':\n        os._exit(9)\n"
        "    return _read(*args, home=home, **options)\n"
        "def dask_setup(worker):\n    work.read_home = read_home\n"
    )
    seen = watched_run(
        source,
        folder / "faults-killer",
        workers=2,
        environment={"DASK_DISTRIBUTED__WORKER__PRELOAD": str(preload)},
    )
    listed = pd.read_csv(folder / "faults-killer" / "failed.csv", dtype=str)
    same_rest = same(without_42(expected), without_42(content(folder / "faults-killer")))
    lines.append(
        f"- **A home that kills every worker that takes it**: status {seen.status}, listed: "
        f"{', '.join(listed['home'])} ({listed['error'][0]}); the other 99 homes "
        f"{same_rest}; {seen.elapsed_s:.0f} s."
    )
    return lines


def measure_interrupts(folder: Path) -> list[str]:
    source, expected, line = reference(folder, 100)
    stops = []
    for number in range(10):
        wanted = 3 + number % 4
        hard = number % 2 == 1

        def stop(top: psutil.Process, seen: Watched, wanted: int = wanted, hard: bool = hard) -> bool:
            if sum(state == "answered" for _, _, state in seen.outcomes) < wanted:
                return False
            top.send_signal(signal.SIGKILL if hard else signal.SIGINT)
            return True

        stops.append(watched_run(source, folder / "faults-stopped", workers=2, disturb=stop).status)
        time.sleep(1.0)  # workers whose coordinator was killed notice it and end
    finished = watched_run(source, folder / "faults-stopped", workers=2)
    states = [state for _, _, state in finished.outcomes]
    return [
        line,
        "",
        "- **The run interrupted ten times** (in turns by Ctrl-C and by SIGKILL; statuses "
        f"{', '.join(map(str, stops))}), then finished: {states.count('kept')} homes kept, "
        f"{states.count('answered')} answered by the last run, {same(expected, content(folder / 'faults-stopped'))}.",
    ]


def measure_damage(folder: Path) -> list[str]:
    source, expected, line = reference(folder, 100)
    corrupt = folder / "faults-corrupt-source"
    shutil.copytree(source, corrupt)
    file = corrupt / "home=000042" / "part-0.parquet"
    file.write_bytes(file.read_bytes()[:5_000])
    seen = watched_run(corrupt, folder / "faults-corrupt", workers=2)
    listed = pd.read_csv(folder / "faults-corrupt" / "failed.csv", dtype=str)
    same_rest = same(without_42(expected), without_42(content(folder / "faults-corrupt")))
    return [
        line,
        "",
        f"- **A corrupt file among a hundred**: status {seen.status}, listed: {', '.join(listed['home'])} "
        f"({listed['error'][0]}); the other 99 homes {same_rest}.",
        full_disk(source, folder, expected),
    ]


def full_disk(source: Path, folder: Path, expected: dict[str, str]) -> str:
    """Run onto a small disk of its own that fills up, then make room and run again."""
    disk = folder / "small-disk"
    disk.mkdir()
    name = "- **A disk that fills up**"
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(disk)], capture_output=True, check=False
    )
    if made.returncode:
        return (
            f"{name}: not measured (no right to mount a small disk here); tests fill one up in every place of a home."
        )
    try:
        log = folder / "small-disk.jsonl"
        first = watched_run(source, disk / "out", workers=2, log=log)
        states = [state for _, _, state in first.outcomes]
        receipts = {path.stem for path in (disk / "out" / "receipts").iterdir()}
        halves = len({path.parent.name for path in (disk / "out").glob("*/*/part-0.parquet")} - receipts)
        subprocess.run(["mount", "-o", "remount,size=200m", str(disk)], check=True)
        second = watched_run(source, disk / "out", workers=2, log=log)
        return (
            f"{name} (2 MB): status {first.status}, {states.count('answered')} homes answered, "
            f"{states.count('failed')} listed, {halves} half written; with room, run again: status {second.status}, "
            f"{[s for _, _, s in second.outcomes].count('kept')} kept, {same(expected, content(disk / 'out'))}."
        )
    finally:
        subprocess.run(["umount", str(disk)], check=False)


def same(expected: dict[str, str], found: dict[str, str]) -> str:
    """Say whether two sets of files are the same."""
    differ = sorted(n for n in expected.keys() | found.keys() if expected.get(n) != found.get(n))
    if not differ:
        return f"the same {len(found)} files byte for byte"
    return f"**{len(differ)} of {len(expected)} files differ** ({', '.join(differ[:3])})"
