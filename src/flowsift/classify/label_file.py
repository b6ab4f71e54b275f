"""Reads a file of labels written down in a home."""

from __future__ import annotations

import csv
from pathlib import Path

import pandas as pd

from flowsift.classify.walk import checked_labels
from flowsift.errors import InputError
from flowsift.readers.sources import open_source


def read_labels(path: str | Path) -> pd.DataFrame:
    """Read a small CSV of labels: columns ``time``, ``label`` and, where known, ``fixture``.

    Times without an offset are taken later as local times of the trace.

    Parameters
    ----------
    path : str or Path

    Returns
    -------
    DataFrame
        As `flowsift.disaggregate` takes it.

    Raises
    ------
    InputError
        If the file can't be read, or a row or column is not as expected (names file, row and column).
    """
    path = Path(path)
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, encoding="utf-8-sig")
    except (OSError, ValueError) as error:
        problem = "no such file" if isinstance(error, FileNotFoundError) else "found no table of labels in it"
        raise InputError(f"{problem}; expected a CSV with the columns time, label, fixture", file=path.name) from error
    try:
        checked_labels(table, timezone="UTC")
    except InputError as error:
        row = None if error.row is None else _line_of(path, error.row)
        raise InputError(error.problem, file=path.name, row=row, column=error.column) from error
    return table


def _line_of(path: Path, row: int) -> int:
    """Return the line in the file (1 = first) of a row of the table (0 = first); blank lines are no rows."""
    reader = csv.reader(open_source(path).lines())
    lines = [reader.line_num for fields in reader if ",".join(fields).strip()]
    return lines[row + 1]  # below the header
