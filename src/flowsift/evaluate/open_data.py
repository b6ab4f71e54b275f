"""Real homes with known truth, read in place from a folder that the user names."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from flowsift.disaggregation import overlapping
from flowsift.errors import InputError
from flowsift.grouping import expand_ranges, sum_by
from flowsift.households.truth import CellVolumes, Truth, TruthShares, event_table, fixtures_table, trickle_table
from flowsift.trace import Trace
from flowsift.units import NS_PER_S

APARTMENT = "apartment"
"""Name of the open apartment, as a home and as a set of one home."""

APARTMENT_ATTRIBUTION = (
    "Data: A. Di Mauro, S. Venticinque, G. F. Santonastaso, A. Di Nardo, open residential end-use data set (one "
    "apartment in Naples, 2019), first described in Di Mauro et al., An IoT system for monitoring and data collection "
    "of residential water end-use consumption, ICCCN 2019. Licence: CC BY 4.0. Tidied, cut and summed to a "
    "whole-house trace."
)
"""Attribution that has to stand wherever a figure or plot made from the apartment is shown."""

APARTMENT_LABEL = {"faucet": "faucet", "toilet": "flush", "shower": "shower", "clothes_washer": "clothes_washer"}
"""Label of each ``kind`` in the apartment's ``draws.csv``."""

APARTMENT_PULSE_L = 0.002
"""Volume of one pulse of the apartment's sensors [L], from the data set's notes."""

APARTMENT_TIMEZONE = "Europe/Rome"


def read_apartment(folder: str | Path) -> tuple[Trace, Truth]:
    """Read the open apartment as a trace and its truth.

    A draw's truth is what its fixture's own sensor counted from the draw's start to its end; stray pulses of 2 to 4 mL
    outside every draw stay in the trace and have no truth. There is no trickle. Seconds without a row had no flow.

    Parameters
    ----------
    folder : path
        Holds ``whole_house_1s.parquet`` (t, ml), ``fixture_samples.parquet`` (t, ml, fixture) and ``draws.csv``
        (fixture, kind, start, end, volume_ml, cycle); Unix seconds, UTC, ends exclusive.

    Returns
    -------
    Trace
        Cells of 1 s from the first whole UTC day to the last second with flow.
    Truth

    Raises
    ------
    InputError
        If a file is missing or a draw has an unknown kind (names it).
    """
    folder = Path(folder)
    house, samples, draws = (_read(folder / name) for name in _FILES)
    unknown = np.flatnonzero(~draws["kind"].isin(list(APARTMENT_LABEL)))
    if unknown.size:
        raise InputError(
            f"found {draws['kind'].iloc[unknown[0]]!r}, expected one of {', '.join(APARTMENT_LABEL)}",
            file="draws.csv",
            row=int(unknown[0]) + 2,
            column="kind",
        )
    draws = draws.sort_values(["start", "end"], ignore_index=True)
    first_s = int(house["t"].min()) // 86_400 * 86_400
    last_s = max(int(house["t"].max()) + 1, int(draws["end"].max()))
    house = house.sort_values("t")
    trace = Trace(
        start_ns=first_s * NS_PER_S,
        interval_ns=NS_PER_S,
        n_cells=last_s - first_s,
        cell=house["t"].to_numpy(np.int64) - first_s,
        volume_l=house["ml"].to_numpy(np.float64) / 1e3,
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=APARTMENT_PULSE_L,
        timezone=APARTMENT_TIMEZONE,
    )
    shares = _within(trace, _shares(draws, samples, first_s))
    return trace, _truth(draws, shares)


_FILES = ("whole_house_1s.parquet", "fixture_samples.parquet", "draws.csv")


def _read(path: Path) -> pd.DataFrame:
    if not path.is_file():
        raise InputError(f"no such file; the folder must hold {', '.join(_FILES)}", file=str(path))
    return pd.read_csv(path) if path.suffix == ".csv" else pd.read_parquet(path)


def _shares(draws: pd.DataFrame, samples: pd.DataFrame, first_s: int) -> TruthShares:
    """Give each fixture's samples to the draws of that fixture that run at the time, in equal parts.

    Only the toilet's draws ever overlap each other (a flush during the nominal refill of the last one), and those have
    the same flow: equal parts are exact.
    """
    parts = []
    for fixture, own in draws.groupby("fixture"):
        sample = samples[samples["fixture"] == fixture].groupby("t")["ml"].sum().sort_index()
        second, millilitres = sample.index.to_numpy(np.int64), sample.to_numpy(np.float64)
        first, stop = np.searchsorted(second, own["start"]), np.searchsorted(second, own["end"])
        row, position = expand_ranges(first, stop)
        draws_here = np.bincount(position, minlength=second.size)[position]
        parts.append(
            (own.index.to_numpy(np.int64)[row], second[position] - first_s, millilitres[position] / 1e3 / draws_here)
        )
    event, cell, volume_l = (np.concatenate(part) for part in zip(*parts, strict=True))
    order = np.lexsort((event, cell))
    return TruthShares(event=event[order], cell=cell[order], volume_l=volume_l[order])


def _within(trace: Trace, shares: TruthShares) -> TruthShares:
    """Take off what a cell's shares exceed its volume by: the files round to single precision, each in its own way."""
    place = np.searchsorted(trace.cell, shares.cell)
    total = sum_by(place, shares.volume_l, trace.n_flow)
    return replace(shares, volume_l=shares.volume_l * np.minimum(trace.volume_l[place] / total[place], 1.0))


def _truth(draws: pd.DataFrame, shares: TruthShares) -> Truth:
    label = draws["kind"].map(APARTMENT_LABEL)
    start, end = draws["start"].to_numpy(np.int64), draws["end"].to_numpy(np.int64)
    metered_l = sum_by(shares.event, shares.volume_l, len(draws))
    nothing = np.empty(0, np.int64)
    names = draws.assign(label=label).drop_duplicates("fixture").sort_values("fixture")
    return Truth(
        events=event_table(
            {
                "start": pd.to_datetime(start, unit="s", utc=True),
                "end": pd.to_datetime(end, unit="s", utc=True),
                "label": label,
                "fixture": draws["fixture"],
                "cycle": draws["cycle"].astype("Int64"),
                "volume_l": draws["volume_ml"] / 1e3,
                "metered_l": metered_l,
                "overlaps": overlapping(start, end),
            }
        ),
        shares=shares,
        trickle_cells=CellVolumes(cell=nothing, volume_l=np.empty(0)),
        trickle=trickle_table({}),
        fixtures=fixtures_table({"fixture": names["fixture"], "label": names["label"]}),
        card={"home": APARTMENT, "real": True, "attribution": APARTMENT_ATTRIBUTION},
    )
