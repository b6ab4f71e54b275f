"""Measure the segmentation: ``python benchmarks/segmentation.py PART`` with a part of `PARTS`.

Homes are simulated from training seeds, or, where it says so, from validation seeds; nothing here is a test home. Times
are of the process's own CPU (one thread: set ``OMP_NUM_THREADS=1``), as other work on the machine doesn't count there;
ratios are of two times in one run.
"""

from __future__ import annotations

import argparse
import importlib
import json
import platform
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullFormatter, StrMethodFormatter

import flowsift
from flowsift.disaggregation import Disaggregation
from flowsift.evaluate import boundaries
from flowsift.evaluate.account import account_of_answer, account_of_truth
from flowsift.evaluate.bootstrap import figures_with_intervals
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.cost import measure
from flowsift.evaluate.provenance import commit, versions
from flowsift.evaluate.suites import SEEDS, STOCK_CYCLE
from flowsift.evaluate.totals import Counts, Totals
from flowsift.households import Household, overlap_home, simulate
from flowsift.methods.change_points import ChangePointMethod
from flowsift.pipeline import cut_pieces, cut_uses, disaggregate
from flowsift.signal.familiar import Familiar
from flowsift.signal.layout import lay_out
from flowsift.signal.segmentation import explain
from flowsift.trace import Trace

FIRST_SEED = SEEDS["train"][60_000]
FIRST_VALIDATION_SEED = SEEDS["validation"][6_000]
BLOCK_ROWS = 4_000_000
"""Rows of the dense CSV written at a time."""

ABLATIONS: Mapping[str, Mapping[str, Any]] = {
    "all parts": {},
    "nothing known of the home": {"overlap_moves.FAMILIAR_WEIGHT": 0.0},
    "flows alone known of the home": {"familiar.TIGHT_VOLUME": 2.0, "familiar.LOOSE_VOLUME": 2.0},
    "no dips": {"layout.DIP_S": 0.0},
    "ramps of one interval": {"layout.RAMP_S": 0.0},
    "no turning up or down": {"overlap_moves.ADJUST_COST": 50.0},
    "no drift": {"steps.DRIFT": 0.0},
    "wandering is steps": {"steps.WANDER": 0.0},
    "pressure not shared": {"overlap_moves.SHARED_LINE": 0.0},
    "one explanation kept": {"overlap.BEAM": 1, "overlap.FIRST_BEAM": 1},
    "four explanations kept": {"overlap.BEAM": 4},
    "48 explanations kept": {"overlap.BEAM": 48, "overlap.FIRST_BEAM": 48},
}
"""Constants of `flowsift.signal` that take one part away."""


def cpu_s(call: Callable[[], Any]) -> tuple[Any, float]:
    """Run a call and return its result and the CPU time of the process [s]."""
    began = time.process_time()
    result = call()
    return result, time.process_time() - began


@contextmanager
def constants(changed: Mapping[str, Any]) -> Iterator[None]:
    """Change constants of `flowsift.signal` for a while."""
    before = []
    for name, value in changed.items():
        room, constant = name.split(".")
        module = importlib.import_module(f"flowsift.signal.{room}")
        before.append((module, constant, getattr(module, constant)))
        setattr(module, constant, value)
    try:
        yield
    finally:
        for module, constant, value in before:
            setattr(module, constant, value)


def crowded_home(seed: int, *, days: int, interval_s: float = 1.0) -> Household:
    """Simulate a home like those of the suite `overlap`: two to four fixtures run at once twelve times a day."""
    return overlap_home(seed, days=days, stock=STOCK_CYCLE[seed % 3], pulse_l=0.01, interval_s=interval_s)


def boundary_counts(home: Household, answer: Disaggregation) -> Counts:
    """Count what boundary F1 by time is made of, isolated and overlapping."""
    truth = account_of_truth(home.truth, home.trace)
    return boundaries.count(Comparison(truth=truth, answer=account_of_answer(answer)))


def f1_of(counts: list[Counts], part: str) -> float:
    """Sum the counts of homes and return F1 by time."""
    total = Totals.of_homes(counts).weighted(np.ones((1, len(counts))))
    return float(boundaries.figures(total)[f"boundaries.f1[time,{part}]"][0])


