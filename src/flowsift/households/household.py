"""A simulated household: the trace that its meter logged, and the truth behind it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from flowsift.errors import InputError
from flowsift.households.checked_table import FIRST_ROW, read_checked_table
from flowsift.households.faults import RawRows
from flowsift.households.reproducible_files import write_reproducible_table, write_reproducible_text
from flowsift.households.truth import CARD_FILE, Truth
from flowsift.households.truth_fit import check_fit
from flowsift.ingest.instants import EARLIEST_S, FIRST_YEAR, LAST_YEAR, LATEST_S
from flowsift.ingest.numbers import numbers
from flowsift.ingest.options import checked_zone
from flowsift.trace import FloatArray, Trace
from flowsift.units import NS_PER_S, litres_per

FLOW_FILE = "flow.csv.gz"
"""Cells with flow, as `Household.write` writes them."""

GAPS_FILE = "gaps.csv"
"""Ranges of cells without data, beside them."""

LOG_FILE = "trace.csv.gz"
"""Rows as the logger wrote them, idle ones included (`Household.write_log`)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Household:
    """A simulated household.

    Attributes
    ----------
    trace : Trace
        What the meter logged, faults treated as in a file.
    truth : Truth
        What really happened; its cells are those of `trace`.
    raw : RawRows or None
        Rows as logged, cells counted from `raw_start_ns`; None where the log has no faults.
    raw_start_ns : int
        UTC nanoseconds of cell 0 of the rows as logged.

    Examples
    --------
    >>> from flowsift.households import simulate
    >>> home = simulate(3, days=1)
    >>> abs(home.truth.metered_l - home.trace.metered_l) < 1e-6
    True
    """

    trace: Trace
    truth: Truth
    raw: RawRows | None = None
    raw_start_ns: int = 0

    def raw_rows(self) -> tuple[pd.DatetimeIndex, FloatArray]:
        """Return the rows as the logger wrote them: times (UTC) and volumes [L], idle intervals included."""
        if self.raw is None:
            volume = np.zeros(self.trace.n_cells)
            volume[self.trace.cell] = self.trace.volume_l
            return self.trace.time_of(np.arange(self.trace.n_cells)), volume
        ns = self.raw_start_ns + self.raw.cell * self.trace.interval_ns
        return pd.DatetimeIndex(ns.view("M8[ns]")).tz_localize("UTC"), self.raw.volume_l

    def write_log(self, path: str | Path) -> None:
        """Write the rows as a CSV file in the unit of the trace, compressed where the name ends in ``.gz``.

        Columns: ``time`` (UTC, ISO 8601) and ``volume_l``, ``volume_gal`` ...
        """
        times, volume_l = self.raw_rows()
        unit = self.trace.unit
        whole = self.trace.interval_ns % NS_PER_S == 0
        stamp = np.datetime_as_string(times.tz_localize(None).to_numpy(), unit="s" if whole else "ms")
        text = [f"{value:.9g}" for value in (volume_l / litres_per(unit)).tolist()]
        lines = [f"time,volume_{unit.lower()}", *(f"{t}Z,{v}" for t, v in zip(stamp.tolist(), text, strict=True)), ""]
        write_reproducible_text("\n".join(lines), Path(path))

    def write(self, folder: str | Path) -> None:
        """Write trace and truth into a folder; the same household gives the same bytes.

        Files: ``flow.csv.gz`` (cells with flow), ``gaps.csv`` and those of `Truth.write`.
        """
        folder = Path(folder)
        trace = self.trace
        replace(self.truth, card={**self.truth.card, "trace": trace_card(trace)}).write(folder)
        write_reproducible_table(pd.DataFrame({"cell": trace.cell, "volume_l": trace.volume_l}), folder / FLOW_FILE)
        gaps = {"start": trace.gaps[:, 0], "end": trace.gaps[:, 1], "volume_l": trace.gap_volume_l}
        write_reproducible_table(pd.DataFrame(gaps), folder / GAPS_FILE)

    @classmethod
    def read(cls, folder: str | Path) -> Household:
        """Read what `write` wrote, or a truth folder with a log beside it (`LOG_FILE`).

        Raises
        ------
        InputError
            If a file is missing, a value can't be one of its column, or trace and truth don't fit (names file, row
            and column).
        """
        folder = Path(folder)
        truth = Truth.read(folder)
        grid = _read_grid(truth.card, folder / CARD_FILE)
        trace = _read_cells(folder, grid) if (folder / FLOW_FILE).is_file() else _read_log(folder / LOG_FILE, grid)
        check_fit(truth, trace, folder)
        return cls(trace=trace, truth=truth)

    def __repr__(self) -> str:
        """Return its trace and the number of its events."""
        return f"Household({self.trace!r}, {len(self.truth.events):,} events)"


