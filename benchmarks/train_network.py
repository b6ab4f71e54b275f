"""Train the networks that label uses, on simulated homes: ``python benchmarks/train_network.py``.

Homes come from the training seeds alone, many with fixtures and habits changed by factors of their own, so that the
networks don't learn one population's habits by heart. The first look learns from some of the homes, the second from
all of them, and then goes on with further homes, many of them recorded for a few days only: lessons of both at once
don't fit into the memory. The weight of both views in the answer is set on validation homes, half of them changed
further than any training home: what is to be judged may be unlike all of them. Takes about three hours on two
processors. Writes ``src/flowsift/classify/network.npz`` (plain arrays, read without pickle) and prints the scores on
the validation homes.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TypeVar

import numpy as np
from rich.progress import track
from scipy.optimize import minimize
from scipy.special import log_softmax
from sklearn.metrics import f1_score

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.evidence import NAMES
from flowsift.classify.judgement import weigh_evidence
from flowsift.classify.network import SECOND_NAMES, Network, TwoLooks, beside_others
from flowsift.disaggregation import overlapping
from flowsift.evaluate.account import VOLUME_COLUMNS, Account, account_of_truth
from flowsift.evaluate.comparison import Comparison
from flowsift.evaluate.suites import SEEDS
from flowsift.features import UseFeatures, describe_uses, features_of_cuts
from flowsift.grouping import sum_by
from flowsift.households import Faults, simulate
from flowsift.labels import LABELS
from flowsift.pipeline import evidence_of_uses, meter_of
from flowsift.signal.segmentation import Segmentation
from flowsift.units import SECONDS_PER_MINUTE
from network_fitting import fit, go_on

Found = TypeVar("Found")

TARGET = Path(__file__).parents[1] / "src" / "flowsift" / "classify" / "network.npz"
INTERVALS_S = (1.0, 1.0, 1.0, 1.0, 2.0, 5.0, 10.0, 10.0, 30.0, 60.0)
PULSES_L = (0.03, 0.002, 0.005, 0.03, 0.01, 0.1, 0.03, 0.1, 0.4, 1.0)
STOCKS = ("us", "us-efficient", "europe")
DAYS = (14, 7, 14, 21, 7, 3)
FURTHER_DAYS = (14, 7, 3, 7, 1, 14, 3)
"""Days that homes are recorded for: those learned from first, and further ones. Of a short record, a home's own
repetition tells little yet."""
SPREADS = {"train": (0.0, 0.15, 0.3, 0.5), "validation": (0.0, 0.6)}
"""How far fixtures and habits depart from the population's (`flowsift.households.varied`), by turns."""
CROWDED = 0.2
"""Share of homes in which uses are made to run at once."""
SPOILED = 0.2
"""Share of homes whose logger loses, doubles and garbles rows."""
LEAKY = 0.1
"""Share of homes that are given a worn flapper: one that hangs is rare."""
HIDDEN = {"first": (128, 64), "second": (256, 128)}
"""Sizes of the hidden layers of each look."""
DECAY = {"first": 0.3, "second": 0.1}
"""Decay of the weights of each look: the fewer homes, the more."""
MOST_LESSONS = {"first": (200, 60), "second": (120, 40)}
"""Uses of one home that are learned from, in each kind of cut and as true uses: more homes teach more than more of one
home, and what is to be labelled is rarely cut as the truth is."""
LEAN = 1.0
"""How far the first look leans towards or away from each label, home by home, while the second learns (spread of log
odds). In a home unlike those trained on it does so; the second look must not lean with it."""
CLEAR_SHARE = 0.5
"""A use that matches no true one teaches the label that has more than this share of its volume."""


@dataclass(frozen=True, kw_only=True)
class Lesson:
    """The uses of one home in one kind of cut: pieces, whole uses or true uses.

    Attributes
    ----------
    home : int
        Seed.
    features : UseFeatures
    evidence : ndarray, shape (n_uses, n_inputs)
    label : ndarray of int64, shape (n_uses,)
        The true label, -1 where unclear.
    most : int
        Uses that are learned from, at most.
    """

    home: int
    features: UseFeatures
    evidence: FloatArray
    label: IntArray
    most: int

    @property
    def taken(self) -> IntArray:
        """Uses that are learned from."""
        clear = np.flatnonzero(self.label >= 0)
        rng = np.random.default_rng([self.home, 9])
        return np.sort(rng.permutation(clear)[: self.most])


