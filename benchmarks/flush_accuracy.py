"""How well the volume per flush is measured: errors, coverage, classes, toilets and flapper leaks, and what each
correction is worth.

    python benchmarks/flush_accuracy.py --homes 200 --leaky 24 --workers 2 --output benchmarks/FLUSH_ACCURACY.md

Homes are simulated from seeds of the validation split. The constants of `flowsift.study.flushes_*` were set on seeds
100200 to 100349 and, for coarse traces, on training seeds from 50000, 60000, 70000 and 74000; the homes here start at
104000.

An interval counts what a meter that passes its test may be off. So the meters here are drawn as the published limits
say, any error within them as likely as any other. Those of the simulated population are better (their errors spread by
0.5 %), and the same interval holds the truth more often there. Whether the estimate itself is as sure as it says is the
coverage with the meter's own error set aside.

Toilets are counted in three ways. Strictly: as many as were used six times or more. As distinct ones: two toilets are
distinct if the intervals stated for this home don't overlap when put around their true volumes, or if their true refill
flows differ by more than two standard deviations of a flow as one refill shows it at this reading. Others no study of
this record can tell apart; they are reported as one group. And as those of distinct volume, whatever their flows. What
was answered is counted by the same rules.

A leaking flapper shows as refills with nobody flushing, a stuck one as a long run now and then: each is counted by
itself.
"""

from __future__ import annotations

import argparse
import platform
import subprocess
from collections.abc import Callable, Collection, Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from importlib.metadata import version
from pathlib import Path

import numpy as np
import pandas as pd
from scipy.optimize import linear_sum_assignment
from scipy.sparse.csgraph import connected_components
from scipy.stats import binomtest

import flowsift as fs
from flowsift.disaggregation import Disaggregation
from flowsift.evaluate.suites import SEEDS, STOCK_CYCLE
from flowsift.fixtures import median_interval
from flowsift.households import Faults, Household, Truth
from flowsift.households.days import days_from
from flowsift.households.population import draw_home
from flowsift.households.simulate import all_uses, run_uses
from flowsift.households.streams import stream
from flowsift.standards import figure
from flowsift.study.flushes_classes import volume_classes
from flowsift.study.flushes_leaks import RUN_L
from flowsift.study.flushes_measured import ENOUGH_ALONE, Toilet
from flowsift.study.flushes_modes import Reading
from flowsift.study.flushes_refills import Refills, refills_of
from flowsift.study.flushes_study import FlushStudy, flushes
from flowsift.study.flushes_volume import own_volume
from flowsift.units import SECONDS_PER_DAY

FIRST, FIRST_LEAKY = SEEDS["validation"][4000], SEEDS["validation"][4200]
READINGS = {"1 s, 0.03 L": (1.0, 0.03), "10 s, 0.4 L": (10.0, 0.4)}
GOALS = {"1 s, 0.03 L": 0.03, "10 s, 0.4 L": 0.08}
LEAST_FLUSHES = 6
LEAK_L_PER_DAY = 20.0
PULSES_READ = 1.25
"""Pulses above which a refill isn't just a lone pulse: a leak of smaller ones is a constant flow to the meter."""
ALIKE_FLOW = 2.0
"""Standard deviations of a flow, as one refill shows it, within which two toilets' flows are alike."""
USUAL_HALF_PULSES = 1.5
"""Half-width of an interval where a home has none, in pulses."""

Estimate = tuple[float, float, float]


@dataclass
class Tally:
    """What was counted over the homes of one reading."""

    toilets: list[dict[str, float]] = field(default_factory=list)
    homes: list[dict[str, float]] = field(default_factory=list)
    ablations: dict[str, list[tuple[float, bool]]] = field(default_factory=dict)
    mixed: list[tuple[float, float]] = field(default_factory=list)


def true_toilets(truth: Truth) -> pd.DataFrame:
    """One row a toilet that was used: its set volume, flow and registered share."""
    flush = truth.events[truth.events["label"] == "flush"]
    seen = flush[flush["metered_l"] > 0]
    table = truth.fixtures[truth.fixtures["label"] == "flush"].set_index("fixture")
    table["n"] = flush["fixture"].value_counts().reindex(table.index).fillna(0)
    sums = seen.groupby("fixture")[["metered_l", "volume_l"]].sum()
    table["registered"] = (sums["metered_l"] / sums["volume_l"]).reindex(table.index)
    return table[table["n"] >= LEAST_FLUSHES]


