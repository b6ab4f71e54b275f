"""The two columns of a file as Arrow arrays: CSV by the fast reader, and Parquet."""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError, quoted
from flowsift.readers.columns import Chosen
from flowsift.readers.layout import TextLayout, is_number
from flowsift.readers.sources import Source
from flowsift.readers.time_layouts import iso_kind

NULLS = ["", "NA", "N/A", "n/a", "#N/A", "NaN", "nan", "NAN", "null", "Null", "NULL", "None", "none", "-", "--", "---"]
"""Fields that stand for no value."""

BLOCK_BYTES = 1 << 20
"""Bytes of text read at once, in one thread: more of either holds more memory and gains little."""

SAMPLE_ROWS = 400
"""Rows of Parquet looked at to tell the columns apart."""

BLOCK_ROWS = 1 << 18
"""Rows of Parquet read at once."""

MOST_ROWS = 40_000_000
"""Rows held at once at most, a year and a quarter at one second; a plain regular log is thinned instead and may have
any number of rows."""


@dataclass(frozen=True, kw_only=True)
class Columns:
    """Columns of a file.

    Attributes
    ----------
    time : list of ChunkedArray
        One column, or dates and times of day.
    value : ChunkedArray or None
    """

    time: list[Any]
    value: Any

    def at(self, rows: IntArray) -> Columns:
        """Return some of the rows."""
        return Columns(
            time=[column.take(pa.array(rows)) for column in self.time],
            value=None if self.value is None else self.value.take(pa.array(rows)),
        )


def read_csv_columns(source: Source, layout: TextLayout, chosen: Chosen) -> Columns:
    """Read the chosen columns of a text file.

    Raises
    ------
    pyarrow.ArrowInvalid
        If a row has another number of fields or a value isn't a number; the caller finds out which.
    InputError
        More rows than `MOST_ROWS`.
    """
    try:
        return _joined(csv_blocks(source, layout, chosen), source.name)
    except pa.ArrowInvalid:
        # times of more than one layout: as text, they are read one by one
        return _joined(csv_blocks(source, layout, chosen, times_as_text=True), source.name)


def csv_blocks(source: Source, layout: TextLayout, chosen: Chosen, *, times_as_text: bool = False) -> Iterator[Columns]:
    """Yield the chosen columns of a text file block by block; errors as in `read_csv_columns`."""
    names = [f"c{i}" for i in range(len(layout.names))]
    types = {names[i]: pa.string() if times_as_text else _time_type(layout, i) for i in chosen.time}
    if chosen.value is not None:
        types[names[chosen.value]] = pa.float64()
    read = pa_csv.ReadOptions(
        column_names=names, skip_rows=layout.first_line, block_size=BLOCK_BYTES, use_threads=False
    )
    parse = pa_csv.ParseOptions(delimiter=layout.delimiter)
    convert = pa_csv.ConvertOptions(
        column_types=types,
        include_columns=list(types),
        decimal_point=layout.decimal,
        null_values=NULLS,
        strings_can_be_null=True,
        quoted_strings_can_be_null=True,
    )
    with _utf8(source) as file:
        for block in pa_csv.open_csv(file, read_options=read, parse_options=parse, convert_options=convert):
            yield Columns(
                time=[pa.chunked_array([block.column(names[i])]) for i in chosen.time],
                value=None if chosen.value is None else pa.chunked_array([block.column(names[chosen.value])]),
            )


def _utf8(source: Source) -> Any:
    if source.encoding not in ("utf-8", "utf-8-sig"):
        return pa.PythonFile(io.BufferedReader(_Transcoded(source)), mode="r")
    # Opened by Python: where a reading is given up, a thread of pyarrow may read on for a moment, and of a file that
    # pyarrow opened it would take the next one's bytes, as that gets the same descriptor.
    file = pa.PythonFile(source.path.open("rb"), mode="r")
    return pa.CompressedInputStream(file, "gzip") if source.packed else file


