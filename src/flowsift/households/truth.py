"""What really happened in a household: every use, every leak, and whose water each metered cell holds."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd

from flowsift.errors import InputError
from flowsift.households.checked_table import CheckedTable, read_checked_table
from flowsift.households.reproducible_files import write_reproducible_table, write_reproducible_text
from flowsift.labels import LABELS
from flowsift.trace import FloatArray, IntArray

SHARES_FILE, CELLS_FILE, CARD_FILE = "shares.csv.gz", "trickle_cells.csv.gz", "card.json"

_TABLES = (SHARES_FILE, CELLS_FILE, "events.csv", "trickle.csv", "fixtures.csv")

_MOST_CELLS = 2**53
"""Cells are read as floating numbers, which are whole up to here."""

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
            SHARES_FILE: pd.DataFrame({"event": shares.event, "cell": shares.cell, "volume_l": shares.volume_l}),
            CELLS_FILE: pd.DataFrame({"cell": cells.cell, "volume_l": cells.volume_l}),
        }
        for name, table in tables.items():
            write_reproducible_table(table, folder / name)
        text = json.dumps(self.card, indent=1, ensure_ascii=False) + "\n"
        write_reproducible_text(text, folder / CARD_FILE)

    @classmethod
    def read(cls, folder: str | Path) -> Truth:
        """Read what `write` wrote.

        Raises
        ------
        InputError
            If a file or a column is missing, or a value can't be one of its column (names file, row and column).
        """
        folder = Path(folder)
        shares, cells, uses, leaks, fixtures = (read_checked_table(folder / name) for name in _TABLES)
        events = event_table(_checked_events(uses))
        return cls(
            events=events,
            shares=TruthShares(
                event=shares.whole("event", below=len(events)),
                cell=shares.whole("cell", below=_MOST_CELLS),
                volume_l=shares.numbers("volume_l"),
            ),
            trickle_cells=CellVolumes(cell=cells.whole("cell", below=_MOST_CELLS), volume_l=cells.numbers("volume_l")),
            trickle=trickle_table(_checked_trickle(leaks)),
            fixtures=fixtures_table(_checked_fixtures(fixtures)),
            card=_read_card(folder / CARD_FILE),
        )


def _checked_events(table: CheckedTable) -> dict[str, Any]:
    cycle = table.optional_numbers("cycle")
    table.refuse(cycle % 1 > 0, "cycle", "a whole number or nothing")
    return {
        **_checked_spans(table),
        "label": table.known_words("label", LABELS),
        "fixture": table.words("fixture"),
        "cycle": cycle,
        "volume_l": table.numbers("volume_l"),
        "metered_l": table.numbers("metered_l"),
        "overlaps": table.flags("overlaps"),
    }


def _checked_trickle(table: CheckedTable) -> dict[str, Any]:
    return {**_checked_spans(table), **{name: table.numbers(name) for name in ("rate_lpm", "volume_l")}}


def _checked_fixtures(table: CheckedTable) -> dict[str, Any]:
    words = {name: table.words(name) for name in ("fixture", "label")}
    numbers = {name: table.optional_numbers(name) for name in ("full_l", "reduced_l", "flow_lpm")}
    return {**words, **numbers, "notes": table.column("notes")}


def _checked_spans(table: CheckedTable) -> dict[str, Any]:
    start, end = table.times("start"), table.times("end")
    table.refuse(end < start, "end", "a time not before the start")
    return {"start": start, "end": end}


def _read_card(path: Path) -> dict[str, Any]:
    try:
        card = json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        raise InputError("expected a truth folder with a card.json, found none", file=str(path)) from error
    except (ValueError, OSError) as error:
        raise InputError(f"expected a card in JSON ({error})", file=str(path)) from error
    if not isinstance(card, dict):
        raise InputError("expected a card in JSON, an object with names", file=str(path))
    return card


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