def paired(result: Disaggregation, study: FlushStudy, truth: Truth, real: pd.DataFrame) -> dict[str, str]:
    """Pair answered with true toilets by the flushes they share, so that most flushes agree."""
    flush = truth.events[truth.events["label"] == "flush"]
    start = flush["start"].to_numpy(dtype="datetime64[ns]").astype("int64")
    end = flush["end"].to_numpy(dtype="datetime64[ns]").astype("int64")
    events = result.events.iloc[study.members["event"].to_numpy()]
    a = events["start"].to_numpy(dtype="datetime64[ns]").astype("int64")
    b = events["end"].to_numpy(dtype="datetime64[ns]").astype("int64")
    shared = np.zeros((len(study.toilets), len(real)))
    name = flush["fixture"].to_numpy(dtype=str)
    answered = [toilet.name for toilet in study.toilets]
    for k, toilet in enumerate(study.members["toilet"]):
        both = np.minimum(end, b[k]) - np.maximum(start, a[k])
        best = int(np.argmax(both))
        if both[best] > 0 and name[best] in real.index:
            shared[answered.index(toilet), real.index.get_loc(name[best])] += 1
    rows, columns = linear_sum_assignment(-shared)
    found = zip(rows, columns, strict=True)
    return {answered[r]: str(real.index[c]) for r, c in found if shared[r, c] >= 3}


def n_distinct(
    volume_l: np.ndarray, flow_lpm: np.ndarray, half_l: np.ndarray, reading: Reading, *, by_flow: bool
) -> int:
    """Number of toilets when those alike count as one: intervals that overlap and, by flow too, flows in the blur."""
    alike = np.abs(np.subtract.outer(volume_l, volume_l)) <= np.add.outer(half_l, half_l)
    if by_flow:
        blur = reading.flow_share_sd(volume_l, flow_lpm)
        apart = np.abs(np.subtract.outer(np.log(flow_lpm), np.log(flow_lpm)))
        alike &= apart <= ALIKE_FLOW * np.hypot.outer(blur, blur)
    return int(connected_components(alike, directed=False)[0]) if volume_l.size else 0


def distinct_right(study: FlushStudy, real: pd.DataFrame, *, by_flow: bool) -> bool:
    """Whether as many distinct toilets were answered as there are."""
    reading = Reading(pulse_l=study.pulse_l, interval_s=study.interval_s)
    volume = np.array([t.full.volume_l for t in study.toilets])
    half = np.array([(t.full.high_l - t.full.low_l) / 2.0 for t in study.toilets])
    flow = np.array([t.refill_lpm for t in study.toilets])
    usual = float(np.median(half)) if half.size else USUAL_HALF_PULSES * study.pulse_l
    true_l, true_lpm = (real[name].to_numpy(dtype=float) for name in ("full_l", "flow_lpm"))
    true_half = np.full(true_l.size, usual)
    answered = n_distinct(volume, flow, half, reading, by_flow=by_flow)
    return answered == n_distinct(true_l, true_lpm, true_half, reading, by_flow=by_flow)


def variants(result: Disaggregation, toilet: Toilet, mine: Refills) -> dict[str, Estimate]:
    """The estimate of a full flush, and the same without each correction; intervals with the meter's error."""
    trace, full = result.trace, toilet.full
    order = np.sort(mine.volume_l)

    def own(volume_l: np.ndarray, **options: float) -> Estimate:
        given = {"pulse_l": trace.pulse_l, "near_l": full.volume_l, "interval_s": trace.interval_s} | options
        found = own_volume(volume_l, **given)
        return (found.volume_l, *toilet.meter.widened(found.volume_l, found.low_l, found.high_l))

    def widened(value: float, low: float, high: float) -> Estimate:
        return (value, *toilet.meter.widened(value, low, high))

    mean, error = float(order.mean()), 1.645 * float(order.std()) / np.sqrt(order.size)
    median_low, median_high = median_interval(order, pulse_l=trace.pulse_l)
    lone = mine.isolated if mine.isolated.sum() >= ENOUGH_ALONE else np.ones(len(mine), bool)
    alone, trickle = mine.volume_l[lone], mine.trickle_l[lone]
    return {
        "all corrections": (full.volume_l, full.low_l, full.high_l),
        "trickle counted in": own(alone + trickle),
        "other water not modelled (median)": widened(float(np.median(order)), median_low, median_high),
        "mixed and partial ones counted (mean)": widened(mean, mean - error, mean + error),
        "those beside another use too": own(mine.volume_l),
        "pulse error not counted": own(alone, pulse_l=0.0),
        "doubt of the water taken off not counted": own(alone, doubt=0.0),
        "meter's own error not counted": (full.volume_l, full.metered_low_l, full.metered_high_l),
    }


