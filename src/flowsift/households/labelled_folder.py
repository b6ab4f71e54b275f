"""A simulated home in a folder: the meter's log as any reader takes it, and trace and truth as the benchmark does."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import pandas as pd

from flowsift.files import replace_file
from flowsift.households.household import Household

Form = Literal["parquet", "csv"]

LOG_FILES: dict[Form, str] = {"parquet": "log.parquet", "csv": "log.csv.gz"}
"""Name of the log's file in each form."""


def write_labelled_folder(household: Household, folder: str | Path, *, form: Form = "parquet") -> Path:
    """Write a home: its log, and beside it the trace and the truth (see `Household.write`).

    Parameters
    ----------
    household : Household
    folder : path
        Created if need be.
    form : {"parquet", "csv"}
        Of the log: a row an interval as the logger wrote them, ``time`` (UTC) and ``volume_l``.

    Returns
    -------
    Path
        The log.
    """
    folder = Path(folder)
    household.write(folder)
    log = folder / LOG_FILES[form]
    if form == "csv":
        household.write_log(log)
    else:
        times, volume_l = household.raw_rows()
        rows = pd.DataFrame({"time": times, "volume_l": volume_l})
        replace_file(log, lambda temporary: rows.to_parquet(temporary, index=False, compression="zstd"))
    return log
