"""Measure what trickles are found: ``python benchmarks/trickles.py``.

Homes are simulated with one constant leak each, which begins and is mended inside the record, and without any. The
first question is whether `flowsift.signal.resolution.smallest_trickle_lpm` states the truth: from that rate on, a leak
is found. Training seeds are there to tune on, validation seeds to confirm. Prints tables with 95 % intervals: Wilson's
for shares of homes, exact Poisson ones for false alarms.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
import pandas as pd
from rich.console import Console
from rich.progress import track
from scipy.stats import binomtest, chi2

from flowsift.disaggregation import Disaggregation
from flowsift.evaluate import trickle
from flowsift.evaluate.account import account_of_answer, account_of_truth
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.provenance import commit
from flowsift.evaluate.suites import SEEDS, STOCK_CYCLE
from flowsift.households import Household, Trickle, simulate
from flowsift.households.metering import Meter
from flowsift.pipeline import disaggregate
from flowsift.signal.resolution import SURELY, least_visible_lpm, smallest_trickle_lpm
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

FIRST_SEED = {"train": SEEDS["train"][50_000], "validation": SEEDS["validation"][5_000]}
PULSES_L = (0.01, 0.1, 1.0)
INTERVALS_S = (1.0, 10.0, 60.0)
DAYS = (8, 14)
"""Least and greatest length of a record with a leak [d]."""

RATES_LPM = (0.0007, 1.0)
"""Between these the rates of half of the leaks lie [L/min], as in the suite `leaks`."""

MULTIPLES = (0.5, 32.0)
"""Between these multiples of the least rate that can show lie those of the other half, whatever is stated."""

LEAST_RUN_D = 3.0
"""A leak runs at least so long [d]: longer than the longest look for one."""

DAYS_OF_MONTH = 30.0
RATIO_EDGES = (0.0, 0.5, 1.0, 1.5, 2.0, 4.0, np.inf)
"""Edges of the classes of true rate over the smallest stated."""

RATE_WITHIN = 0.05
FAST_LPM = 0.5
FAST_ONSET_S = 600.0
"""The onset of a leak of `FAST_LPM` is told within this time [s] ..."""

NIGHT_S = 12 * 3600.0
"""... that of a slower one within a night [s]: the first on which nothing else runs."""


@dataclass(frozen=True, kw_only=True)
class Home:
    """A recipe of a home: `leak` says how its leak's rate is drawn, None for none."""

    seed: int
    pulse_l: float
    interval_s: float
    sees_all: bool
    days: int | None = None
    leak: Literal["rate", "multiple"] | None = None


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What was found in one home; of the leak, NaN and False where there is none.

    Attributes
    ----------
    pulse_l, interval_s, days : float
    sees_all : bool
        The meter registers any flow.
    has_leak : bool
    stated_lpm : float
        Smallest trickle stated for the trace.
    true_lpm : float
        Rate that the meter registers while the leak runs alone; 0 below its starting flow.
    found : bool
        The mean answered rate over the leak's time is within a factor of `trickle.RATE_FACTOR`.
    n_spans : int
        Answered spans that touch the leak.
    told_lpm : float
        Their mean rate, by time shared with the leak.
    one_pulse_lpm : float
        A pulse over the time that the longest of them shares with it.
    covered : bool
        The interval of the longest holds the true rate.
    onset_off_s, end_off_s : float
        Answered less true; of found leaks.
    false_alarms : float
        By the definition of `flowsift.evaluate.trickle`.
    """

    pulse_l: float
    interval_s: float
    days: float
    sees_all: bool
    has_leak: bool
    stated_lpm: float
    false_alarms: float
    true_lpm: float = np.nan
    found: bool = False
    n_spans: int = 0
    told_lpm: float = np.nan
    one_pulse_lpm: float = np.nan
    covered: bool = False
    onset_off_s: float = np.nan
    end_off_s: float = np.nan


def homes_with_leak(first_seed: int, n: int) -> list[Home]:
    """Return homes with a leak: pulses and intervals by turns, a fifth with an ordinary meter."""
    return [
        Home(
            seed=first_seed + k,
            pulse_l=PULSES_L[k % 3],
            interval_s=INTERVALS_S[k // 3 % 3],
            sees_all=k % 5 < 4,
            leak=("rate", "multiple")[k % 2],
        )
        for k in range(n)
    ]


def sound_homes(first_seed: int, n: int, *, days: int | None = None) -> list[Home]:
    """Return homes without a leak, half of them with an ordinary meter."""
    return [
        Home(
            seed=first_seed + k,
            pulse_l=PULSES_L[k % 3],
            interval_s=INTERVALS_S[k // 3 % 3],
            sees_all=k % 2 == 0,
            days=days,
        )
        for k in range(n)
    ]


def simulated(home: Home) -> Household:
    """Simulate a home and its leak."""
    rng = np.random.default_rng([home.seed, 31])
    days = int(rng.integers(DAYS[0], DAYS[1] + 1)) if home.days is None else home.days
    leaks: tuple[Trickle, ...] = ()
    if home.leak is not None:
        begin_d = rng.uniform(1.0, days - LEAST_RUN_D - 1.0)
        end_d = rng.uniform(begin_d + LEAST_RUN_D, days - 0.5)
        low, high = RATES_LPM
        if home.leak == "multiple":
            least_lpm = least_visible_lpm(pulse_l=home.pulse_l, known_s=days * SECONDS_PER_DAY)
            low, high = (least_lpm * multiple for multiple in MULTIPLES)
        rate_lpm = float(np.exp(rng.uniform(np.log(low), np.log(high))))
        leaks = (Trickle(rate_lpm=rate_lpm, from_s=begin_d * SECONDS_PER_DAY, to_s=end_d * SECONDS_PER_DAY),)
    return simulate(
        home.seed,
        days=days,
        stock=STOCK_CYCLE[home.seed // 9 % 3],
        pulse_l=home.pulse_l,
        interval_s=home.interval_s,
        starting_lpm=0.0 if home.sees_all else None,
        leaks=leaks,
    )


def outcome(home: Home) -> Outcome:
    """Simulate a home, disaggregate its trace, and look at what was found."""
    household = simulated(home)
    trace = household.trace
    answer = disaggregate(trace)
    accounts = Comparison(truth=account_of_truth(household.truth, trace), answer=account_of_answer(answer))
    counts = trickle.count(accounts)
    meter = Meter(**household.truth.card["meter"])
    return Outcome(
        pulse_l=home.pulse_l,
        interval_s=home.interval_s,
        days=trace.duration_s / SECONDS_PER_DAY,
        sees_all=home.sees_all,
        has_leak=home.leak is not None,
        stated_lpm=smallest_trickle_lpm(trace),
        false_alarms=counts["trickle.alarms_false"],
        **(found_of_leak(household, answer, meter) if home.leak is not None else {}),
    )


def found_of_leak(household: Household, answer: Disaggregation, meter: Meter) -> dict[str, float | int | bool]:
    """Compare the leak of a home with the answered spans that touch it."""
    leak, pulse_l = household.truth.trickle.iloc[0], household.trace.pulse_l
    true_lpm = float(meter.registered_lpm(np.array(leak["rate_lpm"])))
    spans = answer.trickle
    spans = spans[(spans["start"] < leak["end"]) & (spans["end"] > leak["start"])]
    if spans.empty:
        return {"true_lpm": true_lpm}
    shared = np.minimum(spans["end"], leak["end"]) - np.maximum(spans["start"], leak["start"])
    minutes = shared.dt.total_seconds().to_numpy() / SECONDS_PER_MINUTE
    rate = spans["rate_lpm"].to_numpy()
    leak_min = (leak["end"] - leak["start"]).total_seconds() / SECONDS_PER_MINUTE
    over_leak_lpm = float(rate @ minutes) / leak_min
    longest = spans.iloc[int(minutes.argmax())]
    return {
        "true_lpm": true_lpm,
        "found": true_lpm / trickle.RATE_FACTOR <= over_leak_lpm <= true_lpm * trickle.RATE_FACTOR,
        "n_spans": len(spans),
        "told_lpm": float(np.average(rate, weights=minutes)),
        "one_pulse_lpm": pulse_l / float(minutes.max()),
        "covered": bool(longest["low_lpm"] <= true_lpm <= longest["high_lpm"]),
        "onset_off_s": (spans["start"].iloc[0] - leak["start"]).total_seconds(),
        "end_off_s": (spans["end"].iloc[-1] - leak["end"]).total_seconds(),
    }


def outcomes(homes: Sequence[Home], workers: int) -> pd.DataFrame:
    """Look at homes, one row each, with a bar on standard error."""
    with ProcessPoolExecutor(workers) as pool:
        done: Iterable[Outcome] = track(
            pool.map(outcome, homes), "homes", total=len(homes), console=Console(stderr=True)
        )
        table = pd.DataFrame(list(done))
    table["ratio"] = table["true_lpm"] / table["stated_lpm"]
    off_lpm = (table["told_lpm"] - table["true_lpm"]).abs()
    table["right"] = table["found"] & (off_lpm <= np.maximum(RATE_WITHIN * table["true_lpm"], table["one_pulse_lpm"]))
    return table


def share(yes: pd.Series) -> str:
    """Return how many of how many, and Wilson's interval of the share."""
    if yes.empty:
        return "-"
    interval = binomtest(int(yes.sum()), len(yes)).proportion_ci(method="wilson")
    return f"{yes.sum()} of {len(yes)} [{interval.low:.2f}, {interval.high:.2f}]"