def naive(result: Disaggregation, toilet: Toilet) -> Estimate:
    """The table of fixtures as it is: median of all events under the toilet's commonest name."""
    table = result.fixtures
    row = table[(table["fixture"] == toilet.fixtures[0]) & (table["label"] == "flush")].iloc[0]
    return float(row["typical_volume_l"]), float(row["low_l"]), float(row["high_l"])


def with_leak_refills(result: Disaggregation, toilet: Toilet, mine: Refills) -> Estimate:
    """Mean volume with the refills that nobody caused counted as flushes."""
    leak = refills_of(result, "toilet_leak")
    near = leak.volume_l[np.abs(np.log(leak.flow_lpm / toilet.refill_lpm)) < 0.15]
    every = np.concatenate([mine.volume_l, near])
    error = 1.645 * float(every.std()) / np.sqrt(every.size)
    return float(every.mean()), float(every.mean()) - error, float(every.mean()) + error


def home_within_limits(
    seed: int, reading: tuple[float, float], *, days: int, include: Collection[str] = ()
) -> Household:
    """A home of the standard population whose meter is any that passes its test: each gain within the published limits
    of the intermediate and maximum flow, at which toilets refill, is as likely as any other."""
    interval_s, pulse_l = reading
    stock = STOCK_CYCLE[seed % len(STOCK_CYCLE)]
    home = draw_home(seed, stock=stock, n_days=days, include=include)
    limits = figure("meter.new_meter_intermediate_and_maximum_flow")
    gain = stream(seed, "meter within limits").uniform(limits.low / 100.0, limits.high / 100.0)
    home = replace(home, meter=replace(home.meter, gain=gain, interval_s=interval_s, pulse_l=pulse_l))
    calendar = days_from("2024-06-03", n=days, timezone="UTC")
    uses = all_uses(home, calendar, seed=seed)
    return run_uses(uses, home, calendar, seed=seed, faults=Faults(), card={"stock": stock})


def score_home(seed: int, reading: tuple[float, float], *, days: int, leaky: bool) -> Tally:
    """Study one home and count."""
    home = home_within_limits(seed, reading, days=days, include=("worn flapper",) if leaky else ())
    return score(fs.disaggregate(home.trace), home.truth, leaky=leaky)


def score(result: Disaggregation, truth: Truth, *, leaky: bool) -> Tally:
    """Study one disaggregated home and count."""
    tally = Tally()
    days = result.trace.duration_s / SECONDS_PER_DAY
    study = flushes(result)
    real = true_toilets(truth)
    leaks = truth.events[truth.events["label"] == "toilet_leak"]
    runs = leaks[leaks["volume_l"] >= RUN_L]
    refilled = leaks[leaks["volume_l"] < RUN_L]
    tally.homes.append(
        {
            "right": float(len(study.toilets) == len(real)),
            "distinct_right": float(distinct_right(study, real, by_flow=True)),
            "distinct_volumes_right": float(distinct_right(study, real, by_flow=False)),
            "true": float(len(real)),
            "found": float(len(study.toilets)),
            "leak_l": float(refilled["volume_l"].sum()) / days,
            "leaks": float(len(leaks)),
            "leak_refill_l": float(refilled["volume_l"].median()) if len(refilled) else 0.0,
            "runs": float(len(runs)),
            "runs_found": float(runs_found(result, runs)),
            "leak_found": float(study.leak is not None),
            "leak_answered": study.leak.per_day_l if study.leak else 0.0,
            "days": days,
        }
    )
    if leaky:
        tally.mixed = leaky_volumes(result, study, truth, real)
        return tally
    pairs = paired(result, study, truth, real)
    refills = refills_of(result, "flush")
    for toilet in study.toilets:
        if toilet.name not in pairs:
            continue
        own = real.loc[pairs[toilet.name]]
        full_l, registered = float(own["full_l"]), float(own["registered"])
        own_class = next(c for c in volume_classes() if c.low_l <= full_l < c.high_l)
        chosen = study.members[(study.members["toilet"] == toilet.name) & (study.members["kind"] == "full")]
        mine = refills.chosen(np.isin(refills.row, chosen["event"]))
        row = {
            "error": toilet.full.volume_l / full_l - 1.0,
            "covered": float(toilet.full.low_l <= full_l <= toilet.full.high_l),
            "metered_covered": float(toilet.full.metered_low_l <= full_l * registered <= toilet.full.metered_high_l),
            "half_width": (toilet.full.high_l - toilet.full.low_l) / 2.0 / full_l,
            "certain": float(toilet.classes.certain),
            "class_right": float(toilet.classes.classes[0].name == own_class.name)
            if toilet.classes.certain
            else np.nan,
            "class_among": float(own_class.name in {c.name for c in toilet.classes.classes}),
            "kind_right": float((toilet.reduced is not None) == (own["reduced_l"] > 0)),
            "reduced_error": np.nan,
        }
        if toilet.reduced is not None and own["reduced_l"] > 0:
            row["reduced_error"] = toilet.reduced.volume_l / float(own["reduced_l"]) - 1.0
        tally.toilets.append(row)
        estimates = variants(result, toilet, mine)
        estimates["nothing but names and medians"] = naive(result, toilet)
        for name, (value, low, high) in estimates.items():
            tally.ablations.setdefault(name, []).append((abs(value / full_l - 1.0), low <= full_l <= high))
    return tally


