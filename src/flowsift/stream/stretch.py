"""The open stretch: cells not yet explained, and when they can be cut off so that no use is cut through.

Uses are joined over pauses of a few minutes at most (`flowsift.classify.joining`), and runs of flow over less. Once
nothing was used for longer than that, nothing before can change any more.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import Any

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.joining import SHOWER_PAUSE_S, TAP_PAUSE_S
from flowsift.errors import InputError
from flowsift.signal.layout import LEAST_USE_L
from flowsift.signal.runs import join_distance
from flowsift.stream.strict_json import Fields
from flowsift.units import SECONDS_PER_MINUTE

LONGEST_S = 6 * 3600.0
"""A stretch without a break that lasts longer is settled by force [s]: the shortest time after which a constant flow is
taken for a trickle."""

IDLE_S = 3600.0
"""A stretch in which nothing but a trickle ran is put away after this time [s]."""

LOOK_S = 30.0
"""Over a trickle, the water is looked at this often, and is cut this long before [s]."""

TRICKLE_WAVER = 0.10
"""Over a trickle, a time with no more than this share above it, and a pulse, holds no use."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Stretch:
    """Cells to explain together.

    Attributes
    ----------
    first, stop : int
        Half-open range of cells.
    cell, volume_l : ndarray, shape (n_flow,)
        Cells with flow.
    gaps : ndarray of int64, shape (n_gaps, 2)
        Missing cells.
    goes_on : tuple of bool
        Whether the flow was cut through by force at the start, and at the end.
    """

    first: int
    stop: int
    cell: IntArray
    volume_l: FloatArray
    gaps: IntArray
    goes_on: tuple[bool, bool]


def quiet_cells(*, pulse_l: float, interval_s: float) -> int:
    """Return how many cells without a use end a stretch."""
    pause = max(SHOWER_PAUSE_S, TAP_PAUSE_S, interval_s)
    return int(np.ceil(pause / interval_s)) + join_distance(pulse_l=pulse_l, interval_s=interval_s) + 1


