"""Hand-made homes that are small enough to reckon in the head."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation, Shares, TrickleSpans, assemble
from flowsift.households import CellVolumes, Truth, TruthShares
from flowsift.households.truth import event_table, fixtures_table, trickle_table
from flowsift.trace import Trace
from flowsift.units import NS_PER_S

START = pd.Timestamp("2024-03-04", tz="UTC")
DAY = 86_400


@dataclass(frozen=True)
class Use:
    """A use with an even flow: 0.1 L in every second, unless told otherwise."""

    start: int
    end: int
    label: str
    fixture: str = ""
    cycle: int = -1
    litres_per_cell: float = 0.1
    probability: float = 1.0


def home(
    uses: Sequence[Use],
    *,
    n_cells: int = DAY,
    trickle: tuple[int, int, float] | None = None,
    stray: dict[int, float] | None = None,
    pulse_l: float = 0.0,
) -> tuple[Trace, Truth]:
    """Return a trace of these uses alone (and a trickle of litres per cell, and stray water), and its truth."""
    by_cell = np.zeros(n_cells)
    event, cell = _cells(uses)
    volume = np.array([uses[i].litres_per_cell for i in event])
    np.add.at(by_cell, cell, volume)
    leak = np.zeros(n_cells)
    spans = {}
    if trickle is not None:
        start, end, litres = trickle
        leak[start:end] = litres
        spans = {
            "start": [at(start)],
            "end": [at(end)],
            "rate_lpm": [litres * 60.0],
            "volume_l": [litres * (end - start)],
        }
    for where, litres in (stray or {}).items():
        by_cell[where] += litres
    flowing = np.flatnonzero(by_cell + leak > 0)
    order = np.lexsort((event, cell))
    volumes = [u.litres_per_cell * (u.end - u.start) for u in uses]
    truth = Truth(
        events=event_table(
            {
                "start": [at(u.start) for u in uses],
                "end": [at(u.end) for u in uses],
                "label": [u.label for u in uses],
                "fixture": [u.fixture or u.label for u in uses],
                "cycle": pd.array([pd.NA if u.cycle < 0 else u.cycle for u in uses], dtype="Int64"),
                "volume_l": volumes,
                "metered_l": volumes,
                "overlaps": [False] * len(uses),
            }
        ),
        shares=TruthShares(event=event[order], cell=cell[order], volume_l=volume[order]),
        trickle_cells=CellVolumes(cell=np.flatnonzero(leak), volume_l=leak[leak > 0]),
        trickle=trickle_table(spans),
        fixtures=fixtures_table({}),
    )
    trace = Trace(
        start_ns=int(START.as_unit("ns").value),
        interval_ns=NS_PER_S,
        n_cells=n_cells,
        cell=flowing,
        volume_l=(by_cell + leak)[flowing],
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=pulse_l,
    )
    return trace, truth


def answer(trace: Trace, uses: Sequence[Use], *, trickle: tuple[int, int, float] | None = None) -> Disaggregation:
    """Return an answer with these uses; what the trace doesn't hold in a cell is cut off."""
    event, cell = _cells(uses)
    position = np.minimum(np.searchsorted(trace.cell, cell), max(trace.n_flow - 1, 0))
    held = trace.cell[position] == cell
    event, position = event[held], position[held]
    wanted = np.array([uses[i].litres_per_cell for i in event])
    total = np.bincount(position, wanted, minlength=trace.n_flow)
    leak = np.zeros(trace.n_flow)
    spans = TrickleSpans.none()
    if trickle is not None:
        start, end, litres = trickle
        leak = np.where((trace.cell >= start) & (trace.cell < end), np.minimum(litres, trace.volume_l), 0.0)
        rate = np.array([litres * 60.0])
        spans = TrickleSpans(start=np.array([start]), end=np.array([end]), rate_lpm=rate, low_lpm=rate, high_lpm=rate)
    left = trace.volume_l - leak
    scale = np.minimum(1.0, np.divide(left, total, out=np.ones_like(left), where=total > 0))
    return assemble(
        trace,
        start_cell=np.array([u.start for u in uses], np.int64),
        end_cell=np.array([u.end for u in uses], np.int64),
        label=[u.label for u in uses],
        probability=np.array([u.probability for u in uses], float),
        fixture=[u.fixture or u.label for u in uses],
        cycle=np.array([u.cycle for u in uses], np.int64),
        shares=Shares(event=event, flow=position, volume_l=wanted * scale[position]),
        trickle=spans,
        trickle_l=leak,
    )


def at(cell: int) -> pd.Timestamp:
    return START + pd.Timedelta(seconds=cell)


def _cells(uses: Sequence[Use]) -> tuple[np.ndarray, np.ndarray]:
    event = np.concatenate([np.full(u.end - u.start, i) for i, u in enumerate(uses)] or [np.empty(0)]).astype(np.int64)
    cell = np.concatenate([np.arange(u.start, u.end) for u in uses] or [np.empty(0)]).astype(np.int64)
    return event, cell
