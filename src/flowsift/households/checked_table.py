"""Tables of a labelled home, checked as they are read: an error names the file, the row and the column."""

from __future__ import annotations

import zlib
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from flowsift.errors import InputError, quoted
from flowsift.ingest.instants import FIRST_YEAR, LAST_YEAR
from flowsift.trace import FloatArray, IntArray

FIRST_ROW = 2
"""Row of the file in which the first values stand, below the names."""


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckedTable:
    """A table of a file, whose columns are checked when they are asked for; each raises InputError.

    Attributes
    ----------
    path : Path
    rows : DataFrame
        As it was read.
    """

    path: Path
    rows: pd.DataFrame

    def column(self, name: str) -> pd.Series:
        """Return a column that must be there, whatever is in it."""
        if name not in self.rows:
            there = ", ".join(map(str, self.rows.columns))
            raise InputError(f"found columns {there}, this one is missing", file=str(self.path), column=name)
        return self.rows[name]

    def refuse(self, bad: Any, name: str, expected: str) -> None:
        """Raise InputError at the first row of a column that is bad, if one is."""
        rows = np.flatnonzero(np.asarray(bad, dtype=np.bool_))
        if rows.size:
            field = self.column(name).iloc[rows[0]]
            found = "nothing" if pd.isna(field) else quoted(str(field))
            row = int(rows[0]) + FIRST_ROW
            raise InputError(f"found {found}, expected {expected}", file=str(self.path), row=row, column=name)

    def optional_numbers(self, name: str) -> FloatArray:
        """Return a column of numbers from 0 on, NaN where nothing stands."""
        column = self.column(name)
        value = pd.to_numeric(column, errors="coerce").to_numpy(dtype=np.float64)
        wrong = ~(np.isfinite(value) & (value >= 0.0))
        self.refuse(wrong & column.notna().to_numpy(), name, "a finite number from 0 on")
        return value

    def numbers(self, name: str) -> FloatArray:
        """Return a column of numbers from 0 on."""
        value = self.optional_numbers(name)
        self.refuse(np.isnan(value), name, "a number")
        return value

    def whole(self, name: str, *, below: int) -> IntArray:
        """Return a column of whole numbers from 0 to less than `below`."""
        value = self.numbers(name)
        self.refuse((value % 1 > 0) | (value >= below), name, f"a whole number below {below}")
        return value.astype(np.int64)

    def times(self, name: str) -> pd.Series:
        """Return a column of times, UTC where they carry no offset."""
        column = self.column(name)
        text = column.where(column.map(lambda field: isinstance(field, str)))
        time = pd.to_datetime(text, utc=True, format="ISO8601", errors="coerce")
        self.refuse(~time.dt.year.between(FIRST_YEAR, LAST_YEAR), name, "a time such as 2024-06-12T07:00:00Z")
        return time

    def words(self, name: str) -> pd.Series:
        """Return a column of words, none of them empty."""
        column = self.column(name)
        self.refuse(column.isna(), name, "a name")
        return column.astype("str")

    def known_words(self, name: str, known: Collection[str]) -> pd.Series:
        """Return a column of words that are known."""
        column = self.words(name)
        self.refuse(~column.isin(list(known)), name, f"one of {', '.join(known)}")
        return column

    def flags(self, name: str) -> pd.Series:
        """Return a column of True and False."""
        column = self.column(name)
        self.refuse(~column.isin([True, False]), name, "True or False")
        return column.astype("bool")


def read_checked_table(path: Path) -> CheckedTable:
    """Read a CSV file, compressed where its name ends in ``.gz``.

    Raises
    ------
    InputError
        If it is missing or is no table.
    """
    if not path.is_file():
        raise InputError("expected a file of a truth folder, found none", file=str(path))
    try:
        return CheckedTable(path=path, rows=pd.read_csv(path))
    except (ValueError, OSError, EOFError, zlib.error) as error:
        raise InputError(f"expected a table, found none ({error})", file=str(path)) from error
