"""Small networks that weigh the evidence on a use, trained on simulated homes (`benchmarks/train_network.py`)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache, cached_property
from importlib.resources import as_file, files

import numpy as np
from scipy.special import log_softmax
from threadpoolctl import ThreadpoolController

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify import home_clock, home_profile
from flowsift.classify.evidence import LEAST, NAMES
from flowsift.classify.home_clock import clock_evidence
from flowsift.classify.home_profile import HomeProfile
from flowsift.classify.uses_around import EACH_WAY, uses_around
from flowsift.errors import OptionError
from flowsift.features import UseFeatures
from flowsift.labels import LABELS

N_SUMS = 32
"""Sums over the uses before a use, and over those after."""

SECOND_NAMES: tuple[str, ...] = (
    *NAMES,
    *(f"first_{name}" for name in LABELS),
    *home_profile.NAMES,
    *home_clock.NAMES,
    *(f"{when}_{k}" for when in ("before", "after") for k in range(N_SUMS)),
)
"""Names of the columns of the evidence for the second look."""

CLIP = 5.0
"""Evidence further than this many standard deviations from the training homes counts as that far."""

AT_ONCE = 2048
"""Uses looked at at once: as many as stay close to the processor."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Network:
    """A feed-forward network with rectified hidden layers.

    Attributes
    ----------
    center, scale : ndarray, shape (n_inputs,)
        Mean and standard deviation of the evidence in the training homes.
    weights : tuple of ndarray
        One matrix a layer, shape (n_in, n_out).
    biases : tuple of ndarray
        One vector a layer, shape (n_out,).
    """

    center: FloatArray
    scale: FloatArray
    weights: tuple[FloatArray, ...]
    biases: tuple[FloatArray, ...]

    def output(self, evidence: FloatArray) -> FloatArray:
        """Return the last layer for each use, shape (n_uses, n_labels): log probabilities but for a constant."""
        last = np.empty((len(evidence), self.biases[-1].size))
        # Split among as many threads as there are, a product is rounded otherwise on another machine.
        with _thread_pools().limit(limits=1, user_api="blas"):
            for some in _some_at_once(len(evidence)):
                layer = self._standardised(evidence[some])
                for k, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
                    if k:
                        np.maximum(layer, 0.0, out=layer)
                    layer = layer @ weight
                    layer += bias
                last[some] = layer
        return last

    def _standardised(self, evidence: FloatArray) -> FloatArray:
        if self._as_it_comes:
            return np.clip(evidence, -CLIP, CLIP)
        layer = evidence - self.center
        layer /= self.scale
        return np.clip(layer, -CLIP, CLIP, out=layer)

    @cached_property
    def _as_it_comes(self) -> bool:
        """Whether the evidence needs no other scale."""
        return not self.center.any() and bool((self.scale == 1.0).all())

    def log_probability(self, evidence: FloatArray) -> FloatArray:
        """Return the log probability of each label for each use, shape (n_uses, n_labels)."""
        return np.asarray(log_softmax(self.output(evidence), axis=1))

    def arrays(self, name: str) -> dict[str, FloatArray]:
        """Return what `from_arrays` takes."""
        named = {"center": self.center, "scale": self.scale}
        named |= {f"weight_{k}": weight for k, weight in enumerate(self.weights)}
        named |= {f"bias_{k}": bias for k, bias in enumerate(self.biases)}
        return {f"{name}_{part}": array.astype(np.float32) for part, array in named.items()}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, FloatArray], name: str) -> Network:
        """Return the network of that name among `arrays`."""
        n_layers = sum(part.startswith(f"{name}_weight_") for part in arrays)
        return cls(
            center=arrays[f"{name}_center"].astype(np.float64),
            scale=arrays[f"{name}_scale"].astype(np.float64),
            weights=tuple(arrays[f"{name}_weight_{k}"].astype(np.float64) for k in range(n_layers)),
            biases=tuple(arrays[f"{name}_bias_{k}"].astype(np.float64) for k in range(n_layers)),
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class TwoLooks:
    """A network that looks at each use, and one that looks again at it among the home's others.

    The second look is told what the first takes the home's uses of like flow and volume for, and those at the same time
    of day, and what came before and after.

    Attributes
    ----------
    first, second : Network
    around : Network
        Turns the figures of a use around another (`uses_around`) into `N_SUMS` numbers, which are rectified and summed
        up.
    own_weight, home_weight : float
        Weights of the second look's and of the home model's log probabilities in the answer, set on validation homes.
    """

    first: Network
    second: Network
    around: Network
    own_weight: float
    home_weight: float

    def look_again(
        self,
        evidence: FloatArray,
        features: UseFeatures,
        wanted: IntArray,
        known: HomeProfile | None = None,
    ) -> tuple[Iterator[tuple[slice, FloatArray]], HomeProfile]:
        """Collect the evidence for the second look.

        Parameters
        ----------
        evidence : ndarray, shape (n_uses, n_inputs)
        features : UseFeatures
        wanted : ndarray of int64, shape (n_wanted,)
            Uses to look at again; the others are only what they are seen among.
        known : HomeProfile, optional
            Of earlier uses of the home; by default each use is compared with the others.

        Returns
        -------
        parts : iterator of (slice, ndarray)
            Some of the uses wanted at a time, so that a year of a home's uses stays small: their places and their
            evidence, shape (n_some, len(SECOND_NAMES)).
        profile : HomeProfile
            That they were compared with.
        """
        parts, profile = beside_others(self.first, evidence, features, wanted, known)
        return ((some, np.column_stack([own, self.summed(around)])) for some, own, around in parts), profile

    def summed(self, around: FloatArray) -> FloatArray:
        """Sum up what is before and what is after each use.

        Parameters
        ----------
        around : ndarray, shape (n_uses, 2 * EACH_WAY, n_figures)
            From `uses_around`.

        Returns
        -------
        ndarray, shape (n_uses, 2 * N_SUMS)
        """
        sums = np.empty((len(around), 2, N_SUMS))
        for some in _some_at_once(len(around), AT_ONCE // (2 * EACH_WAY)):
            told = self.around.output(around[some].reshape(-1, around.shape[2])).reshape(-1, 2, EACH_WAY, N_SUMS)
            np.maximum(told, 0.0, out=told)
            # The first figure is 1 where there is a use, else 0.
            told *= around[some, :, 0].reshape(-1, 2, EACH_WAY, 1)
            told.sum(axis=2, out=sums[some])
        return sums.reshape(-1, 2 * N_SUMS)

    def probability(
        self,
        evidence: FloatArray,
        features: UseFeatures,
        wanted: IntArray,
        home: FloatArray,
        known: HomeProfile | None = None,
    ) -> tuple[FloatArray, HomeProfile]:
        """Look at uses, look again and pool that with the home model's view.

        Parameters
        ----------
        evidence, features, wanted, known
            As in `look_again`.
        home : ndarray, shape (n_wanted, n_labels)
            Probabilities of the home model.

        Returns
        -------
        probability : ndarray, shape (n_wanted, n_labels)
            Rows add up to 1.
        profile : HomeProfile
            Of the home's uses, or `known`.
        """
        parts, profile = self.look_again(evidence, features, wanted, known)
        probability = np.empty(home.shape)
        for some, again in parts:
            probability[some] = self.pooled(again, home[some])
        return probability, profile

    def pooled(self, second_evidence: FloatArray, home: FloatArray) -> FloatArray:
        """Pool the second look with the home model's view.

        A weighted product of the two: what neither thinks likely is unlikely, and a home unlike those trained on is
        still judged by published ranges and its own repetition.

        Parameters
        ----------
        second_evidence : ndarray, shape (n_uses, len(SECOND_NAMES))
        home : ndarray, shape (n_uses, n_labels)
            Probabilities of the home model.

        Returns
        -------
        ndarray, shape (n_uses, n_labels)
            Rows add up to 1.
        """
        pooled = self.own_weight * self.second.log_probability(second_evidence)
        pooled += self.home_weight * np.log(np.maximum(home, LEAST))
        return np.asarray(np.exp(log_softmax(pooled, axis=1)))


def beside_others(
    first: Network, evidence: FloatArray, features: UseFeatures, wanted: IntArray, known: HomeProfile | None = None
) -> tuple[Iterator[tuple[slice, FloatArray, FloatArray]], HomeProfile]:
    """Put uses beside the home's others, as a first look takes them.

    Parameters
    ----------
    first : Network
    evidence, features, wanted, known
        As in `TwoLooks.look_again`.

    Returns
    -------
    parts : iterator of (slice, ndarray, ndarray)
        Some of the uses wanted at a time: their places, their evidence for the second look but for the sums, and the
        `uses_around` that are to be summed up.
    profile : HomeProfile
    """
    log_first = first.log_probability(evidence)
    taken_for = np.exp(log_first)
    profile = HomeProfile.of(features, taken_for) if known is None else known
    own = taken_for if known is None else np.zeros_like(taken_for)

    def parts() -> Iterator[tuple[slice, FloatArray, FloatArray]]:
        others = profile.table()
        for some in _some_at_once(wanted.size):
            use = wanted[some]
            beside = others.evidence(features.flow_lpm[use], features.volume_l[use], own[use])
            by_clock = clock_evidence(profile.by_clock, features.start_s[use], own[use])
            told = np.column_stack([evidence[use], np.maximum(log_first[use], np.log(LEAST)), beside, by_clock])
            yield some, told, uses_around(features, log_first, use)

    return parts(), profile


def _some_at_once(n_uses: int, at_once: int = AT_ONCE) -> Iterator[slice]:
    for first in range(0, n_uses, at_once):
        yield slice(first, first + at_once)


@cache
def _thread_pools() -> ThreadpoolController:
    """Return the hold on the threads of the libraries that multiply matrices."""
    return ThreadpoolController()


@cache
def trained_network() -> TwoLooks:
    """Return the networks that the package ships.

    Raises
    ------
    OptionError
        If the file was trained for other evidence or labels than this version's.
    """
    with as_file(files("flowsift.classify").joinpath("network.npz")) as path, np.load(path, allow_pickle=False) as data:
        if tuple(data["names"]) != SECOND_NAMES or tuple(data["labels"]) != LABELS:
            raise OptionError("the shipped network doesn't fit this version; run benchmarks/train_network.py")
        own_weight, home_weight = data["pool"].tolist()
        return TwoLooks(
            first=Network.from_arrays(data, "first"),
            second=Network.from_arrays(data, "second"),
            around=Network.from_arrays(data, "around"),
            own_weight=own_weight,
            home_weight=home_weight,
        )