def runs_found(result: Disaggregation, runs: pd.DataFrame) -> int:
    """Number of true long runs of a stuck flapper that an answered one shares time with."""
    events = result.events
    answered = events[(events["label"] == "toilet_leak") & (events["volume_l"] >= RUN_L)]
    return sum(bool(((answered["start"] < run.end) & (answered["end"] > run.start)).any()) for run in runs.itertuples())


def leaky_volumes(
    result: Disaggregation, study: FlushStudy, truth: Truth, real: pd.DataFrame
) -> list[tuple[float, float]]:
    """Errors of the mean volume with and without the refills of a leaking flapper counted as flushes."""
    leaky = set(truth.events["fixture"][truth.events["label"] == "toilet_leak"])
    refills = refills_of(result, "flush")
    out = []
    for name, true_name in paired(result, study, truth, real).items():
        if true_name not in leaky or real.loc[true_name, "reduced_l"] > 0:
            continue
        toilet = next(t for t in study.toilets if t.name == name)
        chosen = study.members["event"][study.members["toilet"] == name]
        mine = refills.chosen(np.isin(refills.row, chosen))
        full_l = float(real.loc[true_name, "full_l"])
        with_them = with_leak_refills(result, toilet, mine)[0]
        out.append((abs(toilet.full.volume_l / full_l - 1.0), abs(with_them / full_l - 1.0)))
    return out


def together(tallies: Iterable[Tally]) -> Tally:
    """Add up what was counted home by home."""
    whole = Tally()
    for tally in tallies:
        whole.toilets += tally.toilets
        whole.homes += tally.homes
        whole.mixed += tally.mixed
        for name, seen in tally.ablations.items():
            whole.ablations.setdefault(name, []).extend(seen)
    return whole


def percent(value: float) -> str:
    return "-" if np.isnan(value) else f"{100 * value:.1f} %"


def of_homes(right: pd.Series) -> str:
    """Share of homes that are right, with its 90 % interval (Wilson's score interval)."""
    interval = binomtest(int(right.sum()), len(right)).proportion_ci(0.90, method="wilson")
    return f"{percent(right.mean())} ({100 * interval.low:.1f} to {100 * interval.high:.1f} %)"


