"""Independent random streams by name, so that one more fixture changes none of the others."""

from __future__ import annotations

from zlib import crc32

import numpy as np


def stream(seed: int, *names: str) -> np.random.Generator:
    """Return the generator that belongs to a seed and a path of names.

    The same path always gives the same stream; different paths give independent ones, whatever else is drawn.
    """
    key = tuple(crc32(name.encode()) for name in names)
    return np.random.default_rng(np.random.SeedSequence(entropy=seed, spawn_key=key))
