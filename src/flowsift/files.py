"""Files that appear whole or not at all: tables as CSV or Parquet, and text."""

from __future__ import annotations

import os
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from flowsift.errors import OptionError

TABLE_SUFFIXES = (".csv", ".csv.gz", ".parquet")
"""Endings of the names of table files that can be written."""

_FORMULA = re.compile(r"(?:\A|(?<=[;\t\n]))(?=\s*[=+\-@＝＋－＠])|\A(?=[\t\r\n])")
"""Where a spreadsheet would take what follows for a formula, in its wide forms too: at the start of a cell, and within
it after what it may take for the end of one, since in many countries it splits the lines of a CSV at semicolons."""


def check_table_path(path: Path, *taken: Path | None) -> None:
    """Raise `OptionError` unless a table can be written under that name (before any work is done).

    `taken` is as in `check_folder`.
    """
    if not path.name.lower().endswith(TABLE_SUFFIXES):
        raise OptionError(f"{path}: a table is written as one of {', '.join(TABLE_SUFFIXES)}")
    check_folder(path, *taken)


def check_folder(path: Path, *taken: Path | None) -> None:
    """Raise `OptionError` unless a file can take the place of `path`.

    Its folder must exist, and `path` itself be no folder or device, nor one of the files that are `taken`: those read,
    and those that other options write.
    """
    if path.is_dir():
        raise OptionError(f"{path}: is a folder, expected the name of a file to write")
    _refuse_device(path)
    if any(other is not None and _is_same(path, other) for other in taken):
        raise OptionError(f"{path}: is read, or written by another option too: expected another name")
    if not path.parent.is_dir():
        raise OptionError(f"{path}: there is no folder {path.parent}")


def _refuse_device(path: Path) -> None:
    if path.exists() and not path.is_file() and not path.is_dir():
        raise OptionError(f"{path}: is a pipe or a device, expected the name of a file to write")


def _is_same(path: Path, other: Path) -> bool:
    if path.exists() and other.exists():
        return path.samefile(other)
    return os.path.realpath(path) == os.path.realpath(other)


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
    """Return the table with an apostrophe before what a spreadsheet would take for a formula in text cells.

    A carriage return in a cell becomes a space: CSV writers leave it bare, and a spreadsheet begins a new row there.
    """
    guarded = table.copy()
    for name in guarded.columns:
        column = guarded[name]
        if isinstance(column.dtype, pd.CategoricalDtype):
            column = column.astype(object)
        if pd.api.types.is_string_dtype(column) or column.dtype == object:
            guarded[name] = column.map(_guarded_cell)
    return guarded


def _guarded_cell(cell: Any) -> Any:
    if not isinstance(cell, str):
        return cell
    return _FORMULA.sub("'", cell).replace("\r", " ")


def replace_file(path: Path, write: Callable[[Path], object]) -> None:
    """Write beside `path`, on the same disk, then put the file in its place in one step.

    Whenever the writing stops, be it by an error, a full disk or a lost machine, `path` is the whole old file or the
    whole new one. The new file is written under its own name in a hidden folder next to it, so that its ending tells
    its form and nothing that lists the files of the folder takes it for one of them. A link is followed: what it points
    to is replaced.

    Parameters
    ----------
    path : Path
    write : callable
        Writes the file it is given. If it fails, `path` stays as it was and what was written is removed.

    Raises
    ------
    OptionError
        If the folder or the disk doesn't take the file, or `path` is a device; it says why.
    """
    _refuse_device(path)
    path = Path(os.path.realpath(path))
    try:
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=f".{path.name[:80]}.", suffix=".part") as folder:
            temporary = Path(folder) / path.name
            write(temporary)
            with temporary.open("rb+") as file:
                os.fsync(file.fileno())
            if path.exists():
                temporary.chmod(path.stat().st_mode & 0o777)
            temporary.replace(path)
    except OSError as error:
        raise OptionError(f"{path}: can't be written ({error.strerror or error})") from error
