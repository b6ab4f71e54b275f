"""The two columns of a file as Arrow arrays: CSV by the fast reader, and Parquet."""

from __future__ import annotations

import io
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import pyarrow as pa
import pyarrow.csv as pa_csv
import pyarrow.parquet as pq

from flowsift.errors import InputError
from flowsift.readers.columns import Chosen
from flowsift.readers.layout import TextLayout, is_number
from flowsift.readers.sources import Source
from flowsift.readers.time_layouts import iso_kind

NULLS = ["", "NA", "N/A", "n/a", "NaN", "nan", "NAN", "null", "NULL", "None", "none", "-", "--"]
"""Fields that stand for no value."""


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


def read_csv_columns(source: Source, layout: TextLayout, chosen: Chosen) -> Columns:
    """Read the chosen columns with the multi-threaded reader.

    Raises
    ------
    pyarrow.ArrowInvalid
        If a row has another number of fields or a value isn't a number; the caller finds out which.
    """
    names = [f"c{i}" for i in range(len(layout.names))]
    types = {names[i]: _time_type(layout, i) for i in chosen.time}
    if chosen.value is not None:
        types[names[chosen.value]] = pa.float64()
    try:
        table = _read(source, layout, names, types)
    except pa.ArrowInvalid:
        # times of more than one layout: as text, they are read one by one
        types |= {names[i]: pa.string() for i in chosen.time}
        table = _read(source, layout, names, types)
    value = None if chosen.value is None else table.column(names[chosen.value])
    return Columns(time=[table.column(names[i]) for i in chosen.time], value=value)


def _read(source: Source, layout: TextLayout, names: list[str], types: dict[str, Any]) -> Any:
    read = pa_csv.ReadOptions(column_names=names, skip_rows=layout.first_line, block_size=1 << 22)
    parse = pa_csv.ParseOptions(delimiter=layout.delimiter)
    convert = pa_csv.ConvertOptions(
        column_types=types,
        include_columns=list(types),
        decimal_point=layout.decimal,
        null_values=NULLS,
        strings_can_be_null=True,
        quoted_strings_can_be_null=True,
    )
    if source.encoding in ("utf-8", "utf-8-sig") and not source.packed:
        with pa.memory_map(str(source.path)) as file:
            return pa_csv.read_csv(file, read_options=read, parse_options=parse, convert_options=convert)
    if source.encoding in ("utf-8", "utf-8-sig"):
        with pa.input_stream(str(source.path), compression="gzip") as file:
            return pa_csv.read_csv(file, read_options=read, parse_options=parse, convert_options=convert)
    text = "".join(source.lines()).encode()
    return pa_csv.read_csv(io.BytesIO(text), read_options=read, parse_options=parse, convert_options=convert)


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
        try:
            self.file = pq.ParquetFile(source.path)
        except (pa.ArrowException, OSError) as error:
            raise InputError(f"is damaged Parquet ({_line(error)})", file=source.name) from error
        self.names = tuple(self.file.schema_arrow.names)
        if not self.file.metadata.num_rows:
            raise InputError("found no rows", file=source.name)

    def sampler(self) -> Callable[[int], list[str]]:
        """Return a function that gives the first fields of a column as text; none where it holds lists or bytes."""
        try:
            head = next(self.file.iter_batches(batch_size=400))
        except (pa.ArrowException, OSError, StopIteration) as error:
            raise InputError(f"is damaged Parquet ({_line(error)})", file=self.source.name) from error

        def texts(i: int) -> list[str]:
            try:
                column = head.column(i).cast(pa.string())
            except (pa.ArrowNotImplementedError, pa.ArrowInvalid):
                return []
            return [field or "" for field in column.to_pylist()]

        return texts

    def columns(self, chosen: Chosen) -> Columns:
        """Return the chosen columns."""
        wanted = [*chosen.time, *([] if chosen.value is None else [chosen.value])]
        try:
            table = self.file.read(columns=[self.names[i] for i in wanted])
        except (pa.ArrowException, OSError) as error:
            raise InputError(f"is damaged Parquet ({_line(error)})", file=self.source.name) from error
        value = None if chosen.value is None else self._column(table, chosen.value)
        return Columns(time=[self._column(table, i) for i in chosen.time], value=value)

    def _column(self, table: Any, i: int) -> Any:
        """Return a column by its position in the file: names may repeat."""
        same = [k for k, name in enumerate(table.column_names) if name == self.names[i]]
        return table.column(same[self.names[:i].count(self.names[i])])


def _line(error: BaseException) -> str:
    text = str(error).strip()
    return text.splitlines()[0] if text else type(error).__name__
