"""A small network that weighs the evidence on a use, trained on simulated homes (`benchmarks/train_network.py`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import as_file, files

import numpy as np
from scipy.special import log_softmax

from flowsift.arrays import FloatArray
from flowsift.classify.evidence import LEAST, NAMES
from flowsift.errors import OptionError
from flowsift.labels import LABELS

CLIP = 5.0
"""Evidence further than this many standard deviations from the training homes counts as that far."""


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
    own_weight, home_weight : float
        Weights of the network's and of the home model's log probabilities in the answer, set on validation homes.
    """

    center: FloatArray
    scale: FloatArray
    weights: tuple[FloatArray, ...]
    biases: tuple[FloatArray, ...]
    own_weight: float
    home_weight: float

    def output(self, evidence: FloatArray) -> FloatArray:
        """Return the last layer for each use, shape (n_uses, n_labels): log probabilities but for a constant."""
        layer = np.clip((evidence - self.center) / self.scale, -CLIP, CLIP)
        for k, (weight, bias) in enumerate(zip(self.weights, self.biases, strict=True)):
            layer = (layer if k == 0 else np.maximum(layer, 0.0)) @ weight + bias
        return np.asarray(layer)

    def probability(self, evidence: FloatArray, home: FloatArray) -> FloatArray:
        """Pool the network's view with the home model's.

        A weighted product of the two: what neither thinks likely is unlikely, and a home unlike those trained on is
        still judged by published ranges and its own repetition.

        Parameters
        ----------
        evidence : ndarray, shape (n_uses, n_inputs)
        home : ndarray, shape (n_uses, n_labels)
            Probabilities of the home model.

        Returns
        -------
        ndarray, shape (n_uses, n_labels)
            Rows add up to 1.
        """
        pooled = self.own_weight * log_softmax(self.output(evidence), axis=1)
        pooled += self.home_weight * np.log(np.maximum(home, LEAST))
        return np.asarray(np.exp(log_softmax(pooled, axis=1)))

    def arrays(self) -> dict[str, FloatArray]:
        """Return what `from_arrays` takes."""
        named = {"center": self.center, "scale": self.scale, "pool": np.array([self.own_weight, self.home_weight])}
        named |= {f"weight_{k}": weight for k, weight in enumerate(self.weights)}
        named |= {f"bias_{k}": bias for k, bias in enumerate(self.biases)}
        return {name: array.astype(np.float32) for name, array in named.items()}

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, FloatArray]) -> Network:
        """Return the network that `arrays` describes."""
        n_layers = sum(name.startswith("weight_") for name in arrays)
        own_weight, home_weight = arrays["pool"].tolist()
        return cls(
            center=arrays["center"].astype(np.float64),
            scale=arrays["scale"].astype(np.float64),
            weights=tuple(arrays[f"weight_{k}"].astype(np.float64) for k in range(n_layers)),
            biases=tuple(arrays[f"bias_{k}"].astype(np.float64) for k in range(n_layers)),
            own_weight=own_weight,
            home_weight=home_weight,
        )


@cache
def trained_network() -> Network:
    """Return the network that the package ships.

    Raises
    ------
    OptionError
        If the file was trained for other evidence or labels than this version's.
    """
    with as_file(files("flowsift.classify").joinpath("network.npz")) as path, np.load(path, allow_pickle=False) as data:
        if tuple(data["names"]) != NAMES or tuple(data["labels"]) != LABELS:
            raise OptionError("the shipped network doesn't fit this version; run benchmarks/train_network.py")
        return Network.from_arrays(data)