@dataclass(frozen=True, kw_only=True)
class Rows:
    """Uses to learn from.

    Attributes
    ----------
    evidence : ndarray of float32, shape (n_uses, n_inputs)
    label : ndarray of int64, shape (n_uses,)
    volume_l : ndarray, shape (n_uses,)
    around : ndarray of float16, shape (n_uses, 2 * EACH_WAY, n_figures), optional
        The uses around each, for the second look.
    """

    evidence: FloatArray
    label: IntArray
    volume_l: FloatArray
    around: FloatArray | None = None

    @property
    def weight(self) -> FloatArray:
        """What uses count in the loss: the large ones more."""
        return 0.5 + np.minimum(self.volume_l, 60.0) / 15.0


def options_of(seed: int, days: Sequence[int] = DAYS) -> dict[str, object]:
    """Draw what a training home is recorded with."""
    rng = np.random.default_rng([seed, 7])
    k = int(rng.integers(len(INTERVALS_S)))
    # Any logger of a fault or two up to one that is worse than most.
    faults = Faults(
        dropped=rng.uniform(0.0, 0.01),
        duplicated=rng.uniform(0.0, 0.01),
        disordered=rng.uniform(0.0, 0.002),
        gaps_per_d=rng.uniform(0.0, 1.0),
        noise=float(rng.choice([0.0, 0.005, 0.02])),
        drift_ppm=rng.uniform(-80.0, 80.0),
    )
    together_per_d = int(rng.integers(2, 16))
    return {
        "faults": faults if rng.random() < SPOILED else None,
        "together_per_d": together_per_d if rng.random() < CROWDED else 0,
        "days": int(rng.choice(days)),
        "stock": str(rng.choice(STOCKS)),
        "interval_s": INTERVALS_S[k],
        "pulse_l": float(rng.choice(PULSES_L[: k + 4])),
        "start": f"2024-{int(rng.integers(1, 13)):02d}-03",
        "include": ("worn flapper",) if rng.random() < LEAKY else (),
    }


def lessons_of(seed: int, look: str, days: Sequence[int] = DAYS) -> list[Lesson]:
    """Return the lessons of a home: its pieces, its whole uses, and its true uses as if only their cuts were known."""
    most, most_true = MOST_LESSONS[look]
    spreads = SPREADS["train" if seed in SEEDS["train"] else "validation"]
    home = simulate(seed, spread=spreads[seed % len(spreads)], **options_of(seed, days))  # type: ignore[arg-type]
    trace, truth = home.trace, account_of_truth(home.truth, home.trace)
    lessons = [
        Lesson(
            home=seed,
            features=describe_uses(trace, uses),
            evidence=evidence.astype(np.float32),
            label=true_labels(uses, truth),
            most=most,
        )
        for uses, evidence in evidence_of_uses(trace)
    ]
    seen = truth.volume_l > trace.pulse_l / 2
    duration_s = (truth.end - truth.start)[seen] * trace.interval_s
    cuts = features_of_cuts(
        truth.start[seen] * trace.interval_s,
        duration_s,
        truth.volume_l[seen],
        truth.volume_l[seen] / duration_s * SECONDS_PER_MINUTE,
    )
    evidence = weigh_evidence(cuts, **meter_of(trace))[1]
    return [
        *lessons,
        Lesson(home=seed, features=cuts, evidence=evidence.astype(np.float32), label=truth.label[seen], most=most_true),
    ]


def volumes(uses: Segmentation) -> FloatArray:
    """Return the volume of each use [L]."""
    return sum_by(uses.shares.event, uses.shares.volume_l, uses.n_uses)


def true_labels(uses: Segmentation, truth: Account) -> IntArray:
    """Label each use by the true use that it is, or else by the label that most of its volume has; -1 for none.

    A tap beside a flush shares its seconds with it: its own match says what it is, its volume would say flush. A
    fragment that matches nothing belongs to the use around it.
    """
    by_label = np.zeros((uses.n_uses, len(VOLUME_COLUMNS)))
    share = truth.by_label_l / np.maximum(truth.trace.volume_l, 1e-12)[:, None]
    np.add.at(by_label, uses.shares.event, share[uses.shares.flow] * uses.shares.volume_l[:, None])
    whole = volumes(uses)
    clear = by_label.max(axis=1, initial=0.0) > CLEAR_SHARE * np.maximum(whole, 1e-12)
    label = by_label.argmax(axis=1) if uses.n_uses else np.empty(0, np.int64)
    label = np.where(clear & (label < len(LABELS)), label, -1)
    answer = replace(
        truth,
        start=uses.start,
        end=uses.end,
        label=label,
        volume_l=whole,
        used_l=whole,
        probability=np.ones(uses.n_uses),
        fixture=np.full(uses.n_uses, "", dtype=object),
        cycle=np.full(uses.n_uses, -1),
        overlaps=overlapping(uses.start, uses.end),
        shares=uses.shares,
    )
    match = Comparison(truth=truth, answer=answer).loose
    label[match.answer] = truth.label[match.truth]
    return label