def per_month(table: pd.DataFrame) -> str:
    """Return the false alarms of some homes, and how many that is a home and month."""
    n, months = int(table["false_alarms"].sum()), table["days"].sum() / DAYS_OF_MONTH
    low = chi2.ppf(0.025, 2 * n) / 2 if n else 0.0
    high = chi2.ppf(0.975, 2 * n + 2) / 2
    return f"{n} in {months:.1f} home-months: {n / months:.2g} [{low / months:.2g}, {high / months:.2g}] a month"


def markdown(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table in Markdown."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join(f"| {' | '.join(line)} |" for line in lines) + "\n"


def by_class(table: pd.DataFrame, classes: Iterable[tuple[str, pd.Series]], name: str) -> str:
    """Return the shares found and right in rate of classes of leaks."""
    rows = []
    for title, inside in classes:
        some = table[inside]
        rows.append((title, share(some["found"]), share(some["right"]), share(some.loc[some["found"], "covered"])))
    head = (name, "found", "rate right", "of those found, rate in its interval")
    return markdown(head, rows)


def report(table: pd.DataFrame) -> str:
    """Return all tables and figures."""
    leaks, ordinary = (table[table["has_leak"] & (table["sees_all"] == sees_all)] for sees_all in (True, False))
    shows = leaks["ratio"] >= 1
    by_ratio = [
        (
            f"{low:g} to {high:g}" if high < np.inf else f"{low:g} and more",
            (leaks["ratio"] >= low) & (leaks["ratio"] < high),
        )
        for low, high in pairwise(RATIO_EDGES)
    ]
    by_meter = [
        (
            f"{pulse_l:g} L, {interval_s:g} s",
            shows & (leaks["pulse_l"] == pulse_l) & (leaks["interval_s"] == interval_s),
        )
        for pulse_l in PULSES_L
        for interval_s in INTERVALS_S
    ]
    registered = [
        ("does not register", ordinary["true_lpm"] == 0),
        ("registers, below the stated", (ordinary["true_lpm"] > 0) & (ordinary["ratio"] < 1)),
        ("above the stated", ordinary["ratio"] >= 1),
    ]
    return "\n".join(
        [
            by_class(leaks, [*by_ratio, ("1 and more", shows)], "true rate over the smallest stated"),
            by_class(leaks, by_meter, "pulse, interval; above the stated"),
            by_class(ordinary, registered, "ordinary meters"),
            *times(table[table["found"] & (table["ratio"] >= 1)]),
            *alarms(table),
        ]
    )


def times(found: pd.DataFrame) -> Iterator[str]:
    """Yield in how many spans leaks were told, and how far their beginning and end were off."""
    yield f"- in one span: {share(found['n_spans'] == 1)}"
    fast = found["true_lpm"] >= FAST_LPM
    for edge in ("onset", "end"):
        off_s = found[f"{edge}_off_s"].abs()
        yield (
            f"- {edge} within {FAST_ONSET_S / 60:g} minutes from {FAST_LPM:g} L/min on: "
            f"{share(off_s[fast] <= FAST_ONSET_S)}; within {NIGHT_S / 3600:g} hours below: "
            f"{share(off_s[~fast] <= NIGHT_S)}, median {off_s[~fast].median() / 60:.1f} min"
        )


def alarms(table: pd.DataFrame) -> Iterator[str]:
    """Yield the false alarms of groups of homes."""
    sound, year = ~table["has_leak"], table["days"] > DAYS[1]
    for name, inside in (
        ("sound homes", sound & ~year),
        ("sound homes for a year", sound & year),
        ("homes with a leak", table["has_leak"]),
    ):
        if inside.any():
            yield f"- false alarms, {name}: {per_month(table[inside])}"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--split", choices=list(FIRST_SEED), default="train")
    parser.add_argument("--leaks", type=int, default=360, help="homes with a leak")
    parser.add_argument("--sound", type=int, default=90, help="homes without any, as long as those")
    parser.add_argument("--years", type=int, default=2, help="homes without any for a year")
    parser.add_argument("--workers", type=int, default=1)
    options = parser.parse_args()
    first = FIRST_SEED[options.split]
    homes = homes_with_leak(first, options.leaks)
    homes += sound_homes(first + options.leaks, options.sound)
    homes += sound_homes(first + options.leaks + options.sound, options.years, days=365)
    table = outcomes(homes, options.workers)
    seeds = f"{first} to {first + len(homes) - 1}"
    print(f"{options.split} seeds {seeds}; commit {commit()}; stated: {SURELY:g} times the least that can show\n")
    print(report(table))


if __name__ == "__main__":
    main()
