"""Small networks that weigh the evidence on a use, trained on simulated homes (`benchmarks/train_network.py`)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files

import numpy as np
from scipy.special import log_softmax
from threadpoolctl import ThreadpoolController

from flowsift.arrays import FloatArray
from flowsift.classify import home_profile
from flowsift.classify.evidence import LEAST, NAMES
from flowsift.classify.home_profile import HomeProfile
from flowsift.errors import OptionError
from flowsift.labels import LABELS

SECOND_NAMES: tuple[str, ...] = (*NAMES, *(f"first_{name}" for name in LABELS), *home_profile.NAMES)
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
                layer = np.clip((evidence[some] - self.center) / self.scale, -CLIP, CLIP)
                for k, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
                    layer = (layer if k == 0 else np.maximum(layer, 0.0)) @ weight + bias
                last[some] = layer
        return last

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
    """A network that looks at each use, and one that looks again beside what the first takes the home's others for.

    Attributes
    ----------
    first, second : Network
    own_weight, home_weight : float
        Weights of the second look's and of the home model's log probabilities in the answer, set on validation homes.
    """

    first: Network
    second: Network
    own_weight: float
    home_weight: float

    def look_again(
        self, evidence: FloatArray, flow_lpm: FloatArray, volume_l: FloatArray, known: HomeProfile | None = None
    ) -> tuple[FloatArray, HomeProfile]:
        """Collect the evidence for the second look.

        Parameters
        ----------
        evidence : ndarray, shape (n_uses, n_inputs)
        flow_lpm, volume_l : ndarray, shape (n_uses,)
        known : HomeProfile, optional
            Of earlier uses of the home; by default each use is compared with the others.

        Returns
        -------
        evidence : ndarray, shape (n_uses, len(SECOND_NAMES))
        profile : HomeProfile
            That they were compared with.
        """
        first = self.first.log_probability(evidence)
        taken_for = np.exp(first)
        profile = HomeProfile.of(flow_lpm, volume_l, taken_for) if known is None else known
        own = taken_for if known is None else np.zeros_like(taken_for)
        others = profile.table()
        # Single precision: a year of a home's uses stays small.
        again: FloatArray = np.empty((len(evidence), len(SECOND_NAMES)), np.float32)
        for some in _some_at_once(len(evidence)):
            beside = others.evidence(flow_lpm[some], volume_l[some], own[some])
            again[some] = np.column_stack([evidence[some], np.maximum(first[some], np.log(LEAST)), beside])
        return again, profile

    def probability(self, second_evidence: FloatArray, home: FloatArray) -> FloatArray:
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


def _some_at_once(n_uses: int) -> Iterator[slice]:
    for first in range(0, n_uses, AT_ONCE):
        yield slice(first, first + AT_ONCE)


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
            own_weight=own_weight,
            home_weight=home_weight,
        )