class OpenStretch:
    """Cells since the last cut.

    Parameters
    ----------
    pulse_l, interval_s : float
        The meter's pulse [L], the length of a cell [s].
    """

    __slots__ = (
        "_cell",
        "_cut_before",
        "_first",
        "_gaps",
        "_idle",
        "_interval_s",
        "_join",
        "_last_busy",
        "_longest",
        "_look",
        "_look_at",
        "_pulse_l",
        "_quiet",
        "_run_broken",
        "_run_l",
        "_volume_l",
    )

    def __init__(self, *, pulse_l: float, interval_s: float) -> None:
        self._pulse_l, self._interval_s = pulse_l, interval_s
        self._join = join_distance(pulse_l=pulse_l, interval_s=interval_s)
        self._quiet = quiet_cells(pulse_l=pulse_l, interval_s=interval_s)
        self._longest = max(round(LONGEST_S / interval_s), 4 * self._quiet)
        self._idle = max(round(IDLE_S / interval_s), 2 * self._quiet)
        self._look = max(round(LOOK_S / interval_s), 1)
        self._cell, self._volume_l = array("q"), array("d")
        self._gaps: list[tuple[int, int]] = []
        self._first = 0
        self._last_busy = -1
        self._run_l, self._run_broken = 0.0, False
        self._look_at = 0
        self._cut_before = False

    @property
    def volume_l(self) -> float:
        """Volume not yet explained [L]."""
        return float(sum(self._volume_l))

    def flow(self, cell: int, volume_l: float) -> None:
        """Take a cell with flow."""
        if self._cell:
            if self._run_broken or cell - self._cell[-1] > self._join:
                self._run_l = 0.0
        else:
            self._open(cell)
        self._run_broken = False
        self._run_l += volume_l
        # a little less than the least use, as sums of the same volumes differ in their last digits
        if self._run_l >= LEAST_USE_L * (1.0 - 1e-9):
            self._last_busy = cell
        self._cell.append(cell)
        self._volume_l.append(volume_l)

    def _open(self, cell: int) -> None:
        if not (self._cut_before and cell - self._first <= self._join):
            self._cut_before = False
            self._first = max(self._first, cell - self._quiet)
        self._run_l = 0.0
        self._look_at = cell + self._quiet + self._look

    def missing(self, first: int, stop: int) -> None:
        """Take missing cells."""
        if not self._cell:
            return
        self._run_broken = True
        if self._gaps and self._gaps[-1][1] == first:
            self._gaps[-1] = (self._gaps[-1][0], stop)
        else:
            self._gaps.append((first, stop))

    def due(self, *, trickles: bool) -> int | None:
        """Return the cell at which the stretch is to be looked at; None while it is empty.

        Parameters
        ----------
        trickles : bool
            Whether a trickle runs.
        """
        if not self._cell:
            return None
        quiet = self._last_busy + self._quiet if self._last_busy >= self._first else self._first + self._idle
        ends = max(quiet, self._cell[-1] + self._join) + 1
        if trickles:
            ends = min(ends, self._look_at)
        return min(ends, self._first + self._longest)

    def cut(self, at: int, *, trickle_lpm: float) -> Stretch | None:
        """Cut the stretch off if it may be, at the cell `at` where it is due.

        Parameters
        ----------
        at : int
            Cells before it are settled.
        trickle_lpm : float
            Rate of the trickle that runs, 0 for none.
        """
        used = self._last_busy >= self._first
        quiet = at > (self._last_busy + self._quiet if used else self._first + self._idle)
        if quiet and at > self._cell[-1] + self._join:
            return self._cut_off(at, through=False)
        if trickle_lpm > 0 and at >= self._look_at:
            self._look_at = at + self._look
            place = at - self._look
            window = self._quiet + self._look
            if place - self._first >= window and not self._above(at - window, at, trickle_lpm):
                waits = place - self._first < self._idle and not self._above(self._first, at, trickle_lpm)
                return None if waits else self._cut_off(place, through=False)
        if at >= self._first + self._longest:
            return self._cut_by_force(at)
        return None

    def all(self, at: int) -> Stretch | None:
        """Cut everything off at the end of the feed."""
        return self._cut_off(at, through=False) if self._cell else None

    def _above(self, first: int, stop: int, trickle_lpm: float) -> bool:
        """Tell whether more than the trickle ran in cells ``[first, stop)``."""
        expected = trickle_lpm * (stop - first) * self._interval_s / SECONDS_PER_MINUTE
        total = 0.0
        for k in range(len(self._cell) - 1, -1, -1):
            if self._cell[k] < first:
                break
            total += self._volume_l[k]
        return total > (1.0 + TRICKLE_WAVER) * expected + 1.01 * self._pulse_l

    def _cut_by_force(self, at: int) -> Stretch:
        """Cut in the longest pause of the second half, or through the flow where it has none."""
        half = np.array(self._cell)[len(self._cell) // 2 :]
        step = np.append(np.diff(half), at - half[-1])
        k = int(np.argmax(step))
        if step[k] > self._join:
            return self._cut_off(int(half[k] + step[k] // 2), through=False)
        return self._cut_off(at, through=True)

    def _cut_off(self, place: int, *, through: bool) -> Stretch:
        cell, volume = np.array(self._cell, dtype=np.int64), np.array(self._volume_l, dtype=np.float64)
        n = int(np.searchsorted(cell, place))
        gaps = np.array([g for g in self._gaps if g[0] < place], dtype=np.int64).reshape(-1, 2)
        stretch = Stretch(
            first=self._first,
            stop=place,
            cell=cell[:n],
            volume_l=volume[:n],
            gaps=np.minimum(gaps, place),
            goes_on=(self._cut_before, through),
        )
        self._cell, self._volume_l = array("q", cell[n:].tolist()), array("d", volume[n:].tolist())
        self._gaps = [(max(a, place), b) for a, b in self._gaps if b > place and n < cell.size]
        self._first, self._cut_before = place, through
        if not self._cell:
            self._run_l = 0.0
        return stretch

    def state(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "first": self._first,
            "cell": self._cell.tolist(),
            "volume_l": self._volume_l.tolist(),
            "gaps": [list(g) for g in self._gaps],
            "last_busy": self._last_busy,
            "run_l": self._run_l,
            "run_broken": self._run_broken,
            "look_at": self._look_at,
            "cut_before": self._cut_before,
        }

    def resume(self, fields: Fields, *, stop: int) -> None:
        """Take up a state; cells before `stop` are settled.

        Raises
        ------
        InputError
            If it isn't one.
        """
        cell, volume = fields.integers("cell"), fields.floats("volume_l")
        if cell.size != volume.size or (np.diff(cell) <= 0).any() or (volume <= 0).any():
            raise InputError("the state's open cells don't rise, or their volumes aren't above 0")
        if (cell >= stop).any():
            raise InputError(
                f"the state's open cells go to {int(cell[-1])}, though it settled those before {stop} only"
            )
        self._cell, self._volume_l = array("q", cell.tolist()), array("d", volume.tolist())
        self._gaps = [(int(a), int(b)) for a, b in fields.integers("gaps", -1, 2)]
        self._first = fields.integer("first", least=0)
        self._last_busy = fields.integer("last_busy", least=-1)
        self._run_l, self._run_broken = fields.number("run_l", least=0.0), fields.flag("run_broken")
        self._look_at, self._cut_before = fields.integer("look_at", least=0), fields.flag("cut_before")
