"""Rows as they arrive, put on the grid: late, repeated, conflicting and missing ones settled as a file's are.

A cell stays open until rows are `hold` cells past it. Until then a late row still finds its place, a row that repeats
another is dropped, and rows that give one cell different volumes leave it missing, as none of them can be preferred.
"""

from __future__ import annotations

import math
from array import array
from collections.abc import Iterable
from typing import Any, Literal, Protocol

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError, OptionError
from flowsift.ingest.limits import spike_limit_l
from flowsift.ingest.options import Absent
from flowsift.ingest.placing import snapped_start
from flowsift.ingest.spacing import prevailing_interval_ns
from flowsift.stream.strict_json import Fields
from flowsift.units import NS_PER_S

LEAST_HOLD = 2
"""A row that a drifting clock put one cell late is told by the row after it [cells]."""

NO_ROW, NO_VALUE, CONFLICT = -1.0, -2.0, -3.0
"""Marks of open cells without a volume."""

MARKS = (NO_ROW, NO_VALUE, CONFLICT)

SAME_ROW = 0.5
"""Rows of one cell closer than this share of it claim the same volume; others are neighbours on a drifting clock."""

SLIPPED = 1.5
"""Rows two cells apart whose times are less than this many intervals apart have no missing cell between them."""

LEAP_S = 3600.0
"""A row this far ahead of all before it is set aside: a clock that jumps ahead for some rows must not make all others
late [s]."""

AGREEING_ROWS = 8
"""Rows set aside, each not before the others, that make a pause of the feed: soon after a logger is back, and more than
a clock that is wrong for a moment gives (assumption)."""

SPACED_ROWS = 16
"""First rows needed to tell how far apart they are: a feed that loses many rows has two neighbours among so many."""

OTHER_SPACING = 1.5
"""Rows that are this many times further apart than an interval, or nearer, have another interval."""

MOST_EARLY = 4
"""First rows kept to find the earliest, for each cell that late rows are waited for."""

Fault = Literal["too late", "repeated", "conflicting", "without a value", "impossible flow", "missing", "stray"]

FAULTS: tuple[Fault, ...] = (
    "too late",
    "repeated",
    "conflicting",
    "without a value",
    "impossible flow",
    "missing",
    "stray",
)


class Cells(Protocol):
    """What takes settled cells, in order."""

    def flow(self, cell: int, volume_l: float) -> None:
        """Take a cell with flow."""

    def missing(self, first: int, stop: int) -> None:
        """Take a range of cells without data."""


