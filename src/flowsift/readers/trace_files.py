"""Files of flow data in a folder: what their names end in, and the parts of one home as one file."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from flowsift.errors import InputError

ENDINGS = (".csv", ".tsv", ".txt", ".parquet", ".pq")
"""What the name of a file of flow data ends in; ``.gz`` may follow."""

_ENDING = re.compile(f"({'|'.join(map(re.escape, ENDINGS))})?({re.escape('.gz')})?$", re.IGNORECASE)


def without_ending(name: str) -> str:
    """Return the name of a file without the ending of flow data; as it is where it has none.

    Examples
    --------
    >>> without_ending("b-17.csv.gz"), without_ending("b-17.pdf")
    ('b-17', 'b-17.pdf')
    """
    return _ENDING.sub("", name)


def is_hidden(name: str) -> bool:
    """Tell whether a file or folder is none of the data: its name starts with a dot or an underscore."""
    return name.startswith((".", "_"))


@contextmanager
def one_file(parts: Sequence[Path]) -> Iterator[Path]:
    """Give a file with the rows of all parts: a part that is alone as it is, several as one temporary Parquet file.

    Parameters
    ----------
    parts : sequence of Path
        At least one; several must be Parquet of the same columns, in any order. Types may be wider in one part than in
        another, and zones of times may differ.

    Raises
    ------
    InputError
        Parts that can't be joined, by the name of the first that doesn't fit those before it.
    """
    if len(parts) == 1:
        yield parts[0]
        return
    with tempfile.TemporaryDirectory(prefix="flowsift-") as folder:
        # Errors carry this name: it says that row numbers run on from one file to the next.
        joined = Path(folder, f"{parts[0].name} and {len(parts) - 1} more")
        _join(parts, joined)
        yield joined


def _join(parts: Sequence[Path], joined: Path) -> None:
    """Write the rows of Parquet files one after another into one, a batch at a time."""
    part = parts[0]
    try:
        schema = _plain_schema(part)
        for part in parts[1:]:
            schema = _unified(schema, _plain_schema(part), file=part.name)
        with pq.ParquetWriter(joined, schema) as writer:
            for part in parts:
                with pq.ParquetFile(part) as file:
                    for batch in file.iter_batches():
                        writer.write_table(pa.Table.from_batches([batch]).select(schema.names).cast(schema))
    except (pa.ArrowException, OSError) as error:
        if isinstance(error, OSError) and error.errno is not None:
            raise  # the disk's trouble, not the file's
        found = str(error).strip().splitlines() or [type(error).__name__]
        raise InputError(
            f"can't be joined with the home's other files as Parquet ({found[0]})", file=part.name
        ) from error


def _plain_schema(part: Path) -> pa.Schema:
    """Return the columns of a Parquet file, categories as what they stand for."""
    with pq.ParquetFile(part) as file:
        return pa.schema(
            field.with_type(field.type.value_type) if pa.types.is_dictionary(field.type) else field
            for field in file.schema_arrow.remove_metadata()
        )


def _unified(schema: pa.Schema, other: pa.Schema, *, file: str) -> pa.Schema:
    """Return the columns that the rows of both fit into; times in the zone of the first."""
    if sorted(other.names) != sorted(schema.names):
        raise InputError(
            f"found columns {', '.join(other.names)}, expected those of the home's other files: "
            f"{', '.join(schema.names)}",
            file=file,
        )
    for number, field in enumerate(other):
        before = schema.field(field.name).type
        if not (pa.types.is_timestamp(field.type) and pa.types.is_timestamp(before)):
            continue
        if (field.type.tz is None) != (before.tz is None):
            found, expected = ("without", "with") if field.type.tz is None else ("with", "without")
            raise InputError(
                f"found times {found} a zone, expected them {expected} one as in the home's other files",
                file=file,
                column=field.name,
            )
        other = other.set(number, field.with_type(pa.timestamp(field.type.unit, before.tz)))
    return pa.unify_schemas([schema, other], promote_options="permissive")
