"""A fleet's answers read back."""

from __future__ import annotations

import os
from collections.abc import Sequence

import pyarrow as pa
import pyarrow.dataset as ds

from flowsift.errors import InputError, OptionError
from flowsift.fleet.names import KEY, partition_of
from flowsift.fleet.source import absolute, open_files
from flowsift.fleet.tables import SCHEMAS
from flowsift.tables import Table


def read_answers(out: str | os.PathLike[str], table: str = "events", *, homes: Sequence[str] | None = None) -> Table:
    r"""Read a table of a fleet's answers.

    Any reader of partitioned Parquet reads them too, but may take ids for numbers (``007`` for 7).

    Parameters
    ----------
    out : str or path
        Where the answers are.
    table : {"events", "trickle", "fixtures", "balance", "toilets"}
        ``toilets`` has the volume per flush of each toilet, its interval and its class, as `flowsift.study.flushes`
        finds them; the bounds of ``fixtures`` are those of a use, with hands washed meanwhile.
    homes : sequence of str, optional
        Ids of the homes wanted; all where it isn't given.

    Returns
    -------
    Table
        The table's columns and a column ``home`` with the ids as text.

    Raises
    ------
    OptionError
        An unknown table.
    InputError
        No answers there, or none of a home that is wanted.

    Examples
    --------
    >>> from pathlib import Path
    >>> from flowsift.fleet import find_homes, read_answers, run_fleet
    >>> for name in ("a", "b"):
    ...     Path("homes").mkdir(exist_ok=True)
    ...     _ = Path(f"homes/{name}.csv").write_text("time,volume_l\n2024-06-12 07:00,0\n2024-06-12 07:01,6\n")
    >>> _ = run_fleet(find_homes("homes"), "answers", workers=1)
    >>> read_answers("answers", "events")["home"].tolist()
    ['a', 'b']
    """
    if table not in SCHEMAS:
        raise OptionError(f"unknown table {table!r}; known tables: {', '.join(SCHEMAS)}")
    url = absolute(out)
    fs, root = open_files(url)
    base = f"{root.rstrip('/')}/{table}"
    if not fs.exists(base):
        raise InputError(f"found no answers, expected a folder {table}: run flowsift fleet (again)", file=url)
    places: str | list[str] = base
    if homes is not None:
        places = [f"{base}/{partition_of(home)}/part-0.parquet" for home in homes]
        for home, place in zip(homes, places, strict=True):
            if not fs.exists(place):
                raise InputError(f"found no answer of home {home!r}", file=url)
    schema = pa.schema([*SCHEMAS[table], pa.field(KEY, pa.string())])
    found = ds.dataset(
        places,
        schema=schema,
        format="parquet",
        filesystem=fs,
        partitioning=ds.partitioning(pa.schema([(KEY, pa.string())]), flavor="hive"),
        partition_base_dir=base,
    )
    return Table(found.to_table().to_pandas())
