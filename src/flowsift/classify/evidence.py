"""The evidence on each use as one row of numbers: its shape, its surroundings, the home model's view, the meter."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray
from flowsift.classify.company import company
from flowsift.classify.mixture import HomeModel
from flowsift.classify.prior import published_prior
from flowsift.features import UseFeatures
from flowsift.labels import LABELS
from flowsift.surroundings import Surroundings

LEAST = 1e-6
"""Floor under what a logarithm is taken of."""

NAMES: tuple[str, ...] = (
    "log_volume",
    "log_flow",
    "log_duration",
    "log_peak_over_flow",
    "unsteadiness",
    "log_levels",
    "log_valve_s",
    "tail",
    "certainty",
    "log_stretches",
    "log_paused_s",
    "log_first_over_flow",
    "log_last_over_flow",
    "main_share",
    "restlessness",
    "burst",
    "clock",
    "flow_peak",
    "log_alike_per_day",
    "log_since_alike",
    "log_until_alike",
    "log_since_any",
    "log_until_any",
    "activity",
    "running",
    "of_mode",
    "log_mode_per_day",
    "log_mode_purity",
    "log_uses_per_day",
    "log_litres_per_day",
    "log_pulse_over_volume",
    "log_interval_over_duration",
    "log_interval",
    "log_days",
    *(f"typical_{name}" for name in LABELS),
    *(f"home_{name}" for name in LABELS),
    *(f"log_company_{name}" for name in LABELS),
    "log_company_same_flow",
    "log_company_same_fill",
)
"""Names of the columns of `evidence_matrix`."""

FEW = 0.05
"""Added to a sum of probabilities before its logarithm is taken."""


def evidence_matrix(
    features: UseFeatures,
    around: Surroundings,
    model: HomeModel,
    *,
    pulse_l: float,
    interval_s: float,
    days: float,
    record: UseFeatures | None = None,
) -> FloatArray:
    """Collect the evidence on each use.

    Parameters
    ----------
    features : UseFeatures
    around : Surroundings
    model : HomeModel
        All of the same uses.
    pulse_l, interval_s, days : float
        The meter's pulse [L], the length of a cell [s], the length of the record [d].
    record : UseFeatures, optional
        All uses of the record, where `features` are only some of them.

    Returns
    -------
    ndarray of float32, shape (n_uses, len(NAMES))
        Finite, in the order of `NAMES`.
    """
    n = features.n_uses
    record = features if record is None else record
    log_v, log_q = np.log(features.volume_l), np.log(features.flow_lpm)
    in_mode = model.mode >= 0
    excess = np.append(model.modes.excess, 0.0)[np.where(in_mode, model.mode, -1)]
    purity = np.append(model.modes.purity, 0.0)[np.where(in_mode, model.mode, -1)]
    days = max(days, 0.1)
    columns = (
        log_v,
        log_q,
        np.log(features.duration_s),
        np.log(np.maximum(features.peak_lpm / features.flow_lpm, LEAST)),
        np.minimum(features.unsteadiness, 2.0),
        np.log(np.maximum(features.n_levels, 1.0)),
        np.log(features.valve_s + 0.5),
        features.tail,
        features.certainty,
        np.log(features.n_stretches),
        np.log1p(features.paused_s),
        np.log(np.maximum(features.first_lpm / features.flow_lpm, LEAST)),
        np.log(np.maximum(features.last_lpm / features.flow_lpm, LEAST)),
        features.main_share,
        np.minimum(features.restlessness, 2.0),
        around.burst,
        around.clock,
        around.flow_peak,
        np.log(around.alike_per_day + 0.03),
        np.log1p(around.since_alike_s),
        np.log1p(around.until_alike_s),
        np.log1p(around.since_any_s),
        np.log1p(around.until_any_s),
        around.activity,
        np.minimum(around.running, 5.0),
        in_mode.astype(np.float64),
        np.where(in_mode, np.log(excess / days + 0.03), np.log(0.03)),
        np.where(in_mode, purity, 0.0),
        np.full(n, np.log(record.n_uses / days + 1.0)),
        np.full(n, np.log(record.volume_l.sum() / days + 1.0)),
        np.log(np.maximum(pulse_l, 1e-3) / features.volume_l),
        np.log(interval_s / features.duration_s),
        np.full(n, np.log(interval_s)),
        np.full(n, np.log(days)),
        *np.clip(published_prior().log_density(log_v, log_q), -20.0, None).T,
        *np.log(np.maximum(model.probability, LEAST)).T,
        *np.log(company(features, model.probability) + FEW).T,
    )
    # Single precision: a year of a home's uses stays small.
    table: FloatArray = np.empty((n, len(NAMES)), np.float32)
    for k, column in enumerate(columns):
        table[:, k] = column
    return table
