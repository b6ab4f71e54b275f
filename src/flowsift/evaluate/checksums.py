"""Checksums of homes and suites, and the frozen ones that today's are held against."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Any

import numpy as np
import pandas as pd

from flowsift.households import Truth
from flowsift.trace import Trace


def home_checksum(trace: Trace, truth: Truth) -> str:
    """Return a checksum of a trace and its truth; volumes enter to the microlitre, so that rounding doesn't matter."""
    digest = hashlib.sha256()

    def add(values: Any) -> None:
        digest.update(np.ascontiguousarray(values).tobytes())

    add(np.array([trace.start_ns, trace.interval_ns, trace.n_cells], np.int64))
    for cells in (trace.cell, trace.gaps, truth.shares.event, truth.shares.cell, truth.trickle_cells.cell):
        add(cells.astype("<i8"))
    for table in (truth.events, truth.trickle):
        for edge in ("start", "end"):
            add(pd.DatetimeIndex(table[edge]).as_unit("ms").asi8.astype("<i8"))
    for volumes in (trace.volume_l, truth.shares.volume_l, truth.trickle_cells.volume_l, truth.trickle["rate_lpm"]):
        add(np.rint(np.asarray(volumes, np.float64) * 1e6).astype("<i8"))
    digest.update("\n".join([*truth.events["label"], *truth.events["fixture"]]).encode())
    return digest.hexdigest()[:16]


def suite_checksum(homes: Iterable[str]) -> str:
    """Return one checksum of the checksums of homes, in order."""
    return hashlib.sha256("\n".join(homes).encode()).hexdigest()[:16]


@cache
def frozen_checksums() -> Mapping[str, Mapping[str, str]]:
    """Return the frozen checksum of every home of every suite."""
    path = files("flowsift.evaluate").joinpath("frozen.json")
    return MappingProxyType(json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {})
