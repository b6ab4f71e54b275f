"""What really happened in a household: every use, every leak, and whose water each metered cell holds."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from flowsift.errors import InputError
from flowsift.households.reproducible_files import (
    read_reproducible_table,
    write_reproducible_table,
    write_reproducible_text,
)
from flowsift.trace import FloatArray, IntArray

EVENT_COLUMNS = ("start", "end", "label", "fixture", "cycle", "volume_l", "metered_l", "overlaps")
"""Columns of `Truth.events`, in order."""

TRICKLE_COLUMNS = ("start", "end", "rate_lpm", "volume_l")
"""Columns of `Truth.trickle`, in order."""

FIXTURE_COLUMNS = ("fixture", "label", "full_l", "reduced_l", "flow_lpm", "notes")
"""Columns of `Truth.fixtures`, in order. ``full_l`` is the usual volume of one use (NaN where there is none),
``reduced_l`` that of the small flush of a dual-flush toilet (NaN elsewhere)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class TruthShares:
    """The metered volume of each trace cell that belongs to an event.

    Attributes
    ----------
    event : ndarray of int64, shape (n_shares,)
        Row of `Truth.events`.
    cell : ndarray of int64, shape (n_shares,)
        Cell of the trace (a value of `Trace.cell`, not a position in it), increasing.
    volume_l : ndarray of float64, shape (n_shares,)
        Metered volume [L], > 0.

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> shares = read_shipped("demo").truth.shares
    >>> bool((shares.volume_l > 0).all())
    True
    """

    event: IntArray
    cell: IntArray
    volume_l: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class CellVolumes:
    """Metered volume by cell of the trace: `cell` (int64, increasing) and `volume_l` [L], both shape (n,).

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> leak = read_shipped("demo").truth.trickle_cells
    >>> leak.cell.size == leak.volume_l.size
    True
    """

    cell: IntArray
    volume_l: FloatArray


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """Complete ground truth of a simulated (or carefully logged) household.

    Times are on the clock of the trace. A meter that emits pulses books the water since its last pulse when the next
    one comes: `shares` and `trickle_cells` divide each cell in that way, so together they add up to the trace, cell by
    cell.

    Attributes
    ----------
    events : DataFrame
        One row per use of one fixture, sorted by start; columns `EVENT_COLUMNS`. ``volume_l`` is the real volume,
        ``metered_l`` the part of the meter's volume due to it: 0 where the meter saw nothing of it (too small, or
        in a gap).
    shares : TruthShares
    trickle_cells : CellVolumes
        The constant leaks' part of each cell.
    trickle : DataFrame
        Real rate of all constant leaks together, piecewise constant; columns `TRICKLE_COLUMNS`.
    fixtures : DataFrame
        One row per fixture; columns `FIXTURE_COLUMNS`.
    card : dict
        Describes the home: every drawn parameter, JSON-able.

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> truth = read_shipped("demo").truth
    >>> truth.events["label"].value_counts().index[0]
    'faucet'
    """

    events: pd.DataFrame
    shares: TruthShares
    trickle_cells: CellVolumes
    trickle: pd.DataFrame
    fixtures: pd.DataFrame
    card: Mapping[str, Any] = field(default_factory=dict)

    @property
    def metered_l(self) -> float:
        """Metered volume that the truth accounts for [L]."""
        return float(self.shares.volume_l.sum() + self.trickle_cells.volume_l.sum())

    def write(self, folder: str | Path) -> None:
        """Write the truth into a folder; the same truth gives the same bytes.

        Files: ``events.csv``, ``trickle.csv``, ``fixtures.csv``, ``shares.csv.gz``, ``trickle_cells.csv.gz``,
        ``card.json``.
        """
        folder = Path(folder)
        folder.mkdir(parents=True, exist_ok=True)
        shares, cells = self.shares, self.trickle_cells
        tables = {
            "events.csv": self.events,
            "trickle.csv": self.trickle,
            "fixtures.csv": self.fixtures,
            "shares.csv.gz": pd.DataFrame({"event": shares.event, "cell": shares.cell, "volume_l": shares.volume_l}),
            "trickle_cells.csv.gz": pd.DataFrame({"cell": cells.cell, "volume_l": cells.volume_l}),
        }
        for name, table in tables.items():
            write_reproducible_table(table, folder / name)
        text = json.dumps(self.card, indent=1, ensure_ascii=False) + "\n"
        write_reproducible_text(text, folder / "card.json")

    @classmethod
    def read(cls, folder: str | Path) -> Truth:
        """Read what `write` wrote.

        Raises
        ------
        InputError
            If a file is missing or lacks a column (names both).
        """
        folder = Path(folder)
        shares = read_reproducible_table(folder / "shares.csv.gz", columns=("event", "cell", "volume_l"))
        cells = read_reproducible_table(folder / "trickle_cells.csv.gz", columns=("cell", "volume_l"))
        card = folder / "card.json"
        if not card.is_file():
            raise InputError("expected a truth folder with a card.json, found none", file=str(card))
        events = read_reproducible_table(folder / "events.csv", columns=EVENT_COLUMNS)
        return cls(
            events=event_table(events),
            shares=TruthShares(
                event=shares["event"].to_numpy(dtype=np.int64),
                cell=shares["cell"].to_numpy(dtype=np.int64),
                volume_l=shares["volume_l"].to_numpy(dtype=np.float64),
            ),
            trickle_cells=CellVolumes(
                cell=cells["cell"].to_numpy(dtype=np.int64), volume_l=cells["volume_l"].to_numpy(dtype=np.float64)
            ),
            trickle=trickle_table(read_reproducible_table(folder / "trickle.csv", columns=TRICKLE_COLUMNS)),
            fixtures=fixtures_table(read_reproducible_table(folder / "fixtures.csv", columns=FIXTURE_COLUMNS)),
            card=json.loads(card.read_text(encoding="utf-8")),
        )


