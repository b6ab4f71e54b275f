"""Reads the table of events of an earlier answer, as ``flowsift account --events`` writes it."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

from flowsift.classify.recognition import KnownUses
from flowsift.errors import InputError
from flowsift.units import us_column


def read_earlier(path: str | Path) -> pd.DataFrame:
    """Read a table of events, in litres or in gallons.

    Parameters
    ----------
    path : str or Path
        CSV, CSV.gz or Parquet.

    Returns
    -------
    DataFrame
        As `flowsift.HomeFacts` takes it for `earlier`.

    Raises
    ------
    InputError
        If the file can't be read, or a row or column is not as expected (names file, row and column).
    """
    path = Path(path)
    parquet = path.name.lower().endswith(".parquet")
    try:
        table = pd.read_parquet(path) if parquet else pd.read_csv(path, encoding="utf-8-sig")
    except (OSError, EOFError, ValueError) as error:
        problem = "no such file" if isinstance(error, FileNotFoundError) else "found no table of events in it"
        raise InputError(f"{problem}; expected a table that --events wrote", file=path.name) from error
    for name in ("volume_l", "mean_lpm"):
        us_name, litres = us_column(name)
        if name not in table and us_name in table:
            table[name] = pd.to_numeric(table[us_name], errors="coerce") * litres
    try:
        KnownUses.of(table)
    except InputError as error:
        # The header of a CSV is line 1; a row of a Parquet table is counted from 1 too.
        row = None if error.row is None else error.row + (1 if parquet else 2)
        raise InputError(error.problem, file=path.name, row=row, column=error.column) from error
    return table
