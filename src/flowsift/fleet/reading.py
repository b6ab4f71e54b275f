"""One home's files as one trace, wherever they lie."""

from __future__ import annotations

import inspect
import os
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from flowsift.errors import InputError, OptionError
from flowsift.fleet.source import InputFile
from flowsift.ingest.options import checked_absent, checked_zone
from flowsift.readers import KINDS, read_trace
from flowsift.readers.unit_names import unit_option
from flowsift.trace import Trace

ReadingOptions = Mapping[str, str | float | bool]
"""Options of `flowsift.read_trace`, the same for every home."""


def checked_reading(options: Mapping[str, Any]) -> ReadingOptions:
    """Return the options that are given, after a check that spares every home the same error.

    Raises
    ------
    OptionError
        An option that `read_trace` doesn't have, or an unknown kind, unit, zone or word for absent rows.
    """
    known = [name for name in inspect.signature(read_trace).parameters if name != "path"]
    for name in options:
        if name not in known:
            raise OptionError(f"unknown option {name!r} of reading; known: {', '.join(known)}")
    given = {name: value for name, value in options.items() if value is not None}
    if given.get("kind", KINDS[0]) not in KINDS:
        raise OptionError(f"unknown kind {given['kind']!r}; known kinds: {', '.join(KINDS)}")
    for name, check in (("unit", unit_option), ("timezone", checked_zone), ("absent", checked_absent)):
        if name in given:
            check(given[name])
    return given


def read_home(fs: Any, root: str, files: Sequence[InputFile], *, home: str, key: str, options: ReadingOptions) -> Trace:
    """Read the files of one home as one trace.

    Parameters
    ----------
    fs, root
        File system of fsspec, and the source's path in it.
    files : sequence of InputFile
        At least one; several must be Parquet of the same columns, in any order.
    home : str
    key : str
        Column that would tell the home; where Parquet files hold it, it must hold this home alone.
    options : mapping
        Of `flowsift.read_trace`.

    Raises
    ------
    InputError
        As `flowsift.read_trace`; rows of another home; several files that can't be joined.
    """
    with _as_one_file(fs, root, files) as path:
        _check_own_rows(path, home=home, key=key)
        return read_trace(path, **options)  # type: ignore[arg-type]


@contextmanager
def _as_one_file(fs: Any, root: str, files: Sequence[InputFile]) -> Iterator[Path]:
    """Give a local file with all rows, a temporary one where need be."""
    full = [f"{root.rstrip('/')}/{file.path}" for file in files]
    names = [os.path.basename(file.path) for file in files]
    is_local = "file" in ((fs.protocol,) if isinstance(fs.protocol, str) else fs.protocol)
    if is_local and len(files) == 1:
        yield Path(full[0])
        return
    with tempfile.TemporaryDirectory(prefix="flowsift-") as folder:
        if is_local:
            parts = [Path(path) for path in full]
        else:
            parts = [Path(folder, str(number), name) for number, name in enumerate(names)]
            for remote, part in zip(full, parts, strict=True):
                part.parent.mkdir()
                fs.get_file(remote, str(part))
        if len(parts) == 1:
            yield parts[0]
        else:
            # Errors carry this name: it says that row numbers run on from one file to the next.
            joined = Path(folder, f"{names[0]} and {len(names) - 1} more")
            _join(parts, joined)
            yield joined


def _join(parts: Sequence[Path], joined: Path) -> None:
    """Write the rows of Parquet files one after another into one, a batch at a time."""
    schema: pa.Schema | None = None
    writer: pq.ParquetWriter | None = None
    part = parts[0]
    try:
        for part in parts:
            with pq.ParquetFile(part) as file:
                if schema is None or writer is None:
                    schema = file.schema_arrow.remove_metadata()
                    writer = pq.ParquetWriter(joined, schema)
                if sorted(file.schema_arrow.names) != sorted(schema.names):
                    raise InputError(
                        f"found columns {', '.join(file.schema_arrow.names)}, expected those of the home's other "
                        f"files: {', '.join(schema.names)}",
                        file=part.name,
                    )
                for batch in file.iter_batches():
                    writer.write_table(pa.Table.from_batches([batch]).select(schema.names).cast(schema))
    except (pa.ArrowException, OSError) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise  # the disk's trouble, not the file's
        found = str(error).strip().splitlines() or [type(error).__name__]
        raise InputError(
            f"can't be joined with the home's other files as Parquet ({found[0]})", file=part.name
        ) from error
    finally:
        if writer is not None:
            writer.close()


def _check_own_rows(path: Path, *, home: str, key: str) -> None:
    try:
        with pq.ParquetFile(path) as file:
            if key not in file.schema_arrow.names:
                return
            found = pc.unique(file.read(columns=[key]).column(key)).to_pylist()
    except (pa.ArrowException, OSError):
        return  # no Parquet, or damaged: the reader says what is wrong
    others = [value for value in found if not _is(value, home)]
    if others:
        raise InputError(
            f"found rows of {', '.join(map(repr, others[:3]))}{' ...' if others[3:] else ''}, expected those of "
            f"{home!r} alone",
            file=path.name,
            column=key,
        )


def _is(value: object, home: str) -> bool:
    """Tell whether a value of the key's column is the home's id; a number may have lost its leading zeros."""
    return str(value) == home or (isinstance(value, int) and home.isdigit() and int(home) == value)