def event_table(rows: Any) -> pd.DataFrame:
    """Return `rows` (a mapping or frame of columns) as an events table with its fixed dtypes, empty ones included."""
    frame = pd.DataFrame(rows, columns=list(EVENT_COLUMNS))
    return pd.DataFrame(
        {
            "start": _utc(frame["start"]),
            "end": _utc(frame["end"]),
            "label": frame["label"].astype("str"),
            "fixture": frame["fixture"].astype("str"),
            "cycle": frame["cycle"].astype("Int64"),
            "volume_l": frame["volume_l"].astype("float64"),
            "metered_l": frame["metered_l"].astype("float64"),
            "overlaps": frame["overlaps"].astype("bool"),
        }
    )


def trickle_table(rows: Any) -> pd.DataFrame:
    """Return `rows` as a trickle table with its fixed dtypes, empty ones included."""
    frame = pd.DataFrame(rows, columns=list(TRICKLE_COLUMNS))
    return pd.DataFrame(
        {
            "start": _utc(frame["start"]),
            "end": _utc(frame["end"]),
            "rate_lpm": frame["rate_lpm"].astype("float64"),
            "volume_l": frame["volume_l"].astype("float64"),
        }
    )


def fixtures_table(rows: Any) -> pd.DataFrame:
    """Return `rows` as a fixtures table with its fixed dtypes, empty ones included."""
    frame = pd.DataFrame(rows, columns=list(FIXTURE_COLUMNS))
    return pd.DataFrame(
        {
            "fixture": frame["fixture"].astype("str"),
            "label": frame["label"].astype("str"),
            "full_l": frame["full_l"].astype("float64"),
            "reduced_l": frame["reduced_l"].astype("float64"),
            "flow_lpm": frame["flow_lpm"].astype("float64"),
            "notes": frame["notes"].fillna("").astype("str"),
        }
    )


def _utc(column: pd.Series) -> pd.Series:
    return pd.to_datetime(column, utc=True, format="ISO8601").astype("datetime64[ns, UTC]")