def write_dense(trace: Trace, path: Path) -> None:
    """Write every interval of a trace as a row of two columns, time and litres."""
    with pacsv.CSVWriter(path, pa.schema([("time", pa.string()), ("volume_l", pa.float64())])) as out:
        for first in range(0, trace.n_cells, BLOCK_ROWS):
            cells = np.arange(first, min(first + BLOCK_ROWS, trace.n_cells))
            volume = np.zeros(cells.size)
            a, b = np.searchsorted(trace.cell, [first, first + BLOCK_ROWS])
            volume[trace.cell[a:b] - first] = trace.volume_l[a:b]
            when = np.datetime_as_string((trace.start_ns // 10**9 + cells).astype("M8[s]"))
            out.write_table(pa.table({"time": when, "volume_l": np.round(volume, 6)}))


def busy_home(days: int) -> Trace:
    """Simulate a home of five."""
    return simulate(FIRST_SEED, days=days, stock="us", people=5, pulse_l=0.03).trace


def part_year(options: argparse.Namespace) -> dict[str, Any]:
    """Compare a year of one busy home at 1 s with reading it from CSV."""
    # In a process of its own, and disaggregated first of all: memory that is freed but kept would hide a later peak.
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        trace = pool.submit(busy_home, options.days).result()
    whole = measure(lambda: cpu_s(lambda: disaggregate(trace)))
    answer, whole_s = whole.result
    n_events = len(answer.events)
    del answer
    _, layout_s = cpu_s(lambda: lay_out(trace))
    _, pieces_s = cpu_s(lambda: cut_pieces(trace))
    _, cut_s = cpu_s(lambda: cut_uses(trace))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.csv"
        write_dense(trace, path)
        csv_mb = path.stat().st_size / 1e6
        rows, read_s = cpu_s(lambda: len(pd.read_csv(path, engine="pyarrow")))
    sparse_mb = (trace.cell.nbytes + trace.volume_l.nbytes) / 1e6
    return {
        "intervals": rows,
        "intervals with flow": trace.n_flow,
        "events": n_events,
        "csv_mb": round(csv_mb),
        "read_csv (pyarrow) cpu_s": round(read_s, 2),
        "lay_out cpu_s": round(layout_s, 2),
        "segmentation (lay out, explain twice) cpu_s": round(pieces_s, 2),
        "cut_uses (lay out, explain twice, judge, join) cpu_s": round(cut_s, 2),
        "disaggregate cpu_s": round(whole_s, 2),
        "segmentation / read_csv": round(pieces_s / read_s, 2),
        "disaggregate / read_csv": round(whole_s / read_s, 2),
        "peak_mb": round(whole.peak_mb),
        "3 x sparse trace + 200 MB": round(3 * sparse_mb + 200),
    }


def part_rival(options: argparse.Namespace) -> dict[str, Any]:
    """Compare with change points of ruptures and greedy pairing, on the same hours."""
    rival = ChangePointMethod()
    ours: list[Counts] = []
    theirs: list[Counts] = []
    our_s = their_s = segmentation_s = 0.0
    for k in range(options.homes):
        home = crowded_home(FIRST_SEED + k, days=options.days)
        answer, took = cpu_s(lambda home=home: disaggregate(home.trace))
        ours.append(boundary_counts(home, answer))
        our_s += took
        segmentation_s += cpu_s(lambda home=home: cut_pieces(home.trace))[1]
        answer, took = cpu_s(lambda home=home: rival.disaggregate(home.trace))
        theirs.append(boundary_counts(home, answer))
        their_s += took
    return {
        "homes": options.homes,
        "days": options.days,
        "segmentation cpu_s": round(segmentation_s, 2),
        "disaggregate cpu_s": round(our_s, 2),
        "ruptures method cpu_s": round(their_s, 2),
        **{
            f"F1 {part}: ours, ruptures": [round(f1_of(ours, part), 3), round(f1_of(theirs, part), 3)]
            for part in ("isolated", "overlapping")
        },
    }


def made_up_trace(*, days: int, uses_per_h: float, seed: int) -> Trace:
    """Make a trace of random draws at 1 s and 30 mL a pulse, without fixtures: only its size matters."""
    rng = np.random.default_rng(seed)
    n_cells = days * 86_400
    n_uses = rng.poisson(uses_per_h * 24 * days)
    start = np.sort(rng.integers(0, n_cells - 600, n_uses))
    length = np.clip(rng.lognormal(3.2, 0.9, n_uses), 3, 500).astype(np.int64)
    flow = rng.lognormal(1.6, 0.5, n_uses)
    edges, places = np.unique(np.concatenate([start, start + length]), return_inverse=True)
    step = np.bincount(places, np.concatenate([flow, -flow]))
    rate = np.maximum(np.cumsum(step)[:-1], 0.0)
    rate[rate < 1e-6] = 0.0
    busy = np.flatnonzero(rate > 0)
    count = np.diff(edges)[busy]
    cell = np.repeat(edges[:-1][busy] - np.cumsum(count) + count, count) + np.arange(count.sum())
    upto = np.floor(np.cumsum(np.repeat(rate[busy], count)) / 60.0 / 0.03 + 1e-9)
    volume = np.diff(upto, prepend=0.0) * 0.03
    seen = volume > 0
    return Trace(
        start_ns=1_700_006_400 * 10**9,
        interval_ns=10**9,
        n_cells=n_cells,
        cell=cell[seen],
        volume_l=volume[seen],
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=0.03,
    )


def segmentation_s(trace: Trace) -> float:
    """Return the CPU time of laying out and explaining twice [s]."""
    layout, took = cpu_s(lambda: lay_out(trace))
    return took + cpu_s(lambda: (explain(layout), explain(layout, Familiar())))[1]


def part_scaling(options: argparse.Namespace) -> dict[str, Any]:
    """Time against size: 1 day to 10 years at 3 uses an hour, and 1 to 40 uses an hour for 28 days."""
    days = [d for d in (1, 3, 10, 30, 100, 365, 1100, 3652) if d <= options.days]
    rates = [1, 2, 5, 10, 20, 40]
    segmentation_s(made_up_trace(days=3, uses_per_h=3, seed=0))
    by_days = [segmentation_s(made_up_trace(days=d, uses_per_h=3, seed=1)) for d in days]
    busy = [made_up_trace(days=28, uses_per_h=r, seed=2) for r in rates]
    by_rate = [segmentation_s(trace) for trace in busy]
    large = [k for k, d in enumerate(days) if d >= 10]
    by_size = float(np.polyfit(np.log([days[k] for k in large]), np.log([by_days[k] for k in large]), 1)[0])
    by_flow = float(np.polyfit(np.log([trace.n_flow for trace in busy]), np.log(by_rate), 1)[0])
    result = {
        "days": days,
        "cpu_s": [round(t, 3) for t in by_days],
        "exponent from 10 days": round(by_size, 2),
        "uses an hour": rates,
        "cpu_s of 28 days": [round(t, 3) for t in by_rate],
        "exponent by intervals with flow": round(by_flow, 2),
    }
    plot_scaling(result, Path(__file__).with_name("segmentation_scaling.png"))
    return result


def plot_scaling(result: Mapping[str, Any], path: Path) -> None:
    """Draw time against length and against uses an hour."""
    figure = Figure(figsize=(8.0, 3.2), layout="constrained")
    axes = figure.subplots(1, 2)
    panels = (
        ("days", "cpu_s", "exponent from 10 days", "length of the trace [days], 3 uses an hour"),
        ("uses an hour", "cpu_s of 28 days", "exponent by intervals with flow", "uses an hour, 28 days"),
    )
    for axis, (x, y, exponent, label) in zip(axes, panels, strict=True):
        axis.loglog(result[x], result[y], "o-")
        axis.set(xlabel=label, ylabel="CPU time of the segmentation [s]")
        axis.set_title(f"{exponent}: {result[exponent]}", fontsize=9)
        axis.grid(visible=True, which="both", alpha=0.25)
        for scale in (axis.xaxis, axis.yaxis):
            scale.set_major_locator(LogLocator(subs=(1.0, 3.0)))
            scale.set_major_formatter(StrMethodFormatter("{x:g}"))
            scale.set_minor_formatter(NullFormatter())
    figure.savefig(path, dpi=110)


def part_ablations(options: argparse.Namespace) -> dict[str, Any]:
    """Boundary F1 with one part of the segmentation taken away at a time."""
    homes = {
        interval_s: [
            crowded_home(FIRST_SEED + 100 + k, days=options.days, interval_s=interval_s) for k in range(options.homes)
        ]
        for interval_s in (1.0, 10.0)
    }
    rows: dict[str, Any] = {}
    for name, changed in ABLATIONS.items():
        row: dict[str, float] = {}
        with constants(changed):
            for interval_s, some in homes.items():
                counts, took = cpu_s(
                    lambda some=some: [boundary_counts(home, disaggregate(home.trace)) for home in some]
                )
                for part in ("isolated", "overlapping"):
                    row[f"{interval_s:g} s, {part}"] = round(f1_of(counts, part), 3)
                row[f"{interval_s:g} s, cpu_s"] = round(took, 1)
        rows[name] = row
        print(name, row, flush=True)
    return rows


def part_intervals(options: argparse.Namespace) -> dict[str, Any]:
    """Boundary F1 of homes of validation seeds read every 1, 10 and 60 s, with 95 % intervals over homes."""
    rows: dict[str, Any] = {}
    for interval_s in (1.0, 10.0, 60.0):
        counts = []
        for k in range(options.homes):
            home = crowded_home(FIRST_VALIDATION_SEED + k, days=options.days, interval_s=interval_s)
            counts.append(boundary_counts(home, disaggregate(home.trace)))
        table = figures_with_intervals(Totals.of_homes(counts), boundaries.figures)
        rows[f"{interval_s:g} s"] = {
            part: table.loc[f"boundaries.f1[time,{part}]", ["value", "low", "high"]].astype(float).round(3).to_list()
            for part in boundaries.PARTS
        }
    return rows


PARTS: Mapping[str, Callable[[argparse.Namespace], dict[str, Any]]] = {
    "year": part_year,
    "rival": part_rival,
    "scaling": part_scaling,
    "ablations": part_ablations,
    "intervals": part_intervals,
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("part", choices=list(PARTS))
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--homes", type=int, default=4)
    options = parser.parse_args()
    result = PARTS[options.part](options)
    where = {"flowsift": flowsift.__version__, "commit": commit(), "machine": platform.machine(), **versions()}
    print(json.dumps({"part": options.part, **vars(options), "result": result, "environment": where}, indent=1))


if __name__ == "__main__":
    main()