class Arrivals:
    """The door: rows in, settled cells out.

    Parameters
    ----------
    interval_ns : int
    hold : int
        Cells for which late rows are waited for, >= `LEAST_HOLD`.
    pulse_l : float
        Of the home's meter [L].
    absent : {"missing", "zero"}
        What a cell without a row means.
    """

    __slots__ = (
        "_absent",
        "_aside",
        "_at",
        "_early",
        "_early_span",
        "_faults",
        "_hold",
        "_leap",
        "_limit_l",
        "_pulse_l",
        "_value",
        "done",
        "interval_ns",
        "newest",
        "start_ns",
    )

    def __init__(self, *, interval_ns: int, hold: int, pulse_l: float, absent: Absent) -> None:
        self.interval_ns = interval_ns
        self.start_ns: int | None = None
        self.newest = -1
        self.done = 0
        self._faults: dict[Fault, int] = dict.fromkeys(FAULTS, 0)
        self._aside: list[tuple[int, float]] = []
        self._leap = max(round(LEAP_S * NS_PER_S / interval_ns), 2 * hold)
        # rows as keys: the first ones, each once
        self._early: dict[tuple[int, float], None] = {}
        self._early_span: tuple[float, float] = (math.inf, -math.inf)
        self._pulse_l = pulse_l
        self._hold = hold
        self._absent = absent
        self._limit_l = float(spike_limit_l(None, interval_ns=interval_ns, pulse_l=pulse_l))
        self._value = array("d", [NO_ROW]) * (hold + 3)
        self._at = array("q", [0]) * (hold + 3)

    def take(self, ns: IntArray, volume_l: FloatArray, cells: Cells) -> None:
        """Take rows in the order of arrival and hand on the cells that are settled by them.

        Parameters
        ----------
        ns : ndarray of int64, shape (n_rows,)
        volume_l : ndarray of float64, shape (n_rows,)
            NaN where a row has none.
        cells : Cells

        Raises
        ------
        OptionError
            If the first rows have another interval.
        """
        n = 0
        while n < ns.size and (self.start_ns is None or self._aside):
            self.take_one(int(ns[n]), float(volume_l[n]), cells)
            n += 1
        if ns.size - n > 2 * self._hold and self._take_clean(ns[n:], volume_l[n:], cells):
            return
        for at, volume in zip(ns[n:].tolist(), volume_l[n:].tolist(), strict=True):
            self.take_one(at, volume, cells)

    def ns_of(self, cell: int) -> int:
        """Return the time of a cell, UTC nanoseconds."""
        return (self.start_ns or 0) + cell * self.interval_ns

    def cell_of(self, ns: int) -> int:
        """Return the cell of a time."""
        return (ns - (self.start_ns or 0)) // self.interval_ns

    @property
    def faults(self) -> dict[str, int]:
        """How many rows or cells something was wrong with, by what it was."""
        return {str(fault): n for fault, n in self._faults.items() if n}

    def flush(self, cells: Cells) -> None:
        """Settle every cell up to the newest row."""
        if self._early:
            self._start(cells)
        for at, volume in self._aside:
            self._place(at, volume, self._cell(at), cells)
        self._aside = []
        self._settle(self.newest + 1, cells)

    def _take_early(self, at: int, volume: float, cells: Cells) -> None:
        """Keep the first rows until it is sure which of them is the earliest."""
        row = at, _told(volume)
        if row in self._early:
            self._count("repeated", 1)
            return
        self._early[row] = None
        first, last = self._early_span
        self._early_span = min(first, at), max(last, at)
        waited = self._early_span[1] - self._early_span[0] >= self._hold * self.interval_ns
        n = len(self._early)
        if (waited and n >= SPACED_ROWS) or n > max(MOST_EARLY * self._hold, SPACED_ROWS):
            self._start(cells)

    def _start(self, cells: Cells) -> None:
        early, self._early = self._early, {}
        first_ns, self._early_span = self._early_span[0], (math.inf, -math.inf)
        self._check_spacing(early)
        self.start_ns = snapped_start(float(first_ns), self.interval_ns)
        for at, volume in early:
            self.take_one(at, volume, cells)

    def _check_spacing(self, early: Iterable[tuple[int, float]]) -> None:
        """Raise `OptionError` if the first rows have another interval.

        Rows further apart than an interval may also be those of a meter that sends rows only when water runs: it sends
        no more than one pulse in each then, as other flow would give neighbours.
        """
        ns = np.unique([at for at, _ in early])
        if ns.size < SPACED_ROWS:
            return
        usual_ns = prevailing_interval_ns(ns)
        step = np.diff(ns)
        coarse = (
            self._absent == "missing"
            and step.min() > OTHER_SPACING * self.interval_ns
            and (step <= OTHER_SPACING * step.min()).mean() >= 0.5
            and not all(0 < volume <= OTHER_SPACING * self._pulse_l for _, volume in early)
        )
        if coarse or usual_ns * OTHER_SPACING < self.interval_ns:
            raise OptionError(
                f"the rows have intervals of {usual_ns / NS_PER_S:g} s, the home of {self.interval_ns / NS_PER_S:g} s"
            )

    def _cell(self, at: int) -> int:
        return (2 * (at - (self.start_ns or 0)) + self.interval_ns) // (2 * self.interval_ns)

    def take_one(self, at: int, volume: float, cells: Cells) -> None:
        """Take one row, as `take` does."""
        if self.start_ns is None:
            self._take_early(at, volume, cells)
            return
        cell = self._cell(at)
        if cell - self.newest > self._leap:
            self._set_aside(at, volume, cells)
            return
        if self._aside and cell > self.newest:
            self._count("stray", len(self._aside))
            self._aside = []
        self._place(at, volume, cell, cells)

    def _set_aside(self, at: int, volume: float, cells: Cells) -> None:
        """Keep a row that leaps ahead until enough rows agree with it; those that it lies before were stray."""
        aside = [row for row in self._aside if row[0] < at + self._hold * self.interval_ns]
        self._count("stray", len(self._aside) - len(aside))
        same = next((k for k, row in enumerate(aside) if row[0] == at), None)
        volume = _told(volume)
        if same is None:
            aside.append((at, volume))
        elif aside[same][1] == volume:
            self._count("repeated", 1)
        else:
            self._count("conflicting", 1)
            aside[same] = at, NO_VALUE
        self._aside = aside
        if len(aside) == AGREEING_ROWS:
            self._aside = []
            first_at, first_volume = aside[0]
            self._place(first_at, first_volume, self._cell(first_at), cells)
            for row in aside[1:]:
                self.take_one(*row, cells)

    def _place(self, at: int, volume: float, cell: int, cells: Cells) -> None:
        if cell < self.done:
            self._count("too late", 1)
            return
        if cell > self.newest:
            self._settle(cell + 1 - self._hold, cells)
            self.newest = cell
        if not 0.0 <= volume < math.inf:
            self._count("without a value", 1)
            volume = NO_VALUE
        k = cell % len(self._value)
        before = self._value[k]
        if before in (NO_ROW, NO_VALUE):
            self._value[k] = volume
            self._at[k] = at
        elif volume == NO_VALUE:
            return
        elif before >= 0 and cell == self.newest and at - self._at[k] >= SAME_ROW * self.interval_ns:
            self._value[k] = before + volume
        elif before == volume:
            self._count("repeated", 1)
        else:
            self._count("conflicting", 1)
            self._value[k] = CONFLICT

    def _settle(self, stop: int, cells: Cells) -> None:
        """Settle the cells before `stop`."""
        if stop <= self.done:
            return
        size = len(self._value)
        for cell in range(self.done, min(stop, self.newest + 1)):
            k = cell % size
            value = self._value[k]
            self._value[k] = NO_ROW
            if value >= 0.0:
                if cell < self.newest and self._value[(cell + 1) % size] == NO_ROW:
                    value = self._share_with_slip(cell, value)
                if value > self._limit_l:
                    self._count("impossible flow", 1)
                    cells.missing(cell, cell + 1)
                elif value > 0.0:
                    cells.flow(cell, value)
            elif value != NO_ROW or self._absent == "missing":
                if value == NO_ROW:
                    self._count("missing", 1)
                cells.missing(cell, cell + 1)
        if stop > self.newest + 1 and self._absent == "missing":
            first = max(self.done, self.newest + 1)
            self._count("missing", stop - first)
            cells.missing(first, stop)
        self.done = stop

    def _share_with_slip(self, cell: int, value: float) -> float:
        """Give half of a volume to an empty next cell that only the clock's drift left empty."""
        size = len(self._value)
        here, hole, after = cell % size, (cell + 1) % size, (cell + 2) % size
        if cell + 2 > self.newest or self._value[after] == NO_ROW:
            return value
        if self._at[after] - self._at[here] >= SLIPPED * self.interval_ns:
            return value
        self._value[hole] = value / 2
        self._at[hole] = self._at[here]
        return value / 2

    def _take_clean(self, ns: IntArray, volume_l: FloatArray, cells: Cells) -> bool:
        """Take rows that carry on in order without a fault, all at once; False where they don't."""
        cell = (2 * (ns - (self.start_ns or 0)) + self.interval_ns) // (2 * self.interval_ns)
        step = np.diff(cell, prepend=self.newest)
        if step[0] != 1 or step.min() < 1 or step.max() > self._leap:
            return False
        if not (volume_l.min() >= 0 and volume_l.max() <= self._limit_l):
            return False
        if bool(((step[1:] == 2) & (np.diff(ns) < SLIPPED * self.interval_ns)).any()):
            return False
        stop = int(cell[-1]) + 1 - self._hold
        self._settle(min(self.newest + 1, stop), cells)
        n_settled = int(np.searchsorted(cell, stop))
        self._settle_clean(cell[:n_settled], volume_l[:n_settled], step[:n_settled], cells)
        left = max(int(cell[n_settled - 1]) + 1 if n_settled else self.newest + 1, self.done)
        if self._absent == "missing" and left < stop:
            self._count("missing", stop - left)
            cells.missing(left, stop)
        self.done = max(stop, self.done)
        self.newest = int(cell[-1])
        size = len(self._value)
        for c, at, volume in zip(
            cell[n_settled:].tolist(), ns[n_settled:].tolist(), volume_l[n_settled:].tolist(), strict=True
        ):
            self._value[c % size] = volume
            self._at[c % size] = at
        return True

    def _settle_clean(self, cell: IntArray, volume_l: FloatArray, step: IntArray, cells: Cells) -> None:
        holes = self._absent == "missing"
        matters = np.flatnonzero((volume_l > 0) | (step > 1) if holes else volume_l > 0)
        for c, gap, volume in zip(
            cell[matters].tolist(), step[matters].tolist(), volume_l[matters].tolist(), strict=True
        ):
            if holes and gap > 1:
                self._count("missing", gap - 1)
                cells.missing(c - gap + 1, c)
            if volume > 0:
                cells.flow(c, volume)

    def _count(self, fault: Fault, n: int) -> None:
        self._faults[fault] += n

    def state(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        size = len(self._value)
        opened = [c for c in range(self.done, self.newest + 1) if self._value[c % size] != NO_ROW]
        return {
            "start_ns": self.start_ns,
            "newest": self.newest,
            "done": self.done,
            "faults": {str(fault): n for fault, n in self._faults.items()},
            "early": [list(row) for row in self._early],
            "aside": [list(row) for row in self._aside],
            "open": [[c, self._at[c % size], self._value[c % size]] for c in opened],
        }

    def resume(self, fields: Fields) -> None:
        """Take up a state.

        Raises
        ------
        InputError
            If it isn't one.
        """
        self.start_ns = fields.integer("start_ns") if fields.has("start_ns") else None
        self.newest, self.done = fields.integer("newest", least=-1), fields.integer("done", least=0)
        counts = fields.part("faults")
        self._faults = {fault: counts.integer(fault, least=0) for fault in FAULTS}
        self._early = dict.fromkeys((at, value) for at, value in _rows(fields, "early", 2))
        if self._early:
            times = [at for at, _ in self._early]
            self._early_span = min(times), max(times)
        self._aside = [(at, value) for at, value in _rows(fields, "aside", 2)]
        if len(self._aside) >= AGREEING_ROWS:
            raise InputError(f"the state holds {len(self._aside)} rows aside, expected less than {AGREEING_ROWS}")
        if self.start_ns is None and self.newest >= 0:
            raise InputError("the state has rows but no start")
        for cell, at, value in _rows(fields, "open", 3):
            if not self.done <= cell <= self.newest:
                raise InputError(f"the state holds an open cell {cell!r} outside of {self.done} to {self.newest}")
            self._value[cell % len(self._value)] = value
            self._at[cell % len(self._value)] = at
        if self.newest - self.done >= len(self._value):
            raise InputError("the state holds more open cells than late rows are waited for")


def _told(volume: float) -> float:
    """Return the volume that a row has, or the mark of none."""
    return volume if 0.0 <= volume < math.inf else NO_VALUE


def _rows(fields: Fields, name: str, width: int) -> list[Any]:
    """Return rows of whole numbers and a volume or mark at last."""
    fields.floats(name, -1, width)
    rows = list(fields.value(name))
    for *whole, value in rows:
        if not all(isinstance(n, int) and abs(n) < 2**63 for n in whole) or not (value >= 0 or value in MARKS):
            raise InputError(f"the state's {name} rows: found {[*whole, value]}, expected whole numbers and a volume")
    return [(*whole, float(value)) for *whole, value in rows]