class _Transcoded(io.RawIOBase):
    """The text of a file as UTF-8 bytes."""

    def __init__(self, source: Source) -> None:
        self._text = io.TextIOWrapper(source.open_bytes(), encoding=source.encoding, newline="")
        self._ready = b""

    def readable(self) -> bool:
        """Return True."""
        return True

    def readinto(self, buffer: Any) -> int:
        """Fill a buffer with the next bytes."""
        if not self._ready:
            self._ready = self._text.read(BLOCK_BYTES // 4).encode()
        taken = self._ready[: len(buffer)]
        self._ready = self._ready[len(buffer) :]
        buffer[: len(taken)] = taken
        return len(taken)

    def close(self) -> None:
        """Close the file."""
        self._text.close()
        super().close()


def _joined(blocks: Iterable[Columns], file: str) -> Columns:
    kept: list[Columns] = []
    n_rows = 0
    for block in blocks:
        n_rows += len(block.time[0])
        require_room(n_rows, file)
        kept.append(block)
    if not kept:
        raise InputError("found no rows", file=file)
    times = [_chained([block.time[k] for block in kept]) for k in range(len(kept[0].time))]
    return Columns(time=times, value=None if kept[0].value is None else _chained([block.value for block in kept]))


def _chained(columns: list[Any]) -> Any:
    return pa.chunked_array([chunk for column in columns for chunk in column.chunks])


def require_room(n_rows: int, file: str) -> None:
    """Raise `InputError` for more rows than memory is set aside for."""
    if n_rows > MOST_ROWS:
        raise InputError(
            f"found more than {MOST_ROWS:,} rows that aren't a plain regular log (one time step, ISO or epoch times "
            "that are UTC or carry their zone, no faults): cut the file into shorter spans",
            file=file,
        )


def filled_rows(columns: Columns) -> IntArray | None:
    """Return the rows that have a time or a value, as spreadsheets write rows of empty fields; None where all have."""
    if columns.value is None or not all(column.null_count for column in (*columns.time, columns.value)):
        return None
    empty = np.logical_and.reduce([column.is_null().to_numpy() for column in (*columns.time, columns.value)])
    return np.flatnonzero(~empty) if empty.any() else None


def numbers_of(column: Any) -> FloatArray:
    """Return a column of values as float64, NaN where a row has none.

    Raises
    ------
    InputError
        Something that isn't a number (names its row, 0 = first, and the column "value").
    """
    kind = column.type
    if pa.types.is_string(kind) or pa.types.is_large_string(kind) or pa.types.is_dictionary(kind):
        text = column.to_pandas().astype("str")
        numbers = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
        bad = np.flatnonzero(np.isnan(numbers) & text.notna().to_numpy())
        if bad.size:
            raise InputError(f"found {quoted(text.iloc[bad[0]])}, expected a number", row=int(bad[0]), column="value")
        return np.asarray(numbers, dtype=np.float64)
    try:
        column = column.cast(pa.float64())
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as error:
        raise InputError(f"found values of type {kind}, expected numbers", column="value") from error
    return np.asarray(column.to_numpy(zero_copy_only=False), dtype=np.float64)


def _time_type(layout: TextLayout, column: int) -> Any:
    fields = [row[column] for row in layout.sample if column < len(row) and row[column]]
    if fields and all(field.isdigit() for field in fields) and len(fields[0]) != 14:
        return pa.int64()
    if fields and all(is_number(field) for field in fields) and len(fields[0]) != 14:
        return pa.float64()
    kinds = {iso_kind(field) for field in fields}
    if kinds == {"naive"}:
        return pa.timestamp("ns")
    if kinds == {"zoned"}:
        return pa.timestamp("ns", tz="UTC")
    return pa.string()


class ParquetFile:
    """A Parquet file: names of its columns, a sample, and the columns themselves."""

    def __init__(self, source: Source) -> None:
        self.source = source
        with _unbroken(source):
            self.file = pq.ParquetFile(source.path)
            self.names = tuple(self.file.schema_arrow.names)
        if not self.file.metadata.num_rows:
            raise InputError("found no rows", file=source.name)

    def sampler(self) -> Callable[[int], list[str]]:
        """Return a function that gives the first fields of a column as text; none where it holds lists or bytes."""
        with _unbroken(self.source):
            head = next(self.file.iter_batches(batch_size=SAMPLE_ROWS))

        def texts(i: int) -> list[str]:
            try:
                column = head.column(i).cast(pa.string())
            except (pa.ArrowNotImplementedError, pa.ArrowInvalid):
                return []
            with _unbroken(self.source):
                return [field or "" for field in column.to_pylist()]

        return texts

    def zone(self, i: int) -> str:
        """Return the zone that a column of times names, empty where it names none."""
        try:
            return str(getattr(self.file.schema_arrow.field(i).type, "tz", None) or "")
        except UnicodeDecodeError:
            # No text: the error comes when the times are read, with its column.
            return ""

    def columns(self, chosen: Chosen) -> Columns:
        """Return the chosen columns (InputError for more rows than `MOST_ROWS`)."""
        require_room(self.file.metadata.num_rows, self.source.name)
        with _unbroken(self.source):
            return self._chosen(self.file.read(columns=self._names(chosen)), chosen)

    def blocks(self, chosen: Chosen) -> Iterator[Columns]:
        """Yield the chosen columns block by block."""
        with _unbroken(self.source):
            for block in self.file.iter_batches(batch_size=BLOCK_ROWS, columns=self._names(chosen)):
                yield self._chosen(pa.Table.from_batches([block]), chosen)

    def _names(self, chosen: Chosen) -> list[str]:
        return [self.names[i] for i in (*chosen.time, *([] if chosen.value is None else [chosen.value]))]

    def _chosen(self, table: Any, chosen: Chosen) -> Columns:
        value = None if chosen.value is None else self._column(table, chosen.value)
        return Columns(time=[self._column(table, i) for i in chosen.time], value=value)

    def _column(self, table: Any, i: int) -> Any:
        """Return a column by its position in the file: names may repeat."""
        same = [k for k, name in enumerate(table.schema.names) if name == self.names[i]]
        return table.column(same[self.names[:i].count(self.names[i])])


@contextmanager
def _unbroken(source: Source) -> Iterator[None]:
    """Turn what the library raises about a damaged file, of many kinds, into one error."""
    try:
        yield
    except InputError:
        raise
    except (pa.ArrowException, OSError, ValueError, LookupError, OverflowError, StopIteration) as error:
        text = str(error).strip()
        line = text.splitlines()[0] if text else type(error).__name__
        raise InputError(f"is damaged Parquet ({line})", file=source.name) from error
