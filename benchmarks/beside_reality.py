"""Draw two simulated days beside two real ones: ``python benchmarks/beside_reality.py APARTMENT PICTURE.png``.

What gives a simulation away is seen sooner than measured. The open apartment is read in place (its attribution stands
in the picture); the picture isn't kept here.
"""

from __future__ import annotations

import argparse

import numpy as np
from matplotlib import pyplot as plt
from matplotlib.axes import Axes

from flowsift.evaluate.account import Account, account_of_truth
from flowsift.evaluate.open_data import APARTMENT_ATTRIBUTION, read_apartment
from flowsift.households import simulate
from flowsift.labels import LABELS
from flowsift.report.appearance import LOOKS
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

SEED = 100_500
"""A validation home."""


def full_days(trace: Trace) -> np.ndarray:
    """Return the two days whose volumes are nearest to the upper quartile of days."""
    day = (trace.cell * trace.interval_s // SECONDS_PER_DAY).astype(np.int64)
    volume = np.bincount(day, trace.volume_l)
    return np.argsort(np.abs(volume - np.quantile(volume, 0.75)), kind="stable")[:2]


def draw_day(axis: Axes, trace: Trace, truth: Account, day: int, title: str) -> None:
    """Draw a day's flow, stacked by true label."""
    per_day = round(SECONDS_PER_DAY / trace.interval_s)
    hours = np.arange(per_day) * trace.interval_s / 3600
    base = np.zeros(per_day)
    shares = truth.shares
    cell = trace.cell[shares.flow] - day * per_day
    inside = (cell >= 0) & (cell < per_day)
    for k, label in enumerate(LABELS):
        own = inside & (truth.label[shares.event] == k)
        if not own.any():
            continue
        flow = np.bincount(cell[own], shares.volume_l[own], minlength=per_day)
        flow *= SECONDS_PER_MINUTE / trace.interval_s
        axis.fill_between(hours, base, base + flow, step="post", linewidth=0, label=label, color=LOOKS[label].colour)
        base = base + flow
    axis.set(title=title, xlim=(0, 24), xlabel="hour", ylabel="flow [L/min]")
    axis.legend(fontsize=7, loc="upper left")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("apartment", help="folder of the open apartment")
    parser.add_argument("picture")
    parser.add_argument("--from-hour", type=float, default=0.0)
    parser.add_argument("--to-hour", type=float, default=24.0)
    options = parser.parse_args()
    real, real_truth = read_apartment(options.apartment)
    home = simulate(SEED, days=30, stock="europe", people=2, outdoors=False, pulse_l=real.pulse_l)
    figure, axes = plt.subplots(2, 2, figsize=(16, 9), sharey=True, layout="constrained")
    for row, (trace, truth, name) in enumerate(
        (
            (home.trace, account_of_truth(home.truth, home.trace), "simulated"),
            (real, account_of_truth(real_truth, real), "real"),
        )
    ):
        for axis, day in zip(axes[row], full_days(trace), strict=True):
            draw_day(axis, trace, truth, int(day), f"{name}, day {day}")
            axis.set_xlim(options.from_hour, options.to_hour)
    figure.text(0.01, 0.002, APARTMENT_ATTRIBUTION, fontsize=6)
    figure.savefig(options.picture, dpi=110)


if __name__ == "__main__":
    main()
