"""The summary over homes: one row a home, written as a stream, and its totals."""

from __future__ import annotations

from array import array
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import IO, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from flowsift.arrays import FloatArray
from flowsift.disaggregation import Disaggregation
from flowsift.labels import LABELS, PARTS
from flowsift.report.account import use_lines
from flowsift.study.flushes_homes import HomesStudy
from flowsift.units import SECONDS_PER_DAY, US_UNITS, UnitSystem

_TIME = pa.timestamp("us", tz="UTC")

SCHEMA = pa.schema(
    {
        "home": pa.string(),
        "start": _TIME,
        "end": _TIME,
        "interval_s": pa.float64(),
        "pulse_l": pa.float64(),
        "unit": pa.string(),
        "observed_s": pa.float64(),
        "gap_s": pa.float64(),
        "metered_l": pa.float64(),
        "per_day_l": pa.float64(),
        "events_l": pa.float64(),
        "trickle_l": pa.float64(),
        "unexplained_l": pa.float64(),
        "n_events": pa.int64(),
        "n_fixtures": pa.int64(),
        "n_toilets": pa.int64(),
        "per_flush_l": pa.float64(),
        "n_faults": pa.int64(),
        **{f"{label}_l": pa.float64() for label in LABELS},
    }
)
"""Columns of the summary: period, meter, volumes as in the account, counts, the mean volume per flush (missing
without a toilet), and the volume of each label."""

ROWS_AT_A_TIME = 10_000
"""Homes in one row group of the summary: what bounds the memory of writing it."""


@dataclass(kw_only=True)
class Totals:
    """Sums over homes.

    Attributes
    ----------
    n_homes : int
    metered_l : float
        Volume [L].
    home_days : float
        Observed time of all homes [d].
    volume_l : dict
        Volume by label, ``trickle`` and ``unexplained`` [L].
    homes_with : dict
        Homes in which each of them took water.
    n_us_homes : int
        Homes whose data came in US customary units.
    """

    n_homes: int = 0
    metered_l: float = 0.0
    home_days: float = 0.0
    volume_l: dict[str, float] = field(default_factory=lambda: dict.fromkeys(PARTS, 0.0))
    homes_with: dict[str, int] = field(default_factory=lambda: dict.fromkeys(PARTS, 0))
    n_us_homes: int = 0
    # 8 bytes a home
    _per_day_l: array[float] = field(default_factory=lambda: array("d"))

    def add(self, row: Mapping[str, Any]) -> None:
        """Count one home in."""
        self.n_homes += 1
        self.metered_l += row["metered_l"]
        self.home_days += row["observed_s"] / SECONDS_PER_DAY
        self.n_us_homes += row["unit"] in US_UNITS
        self._per_day_l.append(row["per_day_l"])
        for name in self.volume_l:
            self.volume_l[name] += row[f"{name}_l"]
            self.homes_with[name] += row[f"{name}_l"] > 0

    @property
    def units(self) -> UnitSystem:
        """Unit system of the answer: US customary where every home's data came in it."""
        return "us" if 0 < self.n_us_homes == self.n_homes else "si"

    def per_day_l(self, quantiles: Sequence[float]) -> FloatArray:
        """Return quantiles over homes of the volume a day [L]; NaN without homes."""
        values = np.asarray(self._per_day_l, dtype=np.float64)
        return np.quantile(values, quantiles) if values.size else np.full(len(quantiles), np.nan)


def summary_row(result: Disaggregation, study: HomesStudy, *, home: str) -> dict[str, Any]:
    """Return a home's row of the summary as JSON holds it: times in microseconds since the epoch.

    Parameters
    ----------
    result : Disaggregation
    study : HomesStudy
        Of this home alone.
    home : str
        Its id.
    """
    trace, balance = result.trace, result.balance
    days = trace.metered_s / SECONDS_PER_DAY
    per_flush_l = float(study.homes["per_flush_l"].iloc[0])
    volumes = {use.label: use.volume_l for use in use_lines(result)}
    return {
        "home": home,
        "start": trace.start.value // 1_000,
        "end": trace.end.value // 1_000,
        "interval_s": trace.interval_s,
        "pulse_l": trace.pulse_l,
        "unit": trace.unit,
        "observed_s": trace.metered_s,
        "gap_s": balance.gap_s,
        "metered_l": balance.metered_l,
        "per_day_l": balance.metered_l / days if days else 0.0,
        "events_l": balance.events_l,
        "trickle_l": balance.trickle_l,
        "unexplained_l": balance.unexplained_l,
        "n_events": len(result.events),
        "n_fixtures": len(result.fixtures),
        "n_toilets": len(study.toilets),
        "per_flush_l": None if np.isnan(per_flush_l) else per_flush_l,
        "n_faults": sum(finding.kind == "fault" for finding in (*trace.findings, *result.findings)),
        **{f"{label}_l": volumes.get(label, 0.0) for label in LABELS},
    }


def write_summary(rows: Iterable[Mapping[str, Any]], sink: IO[bytes]) -> Totals:
    """Write rows as Parquet while they come, and return their totals."""
    totals, waiting = Totals(), list[Mapping[str, Any]]()
    with pq.ParquetWriter(sink, SCHEMA, compression="zstd") as writer:
        for row in rows:
            totals.add(row)
            waiting.append(row)
            if len(waiting) == ROWS_AT_A_TIME:
                writer.write_table(_table(waiting))
                waiting.clear()
        writer.write_table(_table(waiting))
    return totals


def _table(rows: Sequence[Mapping[str, Any]]) -> pa.Table:
    return pa.Table.from_pylist([dict(row) for row in rows], schema=SCHEMA)
