"""Train the network that labels uses, on simulated homes: ``python benchmarks/train_network.py``.

Homes come from the training seeds alone, each with its flows and its times stretched by a factor of its own, so that
the network doesn't learn one population's habits by heart. The weight of both views in the answer is set on the
validation homes, so that probabilities are calibrated. Writes
``src/flowsift/classify/network.npz`` (plain arrays, read without pickle) and prints the scores on the validation homes.
"""

from __future__ import annotations

import argparse
import warnings
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from rich.progress import track
from scipy.optimize import minimize
from scipy.special import log_softmax
from sklearn.exceptions import ConvergenceWarning
from sklearn.neural_network import MLPClassifier

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.evidence import NAMES
from flowsift.classify.network import CLIP, Network
from flowsift.disaggregation import assemble
from flowsift.evaluate.account import Account, account_of_answer, account_of_truth
from flowsift.evaluate.matching import candidate_pairs
from flowsift.evaluate.suites import SEEDS
from flowsift.households import simulate
from flowsift.labels import LABELS
from flowsift.pipeline import evidence_of_uses
from flowsift.signal.segmentation import Segmentation
from flowsift.trace import Trace

TARGET = Path(__file__).parents[1] / "src" / "flowsift" / "classify" / "network.npz"
INTERVALS_S = (1.0, 1.0, 1.0, 1.0, 2.0, 5.0, 10.0, 10.0, 30.0, 60.0)
PULSES_L = (0.03, 0.002, 0.005, 0.03, 0.01, 0.1, 0.03, 0.1, 0.4, 1.0)
STOCKS = ("us", "us-efficient", "europe")
DAYS = (14, 7, 14, 28, 14, 3)
RARE = ("irrigation", "bathtub", "softener", "cooler", "pool", "hose", "dishwasher", "flapper")
HIDDEN = (128, 64)
STRETCH = (0.25, 0.12)
"""Standard deviation of the log of the factors on flows and times of a home."""
CLEAR_SHARE = 0.5
"""A use whose volume is less than this share of one true use teaches nothing."""


def options_of(seed: int) -> dict[str, object]:
    """Draw what a training home is recorded with."""
    rng = np.random.default_rng([seed, 7])
    k = int(rng.integers(len(INTERVALS_S)))
    return {
        "days": int(rng.choice(DAYS)),
        "stock": str(rng.choice(STOCKS)),
        "interval_s": INTERVALS_S[k],
        "pulse_l": float(rng.choice(PULSES_L[: k + 4])),
        "start": f"2024-{int(rng.integers(1, 13)):02d}-03",
    }


def stretched(seed: int) -> tuple[Trace, Account]:
    """Simulate a home and multiply its flows and its times."""
    home = simulate(seed, **options_of(seed))  # type: ignore[arg-type]
    rng = np.random.default_rng([seed, 8])
    flow, time = np.exp(rng.normal(0.0, STRETCH))
    truth = account_of_truth(home.truth, home.trace)
    trace = replace(
        home.trace,
        volume_l=home.trace.volume_l * flow * time,
        pulse_l=home.trace.pulse_l * flow * time,
        interval_ns=round(home.trace.interval_ns * time),
    )
    shares = replace(truth.shares, volume_l=truth.shares.volume_l * flow * time)
    return trace, replace(truth, shares=shares, volume_l=truth.volume_l * flow * time)


def lesson(seed: int) -> tuple[FloatArray, IntArray, FloatArray]:
    """Return the evidence on a home's uses, their true labels and volumes: pieces first, then whole uses."""
    trace, truth = stretched(seed)
    rows = [(evidence, *true_labels(trace, uses, truth)) for uses, evidence in evidence_of_uses(trace)]
    evidence = np.concatenate([r[0] for r in rows])
    label = np.concatenate([r[1] for r in rows])
    volume = np.concatenate([r[2] for r in rows])
    clear = label >= 0
    return evidence[clear].astype(np.float32), label[clear], volume[clear]


def true_labels(trace: Trace, uses: Segmentation, truth: Account) -> tuple[IntArray, FloatArray]:
    """Label each use by the true use that it agrees with best in time and volume; -1 where that holds too little of it.

    What most of the water in its cells belongs to would be wrong: a tap that was cut cleanly out of a flush lies in
    cells full of the flush's water, and the network would learn to call it a flush.
    """
    n = uses.n_uses
    order = np.lexsort((uses.end, uses.start))
    answer = account_of_answer(
        assemble(
            trace,
            start_cell=uses.start,
            end_cell=uses.end,
            label=["other"] * n,
            probability=np.zeros(n),
            fixture=["other"] * n,
            cycle=np.full(n, -1),
            shares=uses.shares,
        )
    )
    pairs = candidate_pairs(truth, answer)
    by_agreement = np.argsort(pairs.agreement, kind="stable")
    best = np.full(n, -1)
    best[pairs.answer[by_agreement]] = by_agreement  # the last one written is the best
    label, volume = np.full(n, -1), np.zeros(n)
    found = best >= 0
    both, whole = truth.volume_l[pairs.truth[best[found]]], answer.volume_l[found]
    iou = pairs.volume_iou[best[found]]
    clear = iou / (1.0 + iou) * (both + whole) > CLEAR_SHARE * whole
    label[found] = np.where(clear, truth.label[pairs.truth[best[found]]], -1)
    volume[found] = np.where(clear, whole, 0.0)
    back = np.empty(n, np.int64)
    back[order] = np.arange(n)
    return label[back], volume[back]


