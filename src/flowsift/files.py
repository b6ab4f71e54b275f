"""Files that appear whole or not at all: tables as CSV or Parquet, and text."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Callable
from pathlib import Path

import pandas as pd

from flowsift.errors import OptionError

TABLE_SUFFIXES = (".csv", ".csv.gz", ".parquet")
"""Endings of the names of table files that can be written."""

_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def check_table_path(path: Path) -> None:
    """Raise `OptionError` unless a table can be written under that name (before any work is done)."""
    if not path.name.lower().endswith(TABLE_SUFFIXES):
        raise OptionError(f"{path}: a table is written as one of {', '.join(TABLE_SUFFIXES)}")
    check_folder(path)


def check_folder(path: Path) -> None:
    """Raise `OptionError` unless the folder that `path` goes into exists and `path` itself is no folder."""
    if path.is_dir():
        raise OptionError(f"{path}: is a folder, expected the name of a file to write")
    if not path.parent.is_dir():
        raise OptionError(f"{path}: there is no folder {path.parent}")


def write_table(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV, gzipped CSV or Parquet, by the ending of its name.

    Text cells of a CSV that a spreadsheet would take for a formula get a leading apostrophe.

    Raises
    ------
    OptionError
        If the ending is not one of `TABLE_SUFFIXES`, or the folder doesn't exist.
    """
    check_table_path(path)
    if path.name.lower().endswith(".parquet"):
        replace_file(path, lambda temporary: pd.DataFrame(table).to_parquet(temporary, index=False))
        return
    guarded = guard_formulas(table)
    replace_file(path, lambda temporary: guarded.to_csv(temporary, index=False))


def write_text(text: str, path: Path) -> None:
    """Write a text file (UTF-8)."""
    check_folder(path)
    replace_file(path, lambda temporary: temporary.write_text(text, encoding="utf-8"))


def guard_formulas(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with an apostrophe before text cells that start like a spreadsheet formula."""
    guarded = table.copy()
    for name in guarded.columns:
        column = guarded[name]
        if pd.api.types.is_string_dtype(column) or column.dtype == object:
            risky = column.map(lambda cell: isinstance(cell, str) and cell.startswith(_FORMULA_STARTS)).astype(bool)
            guarded[name] = column.where(~risky, "'" + column.astype("str"))
    return guarded


def replace_file(path: Path, write: Callable[[Path], object]) -> None:
    """Write through a temporary file in the same folder, then put it in the place of `path` in one step.

    Parameters
    ----------
    path : Path
    write : callable
        Writes the file it is given, whose name ends like that of `path`. If it fails, `path` stays as it was and the
        temporary file is removed.
    """
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=path.name)
    os.close(handle)
    temporary = Path(name)
    try:
        write(temporary)
        temporary.chmod(_mode_of(path))
        temporary.replace(path)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def _mode_of(path: Path) -> int:
    """Return the permissions of the file that is replaced, or those of a new file."""
    if path.exists():
        return path.stat().st_mode & 0o777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask
