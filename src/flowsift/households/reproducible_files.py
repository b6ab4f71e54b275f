"""Tables and texts in files that come out the same, byte for byte, each time they are written."""

from __future__ import annotations

import gzip
from pathlib import Path

import pandas as pd

from flowsift.files import replace_file

DIGITS = "%.12g"
"""Numbers are written to twelve significant digits: beyond any meter, short for round values."""


def write_reproducible_table(table: pd.DataFrame, path: Path) -> None:
    """Write a table as CSV, compressed where the name ends in ``.gz``; times in ISO 8601 with milliseconds, UTC."""
    out = table.copy()
    for name in out.columns:
        if isinstance(out[name].dtype, pd.DatetimeTZDtype):
            out[name] = out[name].dt.tz_convert("UTC").dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
    write_reproducible_text(out.to_csv(index=False, float_format=DIGITS, lineterminator="\n"), path)


def write_reproducible_text(text: str, path: Path) -> None:
    """Write text as UTF-8, compressed where the name ends in ``.gz`` (no name and no time inside)."""
    data = text.encode("utf-8")
    packed = gzip.compress(data, compresslevel=9, mtime=0) if path.suffix == ".gz" else data
    replace_file(path, lambda temporary: temporary.write_bytes(packed))
