"""What a logger loses and garbles between the meter and the file."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.households.options import check_number
from flowsift.trace import FloatArray, IntArray
from flowsift.units import SECONDS_PER_DAY


@dataclass(frozen=True, kw_only=True)
class Faults:
    """Faults of a log.

    Attributes
    ----------
    dropped : float
        Share of rows that are lost one by one.
    duplicated : float
        Share of rows written twice.
    disordered : float
        Share of rows that begin a stretch written out of order.
    gaps_per_d : float
        Mean number of longer gaps a day.
    gap_min : float
        Usual length of such a gap [min].
    noise : float
        Standard deviation of each volume as a share; a meter with noise shows no clean pulses.
    drift_ppm : float
        Parts per million by which the logger's clock runs fast.

    Examples
    --------
    >>> from flowsift.households import Faults, simulate
    >>> home = simulate(3, days=1, faults=Faults(gaps_per_d=3.0))
    >>> home.trace.gap_s > 0
    True
    """

    dropped: float = 0.0
    duplicated: float = 0.0
    disordered: float = 0.0
    gaps_per_d: float = 0.0
    gap_min: float = 45.0
    noise: float = 0.0
    drift_ppm: float = 0.0

    @property
    def spoil_rows(self) -> bool:
        """Whether rows are lost, doubled, disordered or noisy."""
        return max(self.dropped, self.duplicated, self.disordered, self.gaps_per_d, self.noise) > 0.0

    def checked(self) -> Faults:
        """Return itself.

        Raises
        ------
        OptionError
            If one lies outside `RANGES`.
        """
        for name, (low, high) in RANGES.items():
            check_number(name, getattr(self, name), low, high)
        return self


RANGES = {
    "dropped": (0.0, 0.9),
    "duplicated": (0.0, 0.9),
    "disordered": (0.0, 0.9),
    "gaps_per_d": (0.0, 1440.0),
    "gap_min": (0.0, 1e6),
    "noise": (0.0, 10.0),
    "drift_ppm": (-1e5, 1e5),
}
"""Least and most of each fault: far beyond any logger (assumption), and still a log."""


COMMON = Faults(
    dropped=0.0005, duplicated=0.0005, disordered=0.0002, gaps_per_d=0.15, gap_min=45.0, noise=0.0, drift_ppm=25.0
)
"""Faults of an ordinary logger (assumption)."""

HARSH = Faults(
    dropped=0.006, duplicated=0.004, disordered=0.001, gaps_per_d=0.6, gap_min=90.0, noise=0.01, drift_ppm=60.0
)
"""Faults of a bad logger (assumption)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class RawRows:
    """Rows as a logger wrote them: `cell` in order of writing, and `volume_l` [L], both shape (n_rows,)."""

    cell: IntArray
    volume_l: FloatArray


def logged(
    cell: IntArray, volume_l: FloatArray, faults: Faults, *, n_cells: int, interval_s: float, rng: np.random.Generator
) -> RawRows:
    """Return the rows that a logger with faults writes for a record.

    Parameters
    ----------
    cell, volume_l : ndarray, shape (n_flow,)
        Cells with flow, increasing, and their volume [L].
    faults : Faults
    n_cells : int
    interval_s : float
    rng : Generator
    """
    volume = np.zeros(n_cells)
    volume[cell] = volume_l
    if faults.noise > 0:
        volume[cell] *= np.maximum(rng.normal(1.0, faults.noise, cell.size), 0.05)
    keep = rng.random(n_cells) >= faults.dropped
    for _ in range(rng.poisson(faults.gaps_per_d * n_cells * interval_s / SECONDS_PER_DAY)):
        begin = int(rng.integers(n_cells))
        length = int(np.ceil(faults.gap_min * 60.0 * rng.gamma(1.5, 1 / 1.5) / interval_s))
        keep[begin : begin + length] = False
    keep[[0, -1]] = True
    rows = np.flatnonzero(keep)
    copies = 1 + (rng.random(rows.size) < faults.duplicated)
    rows = np.repeat(rows, copies)
    # A stretch of rows arrives late: it swaps places with the next one.
    for first in np.flatnonzero(rng.random(rows.size) < faults.disordered):
        length = int(rng.integers(1, 12))
        a, b, c = first, first + length, first + 2 * length
        if c <= rows.size:
            rows[a:c] = np.concatenate([rows[b:c], rows[a:b]])
    return RawRows(cell=rows, volume_l=volume[rows])