def first_rows_of(seed: int) -> list[Rows]:
    """Return what the first look learns from a home."""
    return [rows_of(lesson) for lesson in lessons_of(seed, "first")]


def second_rows_of(seed: int, first: Network, days: Sequence[int] = DAYS) -> list[Rows]:
    """Return what the second look learns from a home, as the first sees it while it leans."""
    return [beside(leaning(first, seed), lesson) for lesson in lessons_of(seed, "second", days) if lesson.taken.size]


def gather(found: Callable[[int], list[Found]], seeds: range, workers: int) -> list[Found]:
    """Collect what is found in many homes."""
    with ProcessPoolExecutor(workers) as pool:
        by_home = pool.map(found, seeds)
        homes = track(by_home, total=len(seeds), description=f"homes {seeds[0]} to {seeds[-1]}")
        return [one for home in homes for one in home]


def rows_of(lesson: Lesson) -> Rows:
    """Return the uses of a lesson that are learned from."""
    taken = lesson.taken
    return Rows(evidence=lesson.evidence[taken], label=lesson.label[taken], volume_l=lesson.features.volume_l[taken])


def joined(parts: list[Rows]) -> Rows:
    """Put rows together, and empty the list: all of them twice don't fit into the memory."""
    n_uses = sum(part.label.size for part in parts)
    evidence, like = np.empty((n_uses, parts[0].evidence.shape[1]), np.float32), parts[0].around
    around = None if like is None else np.empty((n_uses, *like.shape[1:]), like.dtype)
    label, volume_l = np.empty(n_uses, np.int64), np.empty(n_uses)
    stop = n_uses
    while parts:
        part = parts.pop()
        some = slice(stop - part.label.size, stop)
        stop = some.start
        evidence[some], label[some], volume_l[some] = part.evidence, part.label, part.volume_l
        if around is not None:
            around[some] = part.around
    return Rows(evidence=evidence, label=label, volume_l=volume_l, around=around)


def fitted_first(rows: Rows) -> Network:
    """Fit the first look."""
    return fit(rows.evidence, rows.label, rows.weight, hidden=HIDDEN["first"], decay=DECAY["first"])[0]


def fitted_second(first: Network, rows: Rows) -> TwoLooks:
    """Fit the second look."""
    second, told = fit(
        rows.evidence, rows.label, rows.weight, hidden=HIDDEN["second"], decay=DECAY["second"], around=rows.around
    )
    assert told is not None
    return TwoLooks(first=first, second=second, around=told, own_weight=1.0, home_weight=0.0)


def gone_on(networks: TwoLooks, rows: Rows) -> TwoLooks:
    """Let the second look learn from further homes."""
    assert rows.around is not None
    second, told = go_on(
        networks.second,
        networks.around,
        rows.evidence,
        rows.label,
        rows.weight,
        decay=DECAY["second"],
        around=rows.around,
    )
    return replace(networks, second=second, around=told)


def seen_again(networks: TwoLooks, lesson: Lesson) -> Lesson:
    """Return what is learned from in a lesson, with the evidence for the second look."""
    taken = lesson.taken
    parts, _ = networks.look_again(lesson.evidence, lesson.features, taken)
    evidence = np.empty((taken.size, len(SECOND_NAMES)), np.float32)
    for some, again in parts:
        evidence[some] = again
    return replace(lesson, features=lesson.features.at(taken), evidence=evidence, label=lesson.label[taken])


def beside(first: Network, lesson: Lesson) -> Rows:
    """Return the uses of a lesson that are learned from: the evidence for the second look, and what it is to sum up."""
    taken = lesson.taken
    parts, _ = beside_others(first, lesson.evidence, lesson.features, taken)
    told = [(own.astype(np.float32), around.astype(np.float16)) for _, own, around in parts]
    evidence, around = (np.concatenate(part) for part in zip(*told, strict=True))
    return replace(rows_of(lesson), evidence=evidence, around=around)


