"""Feature extraction and classifier as scikit-learn estimators, usable alone and in a `sklearn.pipeline.Pipeline`.

They are for labelled uses of which figures are known and no trace: a table from another tool, a survey, pre-cut events.
`flowsift.disaggregate` judges by its own model, which also sees each use's shape.

>>> from sklearn.pipeline import make_pipeline
>>> model = make_pipeline(UseDescriber(), UseClassifier())
>>> uses = [[6.0, 8.0], [6.1, 7.9], [0.5, 3.0], [0.9, 4.0]]  # litres, litres per minute
>>> model.fit(uses, ["flush", "flush", "faucet", "faucet"]).predict([[6.05, 8.1], [60.0, 8.0]]).tolist()
['flush', 'flush']
"""

from __future__ import annotations

from typing import Any, Self

import numpy as np
import numpy.typing as npt
from scipy.spatial import KDTree
from scipy.special import softmax
from sklearn.base import BaseEstimator, ClassifierMixin, TransformerMixin
from sklearn.utils.multiclass import check_classification_targets
from sklearn.utils.validation import check_is_fitted, validate_data

from flowsift.arrays import BoolArray, FloatArray
from flowsift.classify.prior import published_prior
from flowsift.labels import LABELS
from flowsift.surroundings import ALIKE_FLOW, BURST_S, CLOCK_S
from flowsift.units import SECONDS_PER_DAY

COLUMNS = ("volume_l", "flow_lpm", "duration_s", "start_s")
"""What the columns of `UseDescriber` are, as far as they are known."""

SMALLEST = 1e-3
"""Values are taken as logarithms down to about this much; nothing and less than nothing stay finite."""

ALIKE_VOLUME = 0.07
"""Volumes that differ by less than this share may be the same use again (twice `modes.REPEAT_VOLUME`)."""


class UseDescriber(TransformerMixin, BaseEstimator):  # type: ignore[misc]
    """Turn the figures of uses into features: logarithms, and how often the like occurs in the home it was fitted to.

    Columns of the input, as many as are known: volume [L], flow [L/min], duration [s], start [s since any midnight].
    Further columns are handed on unchanged.

    Parameters
    ----------
    repetition : bool
        Whether to count the like. Without it a use is described by its own figures alone, and homes can be mixed.

    Attributes
    ----------
    n_features_in_ : int
    feature_names_in_ : ndarray of str
        Only where the input had names.
    uses_ : ndarray, shape (n_uses, n_features)
        The home's uses.

    Examples
    --------
    >>> from flowsift.classify.estimators import UseDescriber
    >>> describer = UseDescriber().fit([[6.0, 8.0], [6.1, 7.9], [0.5, 3.0]])  # litres, litres per minute
    >>> describer.get_feature_names_out().tolist()
    ['log_volume', 'log_flow', 'alike']
    >>> describer.transform([[6.05, 8.0]]).round(2).tolist()  # two flushes like it, and itself
    [[1.8, 2.08, 1.39]]
    """

    def __init__(self, *, repetition: bool = True) -> None:
        self.repetition = repetition

    def fit(self, X: npt.ArrayLike, y: object = None) -> Self:  # noqa: ARG002 - scikit-learn's signature
        """Learn what a home's uses are like.

        Parameters
        ----------
        X : array-like, shape (n_uses, n_figures)
        y : ignored
        """
        self.uses_ = validate_data(self, X, dtype=np.float64)
        return self

    def transform(self, X: npt.ArrayLike) -> FloatArray:
        """Return the features of uses, shape (n_uses, n_features_out); `get_feature_names_out` names them.

        A use that the home was not fitted to is counted with the like as if it had been.
        """
        check_is_fitted(self)
        figures = validate_data(self, X, dtype=np.float64, reset=False)
        columns = [_log(figures[:, k]) for k in range(min(figures.shape[1], 3))]
        if self.repetition:
            # Each use the home was fitted to is one of those counted near it; a new use counts as one more.
            new = np.asarray(KDTree(self.uses_).query(figures, p=np.inf)[0]) > 0.0
            columns += [
                _alike(mine, known, new=new) for mine, known in zip(*map(_places, (figures, self.uses_)), strict=True)
            ]
        return np.column_stack([*columns, figures[:, len(COLUMNS) :]])

    def get_feature_names_out(self, input_features: object = None) -> npt.NDArray[np.object_]:  # noqa: ARG002 - as above
        """Return the names of the features.

        Parameters
        ----------
        input_features : ignored
            The features are named by what they mean.
        """
        check_is_fitted(self)
        n = self.n_features_in_
        names = ["log_volume", "log_flow", "log_duration"][: min(n, 3)]
        if self.repetition:
            names += ["alike", *(["burst", "clock"] if n >= len(COLUMNS) else [])]
        return np.array([*names, *(f"column_{k}" for k in range(len(COLUMNS), n))], dtype=object)


def _log(values: FloatArray) -> FloatArray:
    """Return the logarithm of values well above `SMALLEST`, bending to a line through zero below."""
    return np.asarray(np.arcsinh(values / (2.0 * SMALLEST)) + np.log(SMALLEST))


def _places(figures: FloatArray) -> list[FloatArray]:
    """Return the coordinates in which the like lies within 1: of the use itself, around it in time, on the clock."""
    size = _log(figures[:, : min(figures.shape[1], 2)]) / np.array([ALIKE_VOLUME, ALIKE_FLOW])[: figures.shape[1]]
    if figures.shape[1] < len(COLUMNS):
        return [size]
    start_s, flow = figures[:, 3], size[:, 1]
    clock = np.mod(start_s, SECONDS_PER_DAY)
    return [size, np.column_stack([start_s / BURST_S, flow]), np.column_stack([clock / CLOCK_S, flow])]