def gather(seeds: Iterable[int], workers: int) -> tuple[FloatArray, IntArray, FloatArray]:
    """Collect lessons of many homes."""
    seeds = list(seeds)
    with ProcessPoolExecutor(workers) as pool:
        rows = list(track(pool.map(lesson, seeds), total=len(seeds), description="homes"))
    return tuple(np.concatenate(part) for part in zip(*rows, strict=True))  # type: ignore[return-value]


def lessons(homes: int, workers: int, kept: Path | None) -> list[FloatArray | IntArray]:
    """Collect lessons of training homes, then of validation homes, or take them from the file where they were kept."""
    if kept is not None and kept.exists():
        with np.load(kept, allow_pickle=False) as data:
            return [data[f"part_{k}"] for k in range(6)]
    parts = []
    for split, n in (("train", homes), ("validation", max(homes // 8, 8))):
        first = SEEDS[split][1_000]
        parts += gather(range(first, first + n), workers)
    if kept is not None:
        np.savez(kept, **{f"part_{k}": part for k, part in enumerate(parts)})
    return parts


def pool_weights(network: Network, evidence: FloatArray, home: FloatArray, label: IntArray) -> tuple[float, float]:
    """Find the weights of the network and of the home model under which validation labels are likeliest.

    No other data have a say in them.
    """
    own, log_home = log_softmax(network.output(evidence), axis=1), np.log(home)
    rows = np.arange(label.size)

    def loss(log_weights: FloatArray) -> float:
        own_weight, home_weight = np.exp(log_weights)
        return float(-log_softmax(own_weight * own + home_weight * log_home, axis=1)[rows, label].mean())

    own_weight, home_weight = np.exp(minimize(loss, np.log([0.7, 0.2]), method="Nelder-Mead").x)
    return float(own_weight), float(home_weight)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--homes", type=int, default=640)
    parser.add_argument("--lessons", type=Path, help="keep the lessons in this file, or take them from it")
    parser.add_argument("--rounds", type=int, default=20)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=TARGET)
    options = parser.parse_args()
    x, y, volume, vx, vy, vv = lessons(options.homes, options.workers, options.lessons)
    center, scale = x.mean(axis=0), np.maximum(x.std(axis=0), 1e-3)
    model = MLPClassifier(
        HIDDEN, alpha=1e-3, batch_size=1024, learning_rate_init=2e-3, max_iter=options.rounds, random_state=0, tol=0.0
    )
    weight = 0.5 + np.minimum(volume, 60.0) / 15.0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ConvergenceWarning)  # the number of rounds is chosen
        model.fit(np.clip((x - center) / scale, -CLIP, CLIP), y, sample_weight=weight)
    weights, biases = list(model.coefs_), list(model.intercepts_)
    # A label that no training home shows keeps a probability of almost nothing.
    last, bias = np.zeros((HIDDEN[-1], len(LABELS))), np.full(len(LABELS), -20.0)
    last[:, model.classes_], bias[model.classes_] = weights[-1], biases[-1]
    weights[-1], biases[-1] = last, bias
    network = Network(
        center=center, scale=scale, weights=tuple(weights), biases=tuple(biases), own_weight=1.0, home_weight=0.0
    )
    home = np.exp(vx[:, -len(LABELS) :])
    own_weight, home_weight = pool_weights(network, vx, home, vy)
    network = replace(network, own_weight=own_weight, home_weight=home_weight)
    for name, p in (
        ("home model", home),
        ("network", log_softmax(network.output(vx), axis=1)),
        ("both", network.probability(vx, home)),
    ):
        right = p.argmax(axis=1) == vy
        print(f"{name}: {right.mean():.3f} of validation uses, {(right * vv).sum() / vv.sum():.3f} of their volume")
    print(f"{x.shape[0]:,} lessons; weights {network.own_weight:.2f} and {network.home_weight:.2f}")
    np.savez_compressed(
        options.out,
        names=np.array(NAMES),
        labels=np.array(LABELS),
        n_layers=len(weights),
        center=center.astype(np.float32),
        scale=scale.astype(np.float32),
        own_weight=network.own_weight,
        home_weight=network.home_weight,
        trained_on=f"simulated homes, seeds {SEEDS['train'][1_000]} to {SEEDS['train'][1_000] + options.homes - 1}",
        **{f"weight_{k}": w.astype(np.float32) for k, w in enumerate(weights)},
        **{f"bias_{k}": b.astype(np.float32) for k, b in enumerate(biases)},
    )
    print(f"wrote {options.out.name}, {options.out.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
