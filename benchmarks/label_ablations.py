"""What each source of knowledge is worth: ``python benchmarks/label_ablations.py``.

The same cuts are labelled with all that flowsift knows, without the home's own evidence, without the learned network,
and by published ranges alone. Homes come from the validation seeds, half of them from the shifted population. Nothing
is trained anew: the pieces of the product are put together otherwise, on cuts joined with all knowledge. Prints a table
with 95 % intervals over homes.
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial

import numpy as np
import pandas as pd
from rich.progress import track
from scipy.special import softmax

from flowsift.arrays import FloatArray
from flowsift.classify.judgement import judge, weigh_evidence
from flowsift.classify.label import label_uses
from flowsift.classify.limits import within_limits
from flowsift.classify.mixture import HomeModel
from flowsift.classify.network import trained_network
from flowsift.classify.prior import published_prior
from flowsift.disaggregation import Disaggregation, assemble
from flowsift.evaluate.bootstrap import differences_with_intervals, figures_with_intervals
from flowsift.evaluate.scores import figures, score_home
from flowsift.evaluate.totals import Counts, Totals
from flowsift.features import UseFeatures, describe_uses
from flowsift.labels import LABELS
from flowsift.pipeline import Meter, cut_uses, meter_of
from flowsift.signal.segmentation import Segmentation
from flowsift.trace import Trace
from label_curve import home_of

ALL = "all that is known"
FIGURES = (
    "volume.home_share",
    "volume.period_share",
    "volume.indoor_f1",
    "minute.nrmse",
    "events.micro_f1",
    "events.macro_f1",
    "calibration.brier",
)


def ranges_alone(features: UseFeatures) -> FloatArray:
    """Judge each use by published ranges and published uses a day alone."""
    prior = published_prior()
    density = prior.log_density(np.log(features.volume_l), np.log(features.flow_lpm))
    return np.asarray(softmax(density + np.log(prior.uses_per_day), axis=1))


def by_itself(features: UseFeatures, meter: Meter) -> FloatArray:
    """Judge each use by the networks as if it were all that the home ever used."""
    networks = trained_network()
    rows = []
    for k in range(features.n_uses):
        alone = features.at(np.array([k]))
        model, evidence = weigh_evidence(alone, **meter)
        rows.append(networks.probability(evidence, alone, np.arange(1), model.probability)[0][0])
    return np.array(rows)


def judged(trace: Trace, uses: Segmentation) -> dict[str, Disaggregation]:
    """Label the same uses by each choice of knowledge."""
    features, meter = describe_uses(trace, uses), meter_of(trace)
    home, _ = weigh_evidence(features, **meter)
    nothing_repeats = replace(home, mode=np.full(features.n_uses, -1))
    models = {
        ALL: judge(features, **meter),
        "without the home's own evidence": replace(nothing_repeats, probability=by_itself(features, meter)),
        "without the network": home,
        "published ranges alone": replace(nothing_repeats, probability=ranges_alone(features)),
    }
    return {name: _answer(trace, uses, features, model) for name, model in models.items()}


def _answer(trace: Trace, uses: Segmentation, features: UseFeatures, model: HomeModel) -> Disaggregation:
    answer = label_uses(features, replace(model, probability=within_limits(model.probability, features.volume_l)))
    return assemble(
        trace,
        start_cell=uses.start,
        end_cell=uses.end,
        label=np.array(LABELS, dtype=object)[answer.label],
        probability=answer.probability,
        fixture=answer.fixture,
        cycle=answer.cycle,
        shares=uses.shares,
        trickle=uses.trickle,
        trickle_l=uses.trickle_l,
    )


def counts_of_home(number: int, interval_s: float) -> dict[str, Counts]:
    """Score one home under each choice of knowledge."""
    home = home_of(number, interval_s=interval_s)
    answers = judged(home.trace, cut_uses(home.trace).uses)
    return {name: score_home(answer, home.truth).counts for name, answer in answers.items()}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--homes", type=int, default=24)
    parser.add_argument("--interval", type=float, default=1.0, help="length of a cell [s]")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.workers) as pool:
        scored = pool.map(partial(counts_of_home, interval_s=options.interval), range(options.homes))
        homes = list(track(scored, total=options.homes, description="homes"))
    for population, which in (("standard", 0), ("shifted", 1)):
        totals = {name: Totals.of_homes([home[name] for home in homes[which::2]]) for name in homes[0]}
        rows = {}
        for name, some in totals.items():
            value = figures_with_intervals(some, figures).loc[list(FIGURES)]
            change = differences_with_intervals(some, totals[ALL], figures).loc[list(FIGURES)]
            rows[name] = [
                f"{v.value:.3f}"
                if name == ALL
                else f"{v.value:.3f} ({c.difference:+.3f}, {c.low:+.3f} to {c.high:+.3f})"
                for v, c in zip(value.itertuples(), change.itertuples(), strict=True)
            ]
        print(f"\n{population} population, {options.homes // 2} homes\n")
        table = pd.DataFrame.from_dict(rows, orient="index", columns=list(FIGURES))
        print(table.rename_axis("knowledge").reset_index().to_markdown(index=False))


if __name__ == "__main__":
    main()
