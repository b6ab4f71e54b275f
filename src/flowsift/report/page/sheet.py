"""One table of the page: the rows that are shown, and the whole of it as a file to download."""

from __future__ import annotations

import base64
import gzip
from dataclasses import dataclass
from typing import Any

import pandas as pd

from flowsift.files import guard_formulas
from flowsift.tables import Table

MOST_ROWS = 4000
"""Rows beyond which a table lies packed in the page, to be unpacked when it is downloaded: a year of uses would
outweigh the rest."""

DOWNLOAD_DIGITS = 6
"""Digits that count in a downloaded table."""


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """One table.

    Attributes
    ----------
    key : str
        Its name in the page and of the file that is downloaded.
    caption : str
    head : tuple of str
    rows : tuple of tuple
        Cells: text, or marked-up amounts.
    none : str
        What is said where there are no rows.
    foot : tuple
        Totals, empty where none makes sense.
    table : Table
        What is downloaded.
    """

    key: str
    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[Any, ...], ...]
    table: Table
    none: str = "None found."
    foot: tuple[Any, ...] = ()

    @property
    def packed(self) -> bool:
        """Whether the addresses hold gzip: the page's script unpacks it."""
        return len(self.table) > MOST_ROWS

    @property
    def si(self) -> str:
        """The table as a data address, in litres."""
        return _data_address(self.table, packed=self.packed)

    @property
    def us(self) -> str:
        """The table as a data address, in gallons."""
        return _data_address(self.table.in_us_units(), packed=self.packed)


def _data_address(table: pd.DataFrame, *, packed: bool) -> str:
    text = guard_formulas(table).to_csv(index=False, float_format=f"%.{DOWNLOAD_DIGITS}g").encode()
    kind = "application/gzip" if packed else "text/csv;charset=utf-8"
    content = gzip.compress(text, mtime=0) if packed else text
    return f"data:{kind};base64,{base64.b64encode(content).decode()}"
