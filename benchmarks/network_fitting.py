"""Fit small networks to labelled uses, by a general library for the gradients."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import torch
from rich.progress import track

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.network import CLIP, N_SUMS, Network
from flowsift.classify.uses_around import EACH_WAY
from flowsift.labels import LABELS

STEPS = ((4, 2e-3), (3, 7e-4), (2, 2e-4))
"""Rounds over all lessons, and the step of each."""
FURTHER_ROUNDS, FURTHER_STEP, FURTHER_RISE = 3, 5e-4, 500
"""Rounds over further lessons, the longest step in them, and the batches in which steps grow to it; then they shrink
to none (half a cosine)."""
AT_ONCE = 1024
"""Uses in a batch."""
SUM_SCALE = 10 / 3
"""What a sum over uses around is divided by, so that it is of the order of 1."""
HIDDEN_AROUND = 48
"""Size of the hidden layer that looks at a use around another."""
MISSED, ALONE = 0.15, 0.05
"""Shares of the uses around that are hidden in each round, and of the uses that are shown with none: in another home
what usually comes before may not."""
SILENT = 1e-6
"""A smaller weight counts as none. Decay brings those of a unit without a use down to numbers that a processor takes a
hundred times as long for."""


class _Layers(torch.nn.Module):
    """Network on the evidence on a use and, where there are any, on sums over the uses around it."""

    def __init__(self, own: torch.nn.Sequential, around: torch.nn.Sequential | None) -> None:
        super().__init__()
        self.around, self.own = around, own

    def forward(self, own: torch.Tensor, around: torch.Tensor | None) -> torch.Tensor:
        if self.around is not None and around is not None:
            told = torch.relu(self.around(around)) * around[..., :1]
            sums = torch.cat([told[:, :EACH_WAY].sum(dim=1), told[:, EACH_WAY:].sum(dim=1)], dim=1)
            own = torch.cat([own, torch.clamp(sums / SUM_SCALE, max=CLIP)], dim=1)
        output: torch.Tensor = self.own(own)
        return output


def _stack(sizes: Sequence[int]) -> torch.nn.Sequential:
    """Stack linear layers with rectified ones between them."""
    layers: list[torch.nn.Module] = []
    for n_in, n_out in pairwise(sizes):
        layers += [torch.nn.Linear(n_in, n_out), torch.nn.ReLU()]
    return torch.nn.Sequential(*layers[:-1])


def _stack_of(network: Network) -> torch.nn.Sequential:
    """Stack the layers of a fitted network."""
    stack = _stack([network.center.size, *(bias.size for bias in network.biases)])
    linear = [layer for layer in stack if isinstance(layer, torch.nn.Linear)]
    with torch.no_grad():
        for layer, weight, bias in zip(linear, network.weights, network.biases, strict=True):
            layer.weight.copy_(torch.from_numpy(weight.T))
            layer.bias.copy_(torch.from_numpy(bias))
    return stack


def fit(
    evidence: FloatArray,
    label: IntArray,
    weight: FloatArray,
    *,
    hidden: Sequence[int],
    decay: float,
    around: FloatArray | None = None,
    seed: int = 0,
) -> tuple[Network, Network | None]:
    """Fit a network to labelled uses.

    Parameters
    ----------
    evidence : ndarray of float32, shape (n_uses, n_inputs)
        Is standardised in place: the lessons of all homes fill half of a large memory.
    label : ndarray of int64, shape (n_uses,)
    weight : ndarray, shape (n_uses,)
    hidden : sequence of int
        Sizes of the hidden layers.
    decay : float
        Weight of the squared weights in the loss, over the weight of a batch.
    around : ndarray of float16, shape (n_uses, 2 * EACH_WAY, n_figures), optional
        From `uses_around`.
    seed : int

    Returns
    -------
    network : Network
        Its last inputs are the sums over the uses around, where they are given.
    around : Network or None
        Looks at a use around.
    """
    torch.manual_seed(seed)
    center = evidence.mean(axis=0, dtype=np.float64)
    # One column at a time: in double precision, all of them at once don't fit beside the lessons.
    scale = np.maximum([column.std(dtype=np.float64) for column in evidence.T], 1e-3)
    _standardise(evidence, center, scale)
    look_around = None if around is None else _stack([around.shape[2], HIDDEN_AROUND, N_SUMS])
    n_inputs = evidence.shape[1] + (0 if around is None else 2 * N_SUMS)
    layers = _Layers(_stack([n_inputs, *hidden, len(LABELS)]), look_around)
    n_batches = -(-label.size // AT_ONCE)
    steps = [np.full(n_batches, step) for rounds, step in STEPS for _ in range(rounds)]
    _descend(layers, steps, evidence, label, weight, around, decay, np.random.default_rng(seed))
    if layers.around is None:
        return _network(layers.own, center, scale), None
    n_figures = layers.around[0].in_features
    sums = np.ones(2 * N_SUMS)
    return (
        _network(layers.own, np.append(center, 0.0 * sums), np.append(scale, SUM_SCALE * sums)),
        _network(layers.around, np.zeros(n_figures), np.ones(n_figures)),
    )


def go_on(
    own: Network,
    told: Network,
    evidence: FloatArray,
    label: IntArray,
    weight: FloatArray,
    *,
    decay: float,
    around: FloatArray,
    seed: int = 1,
) -> tuple[Network, Network]:
    """Let a fitted network learn from further uses, and return the mean of what it was and what it became.

    So it can learn from more homes than fit into the memory. On validation homes the mean has a smaller log loss than
    either, most of all on those unlike the ones trained on.

    Parameters
    ----------
    own, told : Network
        As `fit` returned them.
    evidence, label, weight, decay, around, seed
        As in `fit`.

    Returns
    -------
    own, told : Network
    """
    # The last inputs are the sums over the uses around.
    _standardise(evidence, own.center[: evidence.shape[1]], own.scale[: evidence.shape[1]])
    layers = _Layers(_stack_of(own), _stack_of(told))
    before = [part.detach().clone() for part in layers.parameters()]
    n_batches = -(-label.size // AT_ONCE)
    batch = np.arange(FURTHER_ROUNDS * n_batches)
    steps = FURTHER_STEP * np.minimum((batch + 1) / FURTHER_RISE, 1.0) * (1.0 + np.cos(np.pi * batch / batch.size)) / 2
    _descend(
        layers,
        np.split(steps, FURTHER_ROUNDS),
        evidence,
        label,
        weight,
        around,
        decay,
        np.random.default_rng(seed),
    )
    with torch.no_grad():
        for part, was in zip(layers.parameters(), before, strict=True):
            part.lerp_(was, 0.5)
    assert layers.around is not None
    return _network(layers.own, own.center, own.scale), _network(layers.around, told.center, told.scale)


def _standardise(evidence: FloatArray, center: FloatArray, scale: FloatArray) -> None:
    """Bring evidence to the scale on which the layers see it, in place."""
    evidence -= center.astype(np.float32)
    evidence /= scale.astype(np.float32)
    np.clip(evidence, -CLIP, CLIP, out=evidence)


def _descend(
    layers: _Layers,
    steps: Sequence[FloatArray],
    evidence: FloatArray,
    label: IntArray,
    weight: FloatArray,
    around: FloatArray | None,
    decay: float,
    rng: np.random.Generator,
) -> None:
    """Bring the loss down, batch by batch; `steps` holds those of each round."""
    # A sum that is split otherwise is rounded otherwise.
    torch.set_num_threads(1)
    torch.set_flush_denormal(True)
    decayed = [part for name, part in layers.named_parameters() if name.endswith("weight")]
    optimiser = torch.optim.Adam(layers.parameters())
    for steps_of_round in track(steps, description="rounds"):
        order = rng.permutation(label.size)
        for batch, step in enumerate(steps_of_round):
            optimiser.param_groups[0]["lr"] = step
            some = np.sort(order[batch * AT_ONCE : (batch + 1) * AT_ONCE])
            near = None if around is None else torch.from_numpy(_partly_hidden(around[some], rng))
            by_use = torch.nn.functional.cross_entropy(
                layers(torch.from_numpy(evidence[some]), near), torch.from_numpy(label[some]), reduction="none"
            )
            share = torch.from_numpy(weight[some].astype(np.float32))
            squares = sum((part**2).sum() for part in decayed)
            optimiser.zero_grad(set_to_none=True)
            (((by_use * share).sum() + 0.5 * decay * squares) / share.sum()).backward()
            optimiser.step()


def _partly_hidden(around: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Return the uses around with some taken for absent."""
    shown = (rng.random(around.shape[:2]) >= MISSED) & (rng.random((len(around), 1)) >= ALONE)
    return around.astype(np.float32) * shown[..., None].astype(np.float32)


def _network(stack: torch.nn.Sequential, center: FloatArray, scale: FloatArray) -> Network:
    """Take a network over as it is used, without silent weights and hidden units that no later one listens to."""
    linear = [layer for layer in stack if isinstance(layer, torch.nn.Linear)]
    weights = [layer.weight.detach().numpy().T.astype(np.float64) for layer in linear]
    weights = [np.where(np.abs(weight) < SILENT, 0.0, weight) for weight in weights]
    biases = [layer.bias.detach().numpy().astype(np.float64) for layer in linear]
    for k in reversed(range(len(weights) - 1)):
        used = weights[k + 1].any(axis=1)
        weights[k], biases[k], weights[k + 1] = weights[k][:, used], biases[k][used], weights[k + 1][used]
    return Network(center=center, scale=scale, weights=tuple(weights), biases=tuple(biases))
