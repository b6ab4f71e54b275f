"""A simulated household: the trace that its meter logged, and the truth behind it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from flowsift.errors import InputError
from flowsift.households.faults import RawRows
from flowsift.households.reproducible_files import (
    read_reproducible_table,
    write_reproducible_table,
    write_reproducible_text,
)
from flowsift.households.truth import Truth
from flowsift.trace import FloatArray, Trace
from flowsift.units import NS_PER_S, litres_per

FLOW_FILE = "flow.csv.gz"
"""Cells with flow, as `Household.write` writes them."""

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
        self.truth.write(folder)
        trace = self.trace
        write_reproducible_table(pd.DataFrame({"cell": trace.cell, "volume_l": trace.volume_l}), folder / FLOW_FILE)
        gaps = {"start": trace.gaps[:, 0], "end": trace.gaps[:, 1], "volume_l": trace.gap_volume_l}
        write_reproducible_table(pd.DataFrame(gaps), folder / "gaps.csv")

    @classmethod
    def read(cls, folder: str | Path) -> Household:
        """Read what `write` wrote, or a truth folder with a log beside it (`LOG_FILE`).

        Raises
        ------
        InputError
            If a file is missing or its content doesn't fit.
        """
        folder = Path(folder)
        truth = Truth.read(folder)
        try:
            grid = truth.card["trace"]
            start_ns, interval_ns, n_cells = int(grid["start_ns"]), int(grid["interval_ns"]), int(grid["n_cells"])
            pulse_l, timezone, unit = float(grid["pulse_l"]), str(grid["timezone"]), str(grid["unit"])
        except (KeyError, TypeError) as error:
            problem = 'expected an entry "trace" that describes the grid'
            raise InputError(problem, file=str(folder / "card.json")) from error
        if not (folder / FLOW_FILE).is_file():
            log = read_reproducible_table(folder / LOG_FILE, columns=("time", column := f"volume_{unit.lower()}"))
            trace = Trace.from_volumes(
                log["time"],
                log[column].to_numpy(dtype=np.float64) * litres_per(unit),
                pulse_l or None,
                interval_s=interval_ns / NS_PER_S,
                timezone=timezone,
                unit=unit,
            )
            return cls(trace=trace, truth=truth)
        flow = read_reproducible_table(folder / FLOW_FILE, columns=("cell", "volume_l"))
        gaps = read_reproducible_table(folder / "gaps.csv", columns=("start", "end", "volume_l"))
        trace = Trace(
            start_ns=start_ns,
            interval_ns=interval_ns,
            n_cells=n_cells,
            cell=flow["cell"].to_numpy(dtype=np.int64),
            volume_l=flow["volume_l"].to_numpy(dtype=np.float64),
            gaps=gaps[["start", "end"]].to_numpy(dtype=np.int64),
            gap_volume_l=gaps["volume_l"].to_numpy(dtype=np.float64),
            pulse_l=pulse_l,
            timezone=timezone,
            unit=unit,
        )
        return cls(trace=trace, truth=truth)

    def __repr__(self) -> str:
        """Return its trace and the number of its events."""
        return f"Household({self.trace!r}, {len(self.truth.events):,} events)"