def leaning(first: Network, home: int) -> Network:
    """Return a first look that leans by an amount of the home's own."""
    *biases, last = first.biases
    lean = np.random.default_rng([home, 11]).normal(0.0, LEAN, len(LABELS))
    return replace(first, biases=(*biases, last + lean))


def home_probability(lesson: Lesson) -> FloatArray:
    """Return the home model's probabilities, which are part of the evidence."""
    first = NAMES.index(f"home_{LABELS[0]}")
    return np.exp(lesson.evidence[:, first : first + len(LABELS)].astype(np.float64))


def weighed(networks: TwoLooks, lessons: Sequence[Lesson]) -> TwoLooks:
    """Set the weights of the second look and of the home model under which validation labels are likeliest."""
    rows = joined([rows_of(lesson) for lesson in lessons])
    own, label = networks.second.log_probability(rows.evidence), rows.label
    log_home = np.log(np.concatenate([home_probability(lesson)[lesson.taken] for lesson in lessons]))
    each = np.arange(label.size)

    def loss(log_weights: FloatArray) -> float:
        own_weight, home_weight = np.exp(log_weights)
        return float(-log_softmax(own_weight * own + home_weight * log_home, axis=1)[each, label].mean())

    own_weight, home_weight = np.exp(minimize(loss, np.log([0.7, 0.2]), method="Nelder-Mead").x)
    return replace(networks, own_weight=float(own_weight), home_weight=float(home_weight))


def print_scores(name: str, probability: Sequence[FloatArray], lessons: Sequence[Lesson]) -> None:
    """Print how many validation uses are labelled rightly, homes of each spread apart."""
    spreads = SPREADS["validation"]
    for k, spread in enumerate(spreads):
        some = [pair for pair in zip(probability, lessons, strict=True) if pair[1].home % len(spreads) == k]
        told = np.concatenate([p.argmax(axis=1)[lesson.taken] for p, lesson in some])
        true = np.concatenate([lesson.label[lesson.taken] for _, lesson in some])
        volume_l = np.concatenate([lesson.features.volume_l[lesson.taken] for _, lesson in some])
        right = told == true
        print(
            f"{name}, spread {spread:g}: {right.mean():.3f} of validation uses, "
            f"{volume_l[right].sum() / volume_l.sum():.3f} of their volume, "
            f"macro F1 {f1_score(true, told, average='macro', zero_division=0.0):.3f}"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--homes", type=int, default=19200)
    parser.add_argument("--first", type=int, default=5600, help="homes that the first, smaller look learns from")
    parser.add_argument("--further", type=int, default=15400, help="homes that the second look goes on with")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--out", type=Path, default=TARGET)
    options = parser.parse_args()
    seeds = SEEDS["train"][1_000 : 1_000 + options.homes]
    further = SEEDS["train"][1_000 + options.homes :][: options.further]
    first = fitted_first(joined(gather(first_rows_of, seeds[: options.first], options.workers)))
    unseen = SEEDS["validation"][1_000 : 1_000 + max(options.first // 20, 8)]
    tune = gather(partial(lessons_of, look="first"), unseen, options.workers)
    print_scores("home model", [home_probability(lesson) for lesson in tune], tune)
    print_scores("first look", [first.log_probability(lesson.evidence) for lesson in tune], tune)
    networks = fitted_second(first, joined(gather(partial(second_rows_of, first=first), seeds, options.workers)))
    found = partial(second_rows_of, first=first, days=FURTHER_DAYS)
    networks = gone_on(networks, joined(gather(found, further, options.workers)))
    tune = [seen_again(networks, lesson) for lesson in tune]
    networks = weighed(networks, tune)
    print_scores("second look", [networks.second.log_probability(lesson.evidence) for lesson in tune], tune)
    print_scores("pooled", [networks.pooled(lesson.evidence, home_probability(lesson)) for lesson in tune], tune)
    print(f"weights {networks.own_weight:.2f} and {networks.home_weight:.2f}")
    np.savez_compressed(
        options.out,
        names=np.array(SECOND_NAMES),
        labels=np.array(LABELS),
        trained_on=f"simulated homes, seeds {seeds[0]} to {further[-1]}",
        pool=np.array([networks.own_weight, networks.home_weight]),
        **networks.first.arrays("first"),
        **networks.second.arrays("second"),
        **networks.around.arrays("around"),
    )
    print(f"wrote {options.out.name}, {options.out.stat().st_size / 1e3:.0f} kB")


if __name__ == "__main__":
    main()
