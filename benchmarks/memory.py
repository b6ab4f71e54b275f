"""Peak memory of reading a file, against its size.

    python benchmarks/memory.py --folder FOLDER [--rows 400000 --rows 4000000 --rows 40000000]

Makes logs of one home at one second (24 bytes a row, flow in about 4 % of the rows) and reads each in a process of its
own: plain ones, packed ones, and ones whose clock jitters, which are read whole. The peak is the largest resident
memory of that process; that of a file of a thousand rows is what the libraries take.
"""

from __future__ import annotations

import argparse
import gzip
import resource
import subprocess
import sys
from pathlib import Path

import numpy as np

import flowsift as fs

BLOCK = 1_000_000
FORMS = ("plain", "packed", "jitter")


def make(path: Path, rows: int, form: str) -> None:
    """Write a log block by block."""
    rng = np.random.default_rng(1)
    with gzip.open(path, "wb", compresslevel=1) if form == "packed" else path.open("wb") as file:
        file.write(b"time,volume_l\n")
        for first in range(0, rows, BLOCK):
            n = min(BLOCK, rows - first)
            late_ms = rng.integers(0, 80, n) if form == "jitter" else np.zeros(n, np.int64)
            offset = (np.arange(first, first + n) * 1000 + late_ms).astype("m8[ms]")
            times = np.datetime_as_string(
                np.datetime64("2023-01-01", "ms") + offset, unit="ms" if form == "jitter" else "s"
            )
            volume = np.zeros(n)
            for start in rng.integers(0, max(n - 90, 1), n // 2000):
                volume[start : start + 90] = 0.1 * rng.integers(0, 4, min(90, n - start))
            file.write("".join(f"{t},{v:.1f}\n" for t, v in zip(times, volume, strict=True)).encode())


def peak_mb(path: Path) -> tuple[float, int]:
    """Return the peak memory of a process that reads the file [MB], and the cells with flow."""
    done = subprocess.run(
        [sys.executable, __file__, "--read", str(path)], capture_output=True, text=True, check=True, timeout=3600
    )
    peak, n_flow = done.stdout.split()
    return float(peak), int(n_flow)


def main() -> None:
    """Make, read and tell."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("--folder", type=Path)
    options.add_argument("--rows", type=int, action="append")
    options.add_argument("--form", choices=FORMS, action="append")
    options.add_argument("--read", type=Path, help=argparse.SUPPRESS)
    options.add_argument("--make", nargs=3, help=argparse.SUPPRESS)
    asked = options.parse_args()
    if asked.make:
        make(Path(asked.make[0]), int(asked.make[1]), asked.make[2])
        return
    if asked.read:
        trace = fs.read_trace(asked.read)
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        sys.stdout.write(f"{peak:.0f} {trace.n_flow}\n")
        return
    sys.stdout.write("| log | rows | file [MB] | flow cells | peak [MB] |\n| --- | --- | --- | --- | --- |\n")
    for form in asked.form or FORMS:
        for rows in [1_000, *(asked.rows or [400_000, 4_000_000])]:
            path = asked.folder / f"{form}-{rows}.csv{'.gz' if form == 'packed' else ''}"
            if not path.exists():
                # in a process of its own: a new process starts with the peak of the one that it came from
                subprocess.run([sys.executable, __file__, "--make", str(path), str(rows), form], check=True)
            peak, n_flow = peak_mb(path)
            size = path.stat().st_size / 1e6
            sys.stdout.write(f"| {form} | {rows:,} | {size:,.1f} | {n_flow:,} | {peak:,.0f} |\n")
            sys.stdout.flush()


if __name__ == "__main__":
    main()
