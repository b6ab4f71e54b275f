"""The time from an empty folder to the first account of one's own file.

    python benchmarks/new_user.py > benchmarks/NEW_USER.md

Makes what a new user may have: ten days of a simulated home as another logger would write them (German column names,
day first, decimal commas, US gallons, a title above the header). Then it does what the README and the first page of the
documentation say, in an empty folder, with no cache of packages, and writes down the time by the clock and of the
processor for each step. Packages come over the network: the clock of the first step says as much about that.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import pandas as pd

from flowsift.households import simulate
from flowsift.units import L_PER_GAL

TOP = Path(__file__).resolve().parents[1]

STEPS = (
    ("install", f"{sys.executable} -m venv .venv && .venv/bin/pip install -q ."),
    ("the demo", ".venv/bin/flowsift demo"),
    ("the account of the file", ".venv/bin/flowsift account meter.csv --timezone Europe/Berlin"),
)


def write_own_file(path: Path) -> None:
    """Write ten days of a simulated home as a logger with its own habits would."""
    trace = simulate(seed=424_242, days=10, interval_s=5.0).trace
    volume_gal = np.zeros(trace.n_cells)
    volume_gal[trace.cell] = trace.volume_l / L_PER_GAL
    times = pd.DatetimeIndex(trace.time_of(np.arange(trace.n_cells))).tz_convert("Europe/Berlin")
    rows = (
        f"{when};{volume:.4f}".replace(".", ",") + ";\n"
        for when, volume in zip(times.strftime("%d/%m/%Y %H:%M:%S"), volume_gal, strict=True)
    )
    with path.open("w", encoding="utf-8") as file:
        file.write("Wasserzähler im Keller\nZeitpunkt;Verbrauch (gal);Bemerkung\n")
        file.writelines(row.replace("/", ".") for row in rows)


def main() -> None:
    """Do the steps and print a table."""
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "flowsift"
        subprocess.run(["git", "clone", "-q", str(TOP), str(place)], check=True)
        write_own_file(place / "meter.csv")
        lines = [
            "# From an empty folder to the first account",
            "",
            f"Written by `python benchmarks/new_user.py`; {os.cpu_count()} processors, load {os.getloadavg()[1]:.0f}, "
            f"Python {sys.version.split()[0]}. No package was in a cache.",
            "",
            "| step | clock (s) | processor (s) |",
            "| --- | --- | --- |",
        ]
        whole_s = whole_cpu_s = 0.0
        for name, command in STEPS:
            began, before = time.monotonic(), os.times()
            subprocess.run(
                command,
                shell=True,
                cwd=place,
                check=True,
                env=os.environ | {"PIP_NO_CACHE_DIR": "1"},
                stdout=subprocess.DEVNULL,
            )
            after = os.times()
            cpu_s = after.children_user + after.children_system - before.children_user - before.children_system
            took_s = time.monotonic() - began
            lines.append(f"| {name} | {took_s:.0f} | {cpu_s:.0f} |")
            whole_s, whole_cpu_s = whole_s + took_s, whole_cpu_s + cpu_s
        lines.append(f"| in all | {whole_s:.0f} | {whole_cpu_s:.0f} |")
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