def _alike(mine: FloatArray, known: FloatArray, *, new: BoolArray) -> FloatArray:
    """Return the log of how many of the home's uses, with mine where it is new, lie within 1 of each of mine."""
    count = KDTree(known).query_ball_point(mine, 1.0, p=np.inf, return_length=True)
    return np.asarray(np.log1p(count + new), dtype=np.float64)


class UseClassifier(ClassifierMixin, BaseEstimator):  # type: ignore[misc]
    """Tell what uses are from features: one normal spread a class, published ranges as where it starts from.

    The first two columns are the logarithms of volume [L] and flow [L/min], as `UseDescriber` gives them, if any class
    is named as in `flowsift.labels.LABELS`; a class by that name then starts from its published range and its published
    uses a day. All other columns and classes start from the spread of all uses. Labelled uses move both.

    Parameters
    ----------
    prior_uses : float
        The start counts as this many labelled uses, > 0 and finite.

    Attributes
    ----------
    classes_ : ndarray, shape (n_classes,)
    n_features_in_ : int
    feature_names_in_ : ndarray of str
        Only where the input had names.
    mean_ : ndarray, shape (n_classes, n_features)
    covariance_ : ndarray, shape (n_classes, n_features, n_features)
    share_ : ndarray, shape (n_classes,)
        How common each class is; adds up to 1.

    Examples
    --------
    >>> import numpy as np
    >>> from flowsift.classify.estimators import UseClassifier
    >>> uses = np.log([[6.0, 8.0], [6.1, 7.9], [0.5, 3.0]])
    >>> model = UseClassifier().fit(uses, ["flush", "flush", "faucet"])
    >>> model.predict(np.log([[6.05, 8.1], [1.0, 4.0]])).tolist()
    ['flush', 'faucet']
    """

    def __init__(self, *, prior_uses: float = 10.0) -> None:
        self.prior_uses = prior_uses

    def fit(self, X: npt.ArrayLike, y: npt.ArrayLike) -> Self:
        """Move the published start by labelled uses.

        Parameters
        ----------
        X : array-like, shape (n_uses, n_features)
        y : array-like, shape (n_uses,)
            Classes: any, published or not.

        Raises
        ------
        ValueError
            If `prior_uses` is not above 0 and finite, or the input is not what scikit-learn takes.
        """
        if not 0.0 < self.prior_uses < np.inf:
            raise ValueError(f"prior_uses must be above 0 and finite, got {self.prior_uses!r}")
        features, target = validate_data(self, X, y, dtype=np.float64)
        check_classification_targets(target)
        self.classes_, code = np.unique(target, return_inverse=True)
        start_mean, start_covariance, common = _start(self.classes_, features)
        weight = self.prior_uses
        count = np.bincount(code).astype(np.float64)
        self.mean_ = np.empty_like(start_mean)
        self.covariance_ = np.empty_like(start_covariance)
        for k, n in enumerate(count):
            mine = features[code == k]
            away = mine - mine.mean(axis=0)
            shift = mine.mean(axis=0) - start_mean[k]
            # The spread of a normal-inverse-Wishart start: within the uses, and between them and the start.
            self.mean_[k] = (weight * start_mean[k] + mine.sum(axis=0)) / (weight + n)
            between = weight * n / (weight + n) * np.outer(shift, shift)
            self.covariance_[k] = (weight * start_covariance[k] + away.T @ away + between) / (weight + n)
        self.share_ = (weight * common + count) / (weight + count.sum())
        return self

    def predict_proba(self, X: npt.ArrayLike) -> FloatArray:
        """Return the probability of each class, shape (n_uses, n_classes); rows add up to 1."""
        check_is_fitted(self)
        features = validate_data(self, X, dtype=np.float64, reset=False)
        score = np.empty((len(features), len(self.classes_)))
        for k in range(len(self.classes_)):
            root = np.linalg.cholesky(self.covariance_[k])
            away = np.linalg.solve(root, (features - self.mean_[k]).T)
            score[:, k] = np.log(self.share_[k]) - np.log(np.diag(root)).sum() - 0.5 * (away**2).sum(axis=0)
        return np.asarray(softmax(score, axis=1))

    def predict(self, X: npt.ArrayLike) -> npt.NDArray[Any]:
        """Return the likeliest class of each use, shape (n_uses,)."""
        best = self.predict_proba(X).argmax(axis=1)
        return np.asarray(self.classes_[best])


def _start(classes: npt.NDArray[Any], features: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return where each class starts from: mean, covariance and how common it is."""
    n, p = classes.size, features.shape[1]
    spread = np.cov(features, rowvar=False, bias=True).reshape(p, p) + 1e-6 * np.eye(p)
    mean, covariance = np.tile(features.mean(axis=0), (n, 1)), np.tile(spread, (n, 1, 1))
    published = [(k, LABELS.index(name)) for k, name in enumerate(classes.tolist()) if name in LABELS]
    if not published or p < 2:
        return mean, covariance, np.full(n, 1.0 / n)
    prior = published_prior()
    common = np.full(n, np.median(prior.uses_per_day))
    for k, label in published:
        mean[k, :2] = prior.mean[label]
        covariance[k, :2, 2:] = covariance[k, 2:, :2] = 0.0
        covariance[k, :2, :2] = np.linalg.inv(prior.precision[label])
        common[k] = prior.uses_per_day[label]
    return mean, covariance, common / common.sum()
