"""One home's files as one trace, wherever they lie."""

from __future__ import annotations

import os
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from flowsift.errors import InputError
from flowsift.fleet.source import InputFile
from flowsift.readers import read_trace
from flowsift.readers.reading_options import ReadingOptions
from flowsift.readers.trace_files import one_file
from flowsift.trace import Trace


def read_home(
    fs: Any, root: str, files: Sequence[InputFile], *, home: str | None, key: str, options: ReadingOptions
) -> Trace:
    """Read the files of one home as one trace.

    Parameters
    ----------
    fs, root
        File system of fsspec, and the source's path in it.
    files : sequence of InputFile
        At least one; several must be Parquet of the same columns, in any order.
    home : str or None
        Id that the rows must have; None where it is the file's name, beside which the rows may have any one.
    key : str
        Column that would tell the home, where Parquet files hold it.
    options : mapping
        Of `flowsift.read_trace`.

    Raises
    ------
    InputError
        As `flowsift.read_trace`; rows of another home; several files that can't be joined.
    """
    with _at_hand(fs, root, files) as parts, one_file(parts) as path:
        _check_own_rows(path, home=home, key=key)
        return read_trace(path, **options)  # type: ignore[arg-type]


@contextmanager
def _at_hand(fs: Any, root: str, files: Sequence[InputFile]) -> Iterator[Sequence[Path]]:
    """Give the files on this machine, fetched where they are far."""
    full = [f"{root.rstrip('/')}/{file.path}" for file in files]
    if "file" in ((fs.protocol,) if isinstance(fs.protocol, str) else fs.protocol):
        yield [Path(path) for path in full]
        return
    with tempfile.TemporaryDirectory(prefix="flowsift-") as folder:
        parts = [Path(folder, str(number), os.path.basename(path)) for number, path in enumerate(full)]
        for remote, part in zip(full, parts, strict=True):
            part.parent.mkdir()
            fs.get_file(remote, str(part))
        yield parts


def _check_own_rows(path: Path, *, home: str | None, key: str) -> None:
    try:
        with pq.ParquetFile(path) as file:
            if key not in file.schema_arrow.names:
                return
            found = pc.unique(file.read(columns=[key]).column(key)).to_pylist()
    except (pa.ArrowException, OSError):
        return  # no Parquet, or damaged: the reader says what is wrong
    if home is None and len(found) < 2:
        return
    strange = [value for value in found if home is None or not _is(value, home)]
    if strange:
        raise InputError(
            f"found rows of {', '.join(map(repr, strange[:3]))}{' ...' if strange[3:] else ''}, expected those of "
            f"{'one home' if home is None else repr(home)} alone",
            file=path.name,
            column=key,
        )


def _is(value: object, home: str) -> bool:
    """Tell whether a value of the key's column is the home's id; a number may have lost its leading zeros."""
    return str(value) == home or (isinstance(value, int) and home.isdigit() and int(home) == value)
