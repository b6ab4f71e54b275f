"""Makes a household of what flowed and what the meter recorded of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from flowsift.disaggregation import overlapping
from flowsift.households.days import Days
from flowsift.households.faults import Faults, logged
from flowsift.households.household import Household, trace_card
from flowsift.households.metering import Metered
from flowsift.households.plumbing import Flows
from flowsift.households.population import Home
from flowsift.households.truth import CellVolumes, Truth, TruthShares, event_table, fixtures_table, trickle_table
from flowsift.households.uses import Use
from flowsift.trace import FloatArray, IntArray, Trace
from flowsift.units import NS_PER_S, SECONDS_PER_MINUTE

_LEAST_L = 1e-12
"""Shares below this are rounding [L]."""


def from_record(
    uses: Sequence[Use],
    flows: Flows,
    metered: Metered,
    *,
    home: Home,
    days: Days,
    leak: tuple[FloatArray, FloatArray],
    card: Mapping[str, Any],
    faults: Faults,
    rng: np.random.Generator,
) -> Household:
    """Build a household from what flowed and what the meter recorded of it."""
    start_ns = int(days.start.tz_convert("UTC").as_unit("ns").value)
    interval_ns = round(home.meter.interval_s * NS_PER_S)
    timezone = str(days.start.tz)
    trace = Trace(
        start_ns=start_ns,
        interval_ns=interval_ns,
        n_cells=metered.n_cells,
        cell=metered.cell,
        volume_l=metered.volume_l,
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=home.meter.pulse_l,
        timezone=timezone,
        unit=home.unit,
    )
    raw = None
    if faults.spoil_rows:
        raw = logged(
            metered.cell,
            metered.volume_l,
            faults,
            n_cells=metered.n_cells,
            interval_s=home.meter.interval_s,
            rng=rng,
        )
        times = pd.DatetimeIndex((start_ns + raw.cell * interval_ns).view("M8[ns]")).tz_localize("UTC")
        pulse_l = home.meter.pulse_l if home.meter.pulse_l > 0 and faults.noise == 0 else None
        trace = Trace.from_volumes(
            times, raw.volume_l, pulse_l, interval_s=home.meter.interval_s, timezone=timezone, unit=home.unit
        )
    shift, factor = _kept(metered, trace, start_ns)
    truth = _truth(
        uses,
        flows,
        metered,
        home=home,
        days=days,
        leak=leak,
        shift=shift,
        factor=factor,
        card={**card, "trace": trace_card(trace)},
    )
    return Household(trace=trace, truth=truth, raw=raw, raw_start_ns=start_ns)


def _kept(metered: Metered, trace: Trace, start_ns: int) -> tuple[int, FloatArray]:
    """Shift from recorded cells to those of the trace, and the share of each cell's volume that the trace kept."""
    shift = (start_ns - trace.start_ns) // trace.interval_ns
    place = np.searchsorted(trace.cell, metered.cell + shift)
    inside = np.minimum(place, max(trace.n_flow - 1, 0))
    found = trace.cell[inside] == metered.cell + shift if trace.n_flow else np.zeros(metered.cell.size, bool)
    kept = np.where(found, trace.volume_l[inside] if trace.n_flow else 0.0, 0.0)
    return int(shift), kept / metered.volume_l


def _truth(
    uses: Sequence[Use],
    flows: Flows,
    metered: Metered,
    *,
    home: Home,
    days: Days,
    leak: tuple[FloatArray, FloatArray],
    shift: int,
    factor: FloatArray,
    card: Mapping[str, Any],
) -> Truth:
    fast = 1.0 + 1e-6 * home.meter.drift_ppm
    n = len(uses)
    share_l = metered.share_l * factor[metered.share_at]
    real_l = np.bincount(flows.use, flows.volume_l, minlength=n)
    metered_l = np.bincount(metered.share_use, share_l, minlength=n)
    happened = np.flatnonzero(real_l > 0)
    order = happened[np.lexsort((flows.end_s[happened], flows.start_s[happened]))]
    rank = np.full(n, -1, np.int64)
    rank[order] = np.arange(order.size)
    start_ms = _ms(flows.start_s[order] * fast)
    end_ms = np.maximum(_ms(flows.end_s[order] * fast), start_ms + 1)
    numbers = np.array([use.cycle for use in uses], dtype=np.int64)[order]
    cycle = pd.array(numbers, dtype="Int64")
    cycle[numbers < 0] = pd.NA
    events = event_table(
        {
            "start": _times(days, start_ms),
            "end": _times(days, end_ms),
            "label": [uses[i].label for i in order],
            "fixture": [uses[i].fixture for i in order],
            "cycle": cycle,
            "volume_l": np.round(real_l[order], 6),
            "metered_l": np.round(metered_l[order], 9),
            "overlaps": overlapping(start_ms, end_ms),
        }
    )
    held = share_l > _LEAST_L
    event = rank[metered.share_use[held]]
    cell = metered.cell[metered.share_at[held]] + shift
    by_cell = np.lexsort((event, cell))
    trickle_l = metered.trickle_l * factor
    leaking = trickle_l > _LEAST_L
    leak_s, leak_lpm = leak
    stop_s = np.append(leak_s[1:], days.end_s)
    on = leak_lpm > 0
    return Truth(
        events=events,
        shares=TruthShares(event=event[by_cell], cell=cell[by_cell], volume_l=share_l[held][by_cell]),
        trickle_cells=CellVolumes(cell=metered.cell[leaking] + shift, volume_l=trickle_l[leaking]),
        trickle=trickle_table(
            {
                "start": _times(days, _ms(leak_s[on] * fast)),
                "end": _times(days, _ms(stop_s[on] * fast)),
                "rate_lpm": leak_lpm[on],
                "volume_l": leak_lpm[on] * (stop_s - leak_s)[on] / SECONDS_PER_MINUTE,
            }
        ),
        fixtures=fixtures_table([asdict(row) for fixture in home.fixtures for row in fixture.rows()]),
        card=dict(card),
    )


def _ms(seconds: FloatArray) -> IntArray:
    return np.asarray(np.round(seconds * 1e3), dtype=np.int64)


def _times(days: Days, ms: IntArray) -> pd.DatetimeIndex:
    start_ns = int(days.start.tz_convert("UTC").as_unit("ns").value)
    return pd.DatetimeIndex((start_ns + ms * 1_000_000).view("M8[ns]")).tz_localize("UTC")