def report(name: str, ordinary: Tally, leaky: Tally) -> list[str]:
    """Lines of the table of one reading."""
    t, homes = pd.DataFrame(ordinary.toilets), pd.DataFrame(ordinary.homes)
    every = pd.concat([homes, pd.DataFrame(leaky.homes)], ignore_index=True)
    tight = every[every["leaks"] == 0]
    loud = every[every["leak_l"] > LEAK_L_PER_DAY]
    quiet = every[(every["leak_l"] > 0) & (every["leak_l"] <= LEAK_L_PER_DAY)]
    read = quiet[quiet["leak_refill_l"] > PULSES_READ * READINGS[name][1]]
    months = float(tight["days"].sum()) / 30.0
    false = int(tight["leak_found"].sum())
    error = t["error"].abs()
    rows = [
        ("toilets measured", f"{len(t)} of {int(homes['true'].sum())}", ""),
        ("median error of a full flush", percent(error.median()), f"{percent(GOALS[name])} or less"),
        ("its bias (median)", percent(t["error"].median()), ""),
        ("90 % of errors below", percent(error.quantile(0.9)), ""),
        ("median error of a reduced flush", percent(t["reduced_error"].abs().median()), ""),
        ("coverage of the 90 % interval", percent(t["covered"].mean()), "85 to 95 %"),
        ("coverage, meter's own error set aside", percent(t["metered_covered"].mean()), ""),
        ("half-width of the interval (median)", percent(t["half_width"].median()), ""),
        ("class called", percent(t["certain"].mean()), ""),
        ("class right where called", percent(t["class_right"].mean()), "95 % or more"),
        ("true class among those named", percent(t["class_among"].mean()), ""),
        ("single or dual flush right", percent(t["kind_right"].mean()), ""),
        ("number of distinct toilets right", of_homes(homes["distinct_right"]), "80 % of homes"),
        ("of toilets of distinct volume", of_homes(homes["distinct_volumes_right"]), "80 % of homes"),
        ("number of toilets right, strictly", of_homes(homes["right"]), ""),
        (
            f"flapper leaks (refills) above {LEAK_L_PER_DAY:g} L/day found",
            f"{int(loud['leak_found'].sum())} of {len(loud)}",
            "all",
        ),
        ("smaller ones found", f"{int(quiet['leak_found'].sum())} of {len(quiet)}", ""),
        (
            f"of those, with refills above {PULSES_READ:g} pulses",
            f"{int(read['leak_found'].sum())} of {len(read)}",
            "",
        ),
        (
            f"volume a day of those above {LEAK_L_PER_DAY:g} L/day, answered over true",
            percent(float((loud["leak_answered"] / loud["leak_l"]).median())),
            "",
        ),
        (
            f"stuck flappers (runs above {RUN_L:g} L) found",
            f"{int(every['runs_found'].sum())} of {int(every['runs'].sum())}",
            "",
        ),
        ("false alarms", f"{false} in {months:.1f} home-months", "1 in 50"),
    ]
    lines = [
        f"## {name} a pulse",
        "",
        f"{len(homes)} homes.",
        "",
        "| figure | measured | goal |",
        "| --- | --- | --- |",
    ]
    lines += [f"| {a} | {b} | {c} |" for a, b, c in rows]
    lines += [
        "",
        "| without the correction | median error | 90 % of errors below | coverage |",
        "| --- | --- | --- | --- |",
    ]
    for variant, seen in ordinary.ablations.items():
        errors, covered = np.array([e for e, _ in seen]), np.array([c for _, c in seen])
        lines.append(
            f"| {variant} | {percent(float(np.median(errors)))} | {percent(float(np.quantile(errors, 0.9)))} "
            f"| {percent(float(covered.mean()))} |"
        )
    if leaky.mixed:
        with_out = np.median(np.array(leaky.mixed), axis=0)
        lines += [
            "",
            f"Toilets with a leaking flapper ({len(leaky.mixed)}): median error {percent(float(with_out[0]))}; "
            f"with its refills counted as flushes {percent(float(with_out[1]))}.",
        ]
    return [*lines, ""]


def environment() -> str:
    """Versions and the commit, in a sentence."""
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=False)
    names = ", ".join(f"{name} {version(name)}" for name in ("flowsift", "numpy", "scipy", "scikit-learn"))
    return f"Commit {commit.stdout.strip() or 'unknown'}; Python {platform.python_version()}, {names}."


def main(output: Callable[[str], None] = print) -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--homes", type=int, default=40, help="ordinary homes")
    parser.add_argument("--leaky", type=int, default=20, help="homes with a worn flapper")
    parser.add_argument("--days", type=int, default=14)
    parser.add_argument("--reading", choices=list(READINGS), action="append", help="this one only; may be repeated")
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--output", type=Path, default=None, help="write the tables here as Markdown")
    options = parser.parse_args()
    lines = [
        "# Gallons per flush: accuracy",
        "",
        f"Written by `benchmarks/flush_accuracy.py --homes {options.homes} --leaky {options.leaky} "
        f"--days {options.days}`: simulated homes of three stocks, validation seeds from {FIRST} (ordinary) and "
        f"{FIRST_LEAKY} (worn flapper), meters drawn as their published limits say. {environment()}",
        "",
    ]
    with ProcessPoolExecutor(options.workers) as pool:
        for name in options.reading or READINGS:
            score = partial(score_home, reading=READINGS[name], days=options.days)
            ordinary = pool.map(partial(score, leaky=False), range(FIRST, FIRST + options.homes))
            leaky = pool.map(partial(score, leaky=True), range(FIRST_LEAKY, FIRST_LEAKY + options.leaky))
            lines += report(name, together(ordinary), together(leaky))
    text = "\n".join(lines)
    output(text)
    if options.output is not None:
        options.output.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