def trace_card(trace: Trace) -> dict[str, Any]:
    """Return the entry of a card that describes the grid of a trace."""
    return {
        "start_ns": trace.start_ns,
        "interval_ns": trace.interval_ns,
        "n_cells": trace.n_cells,
        "pulse_l": trace.pulse_l,
        "timezone": trace.timezone,
        "unit": trace.unit,
    }


def _read_grid(card: Mapping[str, Any], path: Path) -> dict[str, Any]:
    """Return the values of `trace_card` as they stand in a card."""
    try:
        entry = card["trace"]
        grid = {name: int(entry[name]) for name in ("start_ns", "interval_ns", "n_cells")}
        pulse_l, timezone, unit = float(entry["pulse_l"]), checked_zone(entry["timezone"]), str(entry["unit"])
        litres_per(unit)
        if not (grid["interval_ns"] > 0 and grid["n_cells"] > 0 and 0.0 <= pulse_l < np.inf):
            raise ValueError("interval_ns and n_cells are above 0, pulse_l is 0 or more")
        if not EARLIEST_S <= grid["start_ns"] / NS_PER_S < LATEST_S:
            raise ValueError(f"start_ns lies in {FIRST_YEAR} to {LAST_YEAR}")
    except (KeyError, TypeError, ValueError) as error:
        names = "start_ns, interval_ns, n_cells, pulse_l, timezone and unit"
        problem = f'expected an entry "trace" that describes the grid: {names} ({error})'
        raise InputError(problem, file=str(path)) from error
    return {**grid, "pulse_l": pulse_l, "timezone": timezone, "unit": unit}


def _read_cells(folder: Path, grid: Mapping[str, Any]) -> Trace:
    """Read the trace that `Household.write` wrote."""
    flow, gaps = read_checked_table(folder / FLOW_FILE), read_checked_table(folder / GAPS_FILE)
    cell, volume_l = flow.whole("cell", below=grid["n_cells"]), flow.numbers("volume_l")
    flow.refuse(np.diff(cell, prepend=-1) <= 0, "cell", "cells in increasing order")
    flow.refuse(volume_l <= 0, "volume_l", "a volume above 0")
    start, end = gaps.whole("start", below=grid["n_cells"]), gaps.whole("end", below=grid["n_cells"] + 1)
    gaps.refuse(end <= start, "end", "a cell after the start")
    gaps.refuse(
        start < np.append(0, end[:-1])[: start.size], "start", "gaps in increasing order, apart from each other"
    )
    return Trace(
        cell=cell,
        volume_l=volume_l,
        gaps=np.stack([start, end], axis=1),
        gap_volume_l=gaps.numbers("volume_l"),
        **grid,
    )


def _read_log(path: Path, grid: Mapping[str, Any]) -> Trace:
    """Read the rows that `Household.write_log` wrote; they begin where the grid does."""
    log = read_checked_table(path)
    column = f"volume_{grid['unit'].lower()}"
    try:
        trace = Trace.from_volumes(
            log.times("time"),
            numbers(log.column(column), column=column) * litres_per(grid["unit"]),
            grid["pulse_l"] or None,
            interval_s=grid["interval_ns"] / NS_PER_S,
            timezone=grid["timezone"],
            unit=grid["unit"],
        )
    except InputError as error:
        row = None if error.row is None else error.row + FIRST_ROW
        raise InputError(error.problem, file=str(path), row=row, column=error.column) from error
    if abs(trace.start_ns - grid["start_ns"]) >= grid["interval_ns"]:
        problem = f"found a log from {trace.start}, expected the start_ns of the card: {grid['start_ns']}"
        raise InputError(problem, file=str(path), column="time")
    return trace
