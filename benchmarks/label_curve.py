"""What a few labels are worth: ``python benchmarks/label_curve.py``.

Somebody walks through the house and writes down uses, one of each fixture, then a second of each, and so on. The answer
with the first 0, 5, 10, 20, 50 and 100 labels is scored on the uses that none of the 100 is for. Homes come from the
validation seeds, half of them from the shifted population. Writes ``label_curve.csv`` and ``label_curve.png`` into the
folder given.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
from matplotlib import pyplot as plt
from rich.progress import track
from scipy.optimize import linear_sum_assignment

from flowsift.arrays import BoolArray, FloatArray
from flowsift.disaggregation import Disaggregation
from flowsift.evaluate.account import account_of_answer, account_of_truth
from flowsift.evaluate.bootstrap import resampled_homes
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.suites import PULSE_CYCLE_L, SEEDS, STOCK_CYCLE
from flowsift.households import Household, simulate, walk_labels
from flowsift.pipeline import cut_uses, name_uses

N_LABELS = (0, 5, 10, 20, 50, 100)
FIRST_SEED = SEEDS["validation"][20_000]
DAYS = 14
FIGURES = {
    "uses": "uses with the right label",
    "volume": "volume of the uses with the right label",
    "fixtures": "uses on the right fixture, where a label has several",
}


def home_of(number: int, *, interval_s: float = 1.0) -> Household:
    """Simulate a home; every second one is of the shifted population."""
    return simulate(
        FIRST_SEED + number,
        days=DAYS,
        stock=STOCK_CYCLE[number // 2 % 3],
        pulse_l=PULSE_CYCLE_L[number // 2 % 4],
        interval_s=interval_s,
        population="shifted" if number % 2 else "standard",
    )


def written_down(home: Household, *, seed: int) -> pd.DataFrame:
    """Return labels in the order of a walk: one use of each fixture, then another of each."""
    labels = walk_labels(home, seed=seed, per_fixture=max(N_LABELS))
    rng = np.random.default_rng([seed, 3])
    shuffled = labels.iloc[rng.permutation(len(labels))]
    turn = shuffled.groupby("fixture").cumcount()
    return shuffled.assign(turn=turn).sort_values("turn", kind="stable").drop(columns="turn")


def compared(home: Household, answer: Disaggregation) -> Comparison:
    """Put the answer beside the truth."""
    return Comparison(truth=account_of_truth(home.truth, home.trace), answer=account_of_answer(answer))


def never_told(home: Household, answer: Disaggregation) -> BoolArray:
    """Return which true uses count and were never written down, given the answer with all labels."""
    match = compared(home, answer).loose
    unseen = match.truth_counts.copy()
    if answer.reasons is not None:
        unseen[match.truth[answer.reasons.told[match.answer]]] = False
    return unseen


def counts_of(home: Household, answer: Disaggregation, counts: BoolArray) -> dict[str, float]:
    """Count what is right among some of the true uses."""
    comparison = compared(home, answer)
    truth, given, match = comparison.truth, comparison.answer, comparison.loose
    t, a = match.truth[counts[match.truth]], match.answer[counts[match.truth]]
    right = truth.label[t] == given.label[a]
    several = [
        name
        for name in np.unique(truth.label[counts])
        if np.unique(truth.fixture[counts & (truth.label == name)]).size > 1
    ]
    among = right & np.isin(truth.label[t], several)
    return {
        "uses_right": float(right.sum()),
        "uses_all": float(counts.sum()),
        "volume_right": float(truth.volume_l[t][right].sum()),
        "volume_all": float(truth.volume_l[counts].sum()),
        "fixtures_right": float(_paired(truth.fixture[t][among], given.fixture[a][among])),
        "fixtures_all": float((counts & np.isin(truth.label, several)).sum()),
    }


def _paired(true: Iterable[str], answered: Iterable[str]) -> int:
    """Count the uses on the right fixture, names paired so that most agree."""
    table = pd.crosstab(np.array(list(true), dtype=object), np.array(list(answered), dtype=object)).to_numpy()
    return int(table[linear_sum_assignment(table, maximize=True)].sum()) if table.size else 0


def curve_of(number: int) -> list[dict[str, float]]:
    """Score one home with each number of labels."""
    home = home_of(number)
    uses = cut_uses(home.trace).uses
    labels = written_down(home, seed=number)
    answers = {n: name_uses(home.trace, uses, labels=labels.iloc[:n] if n else None) for n in N_LABELS}
    unseen = never_told(home, answers[N_LABELS[-1]])
    return [{"home": number, "labels": n, **counts_of(home, answer, unseen)} for n, answer in answers.items()]


def summary(counts: pd.DataFrame) -> pd.DataFrame:
    """Return each figure by number of labels and population with its 95 % interval over homes."""
    rows = []
    for population, which in (("standard", 0), ("shifted", 1)):
        homes = counts[counts["home"] % 2 == which]
        first = homes[homes["labels"] == 0]
        drawn = resampled_homes(len(first))
        for n, some in homes.groupby("labels"):
            for name in FIGURES:
                share = _share(some, name, np.ones((1, len(first))))[0]
                by_draw = _share(some, name, drawn)
                gain = by_draw - _share(first, name, drawn)
                low, high = np.nanpercentile(by_draw, [2.5, 97.5])
                gain_low, gain_high = np.nanpercentile(gain, [2.5, 97.5])
                rows.append((population, n, name, share, low, high, gain_low, gain_high))
    columns = ["population", "labels", "figure", "share", "low", "high", "gain_low", "gain_high"]
    return pd.DataFrame(rows, columns=columns)


def _share(some: pd.DataFrame, name: str, drawn: FloatArray) -> FloatArray:
    right, whole = (drawn @ some[f"{name}_{part}"].to_numpy(dtype=np.float64) for part in ("right", "all"))
    return np.asarray(right / np.where(whole > 0, whole, np.nan))


def draw(table: pd.DataFrame, path: Path) -> None:
    """Draw the curves: one panel a figure, one line a population."""
    figure, panels = plt.subplots(1, len(FIGURES), figsize=(13, 4.2), sharey=True, layout="constrained")
    place = {n: k for k, n in enumerate(N_LABELS)}
    for panel, (name, title) in zip(panels, FIGURES.items(), strict=True):
        for population, colour in (("standard", "#1b6ca8"), ("shifted", "#c2571a")):
            some = table[(table["figure"] == name) & (table["population"] == population)]
            x = some["labels"].map(place)
            panel.plot(x, 100 * some["share"], marker="o", color=colour, label=f"{population} population")
            panel.fill_between(x, 100 * some["low"], 100 * some["high"], color=colour, alpha=0.15, linewidth=0)
        panel.set_title(title, fontsize=10)
        panel.set_xticks(range(len(N_LABELS)), [str(n) for n in N_LABELS])
        panel.set_xlabel("labels written down")
        panel.grid(axis="y", alpha=0.3)
    panels[0].set_ylabel("share [%], with 95 % interval over homes")
    panels[0].legend(loc="lower right", fontsize=9)
    figure.savefig(path, dpi=110)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--homes", type=int, default=24)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("-o", "--out", type=Path, default=Path("runs/label_curve"))
    options = parser.parse_args()
    mpl.use("Agg")
    with ProcessPoolExecutor(options.workers) as pool:
        rows = list(track(pool.map(curve_of, range(options.homes)), total=options.homes, description="homes"))
    table = summary(pd.DataFrame([row for home in rows for row in home]))
    options.out.mkdir(parents=True, exist_ok=True)
    table.to_csv(options.out / "label_curve.csv", index=False, float_format="%.4f")
    draw(table, options.out / "label_curve.png")
    print(table.round(3).to_string(index=False))


if __name__ == "__main__":
    main()
