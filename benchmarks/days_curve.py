"""What a longer record is worth: ``python benchmarks/days_curve.py``.

The first day's water is told apart by a record of that day alone, of two days, and so on: what is learned from later
days can only help by telling what the home's fixtures are like. Homes come from the validation seeds, half of them from
the shifted population. Prints a table of the share of the day's volume on the right label at the right second, the mean
over homes, with 95 % intervals and the paired gain over one day.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import numpy as np
import pandas as pd
from rich.progress import track

from flowsift import disaggregate
from flowsift.evaluate.account import account_of_answer, account_of_truth
from flowsift.evaluate.bootstrap import resampled_homes
from flowsift.labels import LABELS
from flowsift.units import SECONDS_PER_DAY
from label_curve import DAYS, home_of

N_DAYS = (1, 2, 4, 7, DAYS)


def shares_of(number: int) -> list[float]:
    """Return the share of the first day's volume that is right in a home, by each length of record."""
    home = home_of(number)
    trace = home.trace
    cells = int(SECONDS_PER_DAY / trace.interval_s)
    true_l = account_of_truth(home.truth, trace).by_label_l[trace.cell < cells, : len(LABELS)]
    shares = []
    for days in N_DAYS:
        some = trace.between(end=trace.start + pd.Timedelta(days=days))
        given_l = account_of_answer(disaggregate(some)).by_label_l[some.cell < cells, : len(LABELS)]
        shares.append(float(np.minimum(true_l, given_l).sum() / true_l.sum()))
    return shares


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--homes", type=int, default=48)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.workers) as pool:
        by_home = track(pool.map(shares_of, range(options.homes)), total=options.homes, description="homes")
        shares = np.array(list(by_home))
    for population, some in (("standard", shares[::2]), ("shifted", shares[1::2])):
        drawn = resampled_homes(len(some)) @ some / len(some)
        low, high = np.percentile(drawn, [2.5, 97.5], axis=0)
        gain_low, gain_high = np.percentile(drawn - drawn[:, :1], [2.5, 97.5], axis=0)
        print(f"\n{population} population, {len(some)} homes\n")
        print("| days | share of the first day's volume |\n| --- | --- |")
        for k, days in enumerate(N_DAYS):
            gain = f"; gain {gain_low[k]:+.3f} to {gain_high[k]:+.3f}" if k else ""
            print(f"| {days} | {some[:, k].mean():.3f} ({low[k]:.3f} to {high[k]:.3f}){gain} |")


if __name__ == "__main__":
    main()
