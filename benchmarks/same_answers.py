"""Whether the answer is the same on every Python, library version and processor.

    python benchmarks/same_answers.py answer FOLDER/NAME.json                   # under each of them
    python benchmarks/same_answers.py compare FOLDER/*.json > benchmarks/SAME_ANSWERS.md

`answer` disaggregates the shipped households and simulated ones (training seeds), and writes what came out, every
number with all its digits, and what it ran on. `compare` holds each record against the first, and ends with status 1
where they differ; `.ci/pythons` does both. Times, labels, fixtures and cycles have to be equal. Volumes, flows and
probabilities may differ by `TOLERANCES`: processors and libraries add in another order and round a logarithm otherwise.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import platform
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from pandas.api.types import is_float_dtype

import flowsift as fs
from flowsift.evaluate.checksums import home_checksum
from flowsift.evaluate.provenance import code_checksum, commit, versions
from flowsift.evaluate.suites import training_homes
from flowsift.households import read_shipped
from flowsift.households.shipped import SHIPPED

TOLERANCES = {"volumes": 1e-9, "probabilities": 1e-6}
"""Largest differences of a volume or flow, in parts of it (below 1, in its own unit), and of a probability: what the
networks take for evidence is kept in single precision, seven digits."""

LIBRARIES = ("numpy", "scipy", "pandas", "scikit-learn")
NARROWED_BY = ("NPY_DISABLE_CPU_FEATURES", "OPENBLAS_CORETYPE")
"""Environment variables that take instructions of the processor away from numpy and OpenBLAS."""


def record(homes: int, days: int) -> dict[str, Any]:
    """Answer the shipped households and `homes` simulated ones of some days, and return what came out and where."""
    shipped = {name: read_shipped(name) for name in SHIPPED}
    known = {name: (home.trace, home.truth) for name, home in shipped.items()}
    known |= {home.name: home.load() for home in training_homes(homes, days=days)}
    exact: dict[str, list[str]] = {}
    rounded: dict[str, dict[str, list[float]]] = {kind: {} for kind in TOLERANCES}
    for home, (trace, _) in known.items():
        answer = fs.disaggregate(trace)
        for table, rows in (("event", answer.events), ("trickle", answer.trickle)):
            for column, values in rows.items():
                key = f"{home} {table} {column}"
                if is_float_dtype(values):
                    rounded["probabilities" if column == "probability" else "volumes"][key] = values.tolist()
                else:
                    exact[key] = values.astype(object).where(values.notna(), "").astype(str).tolist()
    return {
        "commit": commit(),
        "code": code_checksum(),
        "versions": versions(),
        "machine": " ".join([platform.machine(), *(name for name in NARROWED_BY if name in os.environ)]),
        "days": sum(trace.duration_s for trace, _ in known.values()) / 86_400.0,
        "homes": {name: home_checksum(*home) for name, home in known.items()},
        "exact": exact,
        "rounded": rounded,
    }


def digest(values: Any) -> str:
    """Return a short checksum of what JSON can hold."""
    return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()[:12]


def largest_difference(one: Mapping[str, list[float]], other: Mapping[str, list[float]]) -> float:
    """Return the largest difference of two records' numbers; infinite where there are more of them in one."""
    worst = 0.0
    for key, column in one.items():
        left, right = np.asarray(column, dtype=float), np.asarray(other[key], dtype=float)
        if left.size != right.size or (np.isnan(left) != np.isnan(right)).any():
            return np.inf
        apart = np.abs(left - right) / np.maximum(np.abs(left), 1.0)
        worst = max(worst, float(np.nanmax(apart, initial=0.0)))
    return worst


def compare(paths: list[Path]) -> bool:
    """Print a table of the records, each held against the first, and tell whether all are the same."""
    records = [json.loads(path.read_text(encoding="utf-8")) for path in paths]
    first = records[0]
    if any((other["code"], other["homes"].keys()) != (first["code"], first["homes"].keys()) for other in records):
        raise SystemExit("these records are of several states of flowsift, or of other homes")
    n_events = sum(len(column) for key, column in first["exact"].items() if key.endswith(" event start"))
    print(
        "# The same answer everywhere\n\n"
        f"Written by `benchmarks/same_answers.py compare` at commit {first['commit']}: {n_events:,} events in "
        f"{first['days']:,.0f} days of {len(first['homes'])} homes. *Homes*: a checksum of traces and truth, read or "
        "simulated there. *Machine*: its architecture, and the variables by which numpy or OpenBLAS got other "
        "instructions than they choose there themselves. *Events*: a checksum of every start, end, label, fixture and "
        "cycle, trickle included. "
        "*Volumes*, *probabilities*: the largest difference of a number from the first row, a volume or flow in parts "
        "of it (below 1, in its own unit)."
        f"\n\n| Python | machine | {' | '.join(LIBRARIES)} | homes | events | {' | '.join(TOLERANCES)} |"
        f"\n| {' | '.join(['---'] * (4 + len(LIBRARIES) + len(TOLERANCES)))} |"
    )
    same = True
    for other in records:
        apart = {kind: largest_difference(first["rounded"][kind], other["rounded"][kind]) for kind in TOLERANCES}
        same &= other["exact"] == first["exact"] and all(apart[kind] <= TOLERANCES[kind] for kind in TOLERANCES)
        known = other["versions"]
        cells = [known["python"], other["machine"], *(known[name] for name in LIBRARIES)]
        cells += [digest(other["homes"]), digest(other["exact"]), *(f"{value:.0e}" for value in apart.values())]
        print(f"| {' | '.join(cells)} |")
    return same


def main() -> None:
    """Write a record, or compare records."""
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    commands = options.add_subparsers(dest="command", required=True)
    answer = commands.add_parser("answer", help="answer the homes here and write a record")
    answer.add_argument("record", type=Path)
    answer.add_argument("--homes", type=int, default=4, help="simulated homes beside the shipped ones")
    answer.add_argument("--days", type=int, default=7, help="days of each simulated home")
    compare_ = commands.add_parser("compare", help="hold records against the first of them")
    compare_.add_argument("records", type=Path, nargs="+")
    given = options.parse_args()
    if given.command == "answer":
        given.record.write_text(json.dumps(record(given.homes, given.days)), encoding="utf-8")
    elif not compare(given.records):
        sys.exit(1)


if __name__ == "__main__":
    main()
