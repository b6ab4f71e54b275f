"""The tables of a home's answer as Parquet, the same bytes for the same answer."""

from __future__ import annotations

from dataclasses import asdict
from types import MappingProxyType

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from flowsift.disaggregation import Disaggregation
from flowsift.fleet.names import KEY
from flowsift.study.flushes_homes import TOILET_TYPES, HomesStudy

# Microseconds: what every reader of Parquet takes; nanoseconds are refused by some.
_TIME = pa.timestamp("us", tz="UTC")

_KINDS = {"str": pa.string(), "int64": pa.int64(), "float64": pa.float64(), "bool": pa.bool_()}

SCHEMAS = MappingProxyType(
    {
        "events": pa.schema(
            {
                "start": _TIME,
                "end": _TIME,
                "duration_s": pa.float64(),
                "volume_l": pa.float64(),
                "mean_lpm": pa.float64(),
                "peak_lpm": pa.float64(),
                "label": pa.string(),
                "probability": pa.float64(),
                "fixture": pa.string(),
                "cycle": pa.int64(),
                "overlaps": pa.bool_(),
            }
        ),
        "trickle": pa.schema(
            {
                "start": _TIME,
                "end": _TIME,
                "rate_lpm": pa.float64(),
                "low_lpm": pa.float64(),
                "high_lpm": pa.float64(),
                "volume_l": pa.float64(),
            }
        ),
        "fixtures": pa.schema(
            {
                "fixture": pa.string(),
                "label": pa.string(),
                "uses": pa.int64(),
                "volume_l": pa.float64(),
                "typical_volume_l": pa.float64(),
                "low_l": pa.float64(),
                "high_l": pa.float64(),
                "typical_lpm": pa.float64(),
            }
        ),
        "balance": pa.schema(
            {
                "metered_l": pa.float64(),
                "events_l": pa.float64(),
                "trickle_l": pa.float64(),
                "unexplained_l": pa.float64(),
                "gap_s": pa.float64(),
            }
        ),
        "toilets": pa.schema({name: _KINDS[kind] for name, kind in TOILET_TYPES.items() if name != KEY}),
    }
)
"""Columns of each table, by its name; as those of `Disaggregation` and `TOILET_TYPES`, times to the microsecond."""


def answer_tables(result: Disaggregation, study: HomesStudy) -> dict[str, pa.Table]:
    """Return the tables of a home's answer and of the study of its toilets, with the columns of `SCHEMAS`.

    Nothing found is a table without rows.
    """
    frames = {
        "events": result.events,
        "trickle": result.trickle,
        "fixtures": result.fixtures,
        "balance": pd.DataFrame([asdict(result.balance)]),
        "toilets": study.toilets,
    }
    return {
        name: pa.Table.from_pandas(
            pd.DataFrame(frames[name], columns=schema.names), schema=schema, preserve_index=False, safe=False
        ).replace_schema_metadata()
        for name, schema in SCHEMAS.items()
    }


def parquet_bytes(table: pa.Table) -> bytes:
    """Return a table as the content of a Parquet file."""
    sink = pa.BufferOutputStream()
    pq.write_table(table, sink, compression="zstd")
    return bytes(sink.getvalue())
