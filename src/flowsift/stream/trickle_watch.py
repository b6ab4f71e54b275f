"""The trickle as it is known now: the search of `flowsift.signal.trickle` over the last two days, block by block."""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np

from flowsift.arrays import BoolArray
from flowsift.disaggregation import TrickleSpans
from flowsift.errors import InputError
from flowsift.signal.blocks import MISSING_SHARE, Blocks, block_cells, block_resolution
from flowsift.signal.trickle_floor import PAUSE_SLACK, SCALES, floor_rate
from flowsift.signal.trickle_level import level_pieces
from flowsift.signal.trickle_rate import CHANGE, measured_rate
from flowsift.stream.strict_json import Fields
from flowsift.units import SECONDS_PER_MINUTE

ENOUGH_KNOWN = 0.8
"""Share of the shortest window that must be known before a trickle carried over from the record is given up."""


@dataclass(frozen=True, kw_only=True)
class Running:
    """A trickle: cell from which it runs, and its rate [L/min]."""

    since: int
    rate_lpm: float
    low_lpm: float
    high_lpm: float


@dataclass(frozen=True, kw_only=True)
class Ended:
    """A trickle that ran until the cell `end`."""

    trickle: Running
    end: int


Change = tuple[Literal["found", "changed", "ended"], Running]


def kept_blocks(interval_s: float) -> int:
    """Return how many blocks the longest look for a trickle needs."""
    return round(SCALES[-1].window_s / (block_cells(interval_s) * interval_s))


class TrickleWatch:
    """Blocks of the last two days, and the trickle that they show.

    Parameters
    ----------
    pulse_l, interval_s : float
        The meter's pulse [L], the length of a cell [s].
    """

    __slots__ = (
        "_block_volume_l",
        "_cells",
        "_keep",
        "_known",
        "_last_flow",
        "_missing_now",
        "_pause_broken",
        "_pause_cells",
        "_pause_now",
        "_volume_l",
        "due",
        "ended",
        "interval_s",
        "pulse_l",
        "running",
        "told_lpm",
    )

    def __init__(self, *, pulse_l: float, interval_s: float) -> None:
        self.pulse_l = pulse_l
        self.interval_s = interval_s
        self._cells = block_cells(interval_s)
        self._keep = kept_blocks(interval_s)
        self.due = self._cells
        self.running: Running | None = None
        self.ended: list[Ended] = []
        self.told_lpm = 0.0
        self._volume_l, self._pause_cells, self._known = array("d"), array("q"), array("b")
        self._block_volume_l, self._pause_now, self._missing_now = 0.0, 0, 0
        self._last_flow, self._pause_broken = -1, False

    def start_from(self, past: Blocks, running: Running | None) -> None:
        """Lay the blocks of a record that went before under the first one, and carry its trickle over."""
        self._volume_l = array("d", past.volume_l.tolist())
        self._pause_cells = array("q", np.rint(past.pause_s / self.interval_s).astype(np.int64).tolist())
        self._known = array("b", (past.known > 0).astype(np.int8).tolist())
        self.running = running
        self.told_lpm = 0.0 if running is None else running.rate_lpm

    def flow(self, cell: int, volume_l: float) -> None:
        """Take a cell with flow; blocks that ended before it are closed already."""
        pause = cell - self._last_flow - 1
        if pause > 0 and not self._pause_broken:
            self._pause_reaches(self._last_flow + 1, cell - 1, pause)
        self._block_volume_l += volume_l
        self._last_flow, self._pause_broken = cell, False

    def missing(self, first: int, stop: int) -> None:
        """Take the missing cells ``[first, stop)``, all inside the block that is open."""
        self._missing_now += stop - first
        self._pause_broken = True
        self._last_flow = max(self._last_flow, stop - 1)

    def skip_to(self, cell: int) -> None:
        """Pass over missing data, where all blocks kept are unknown, until the block that a cell lies in, or ends."""
        self.due += max((cell - self.due) // self._cells, 0) * self._cells
        self._missing_now = 0
        self.missing(self.due - self._cells, cell)

    @property
    def pause_due(self) -> int | None:
        """Cell at which a pause rules the running trickle out."""
        if self.running is None:
            return None
        spacing_s = self.pulse_l / self.running.rate_lpm * SECONDS_PER_MINUTE
        return self._last_flow + 1 + int(PAUSE_SLACK * (spacing_s + self.interval_s) / self.interval_s)

    def stop(self) -> Change | None:
        """End the trickle at the last flow: the pause since rules it out."""
        return self._end(self._last_flow + 1)

    def close_block(self) -> Change | None:
        """Close the block that ends at `due`, and say whether the trickle changed."""
        known = self._missing_now <= MISSING_SHARE * self._cells
        self._append(self._block_volume_l, self._pause_now, known)
        self._block_volume_l, self._pause_now, self._missing_now = 0.0, 0, 0
        self.due += self._cells
        return self._look()

    def spans(self, first: int, stop: int) -> TrickleSpans:
        """Return the trickles of cells ``[first, stop)``, counted from `first`."""
        parts = [(e.trickle, e.end) for e in self.ended]
        if self.running is not None:
            parts.append((self.running, stop))
        rows = [
            (max(t.since, first) - first, min(end, stop) - first, t.rate_lpm, t.low_lpm, t.high_lpm)
            for t, end in parts
            if t.since < stop and end > first
        ]
        if not rows:
            return TrickleSpans.none()
        start, end, rate, low, high = (np.array(column) for column in zip(*rows, strict=True))
        start[1:] = np.maximum(start[1:], end[:-1])
        return TrickleSpans(start=start, end=end, rate_lpm=rate, low_lpm=low, high_lpm=high)

    def forget(self, cell: int) -> None:
        """Forget trickles that ended before a cell."""
        if self.ended and self.ended[0].end <= cell:
            self.ended = [e for e in self.ended if e.end > cell]

    def _append(self, volume_l: float, pause: int, known: bool) -> None:
        self._volume_l.append(volume_l)
        self._pause_cells.append(pause)
        self._known.append(known)
        if len(self._volume_l) > self._keep:
            for column in (self._volume_l, self._pause_cells, self._known):
                column.pop(0)

    def _pause_reaches(self, first: int, last: int, pause: int) -> None:
        """Count a pause in every block that it reaches into, with its whole length."""
        n, now = len(self._volume_l), self.due // self._cells - 1
        for block in range(max(first // self._cells, now - n), min(last // self._cells, now - 1) + 1):
            k = block - now + n
            self._pause_cells[k] = max(self._pause_cells[k], pause)
        if last // self._cells >= now:
            self._pause_now = max(self._pause_now, pause)

    def _look(self) -> Change | None:
        blocks, at = self._blocks(), self.due - self._cells
        resolution = block_resolution(pulse_l=self.pulse_l, interval_s=self.interval_s)
        floor = floor_rate(blocks, resolution)
        if floor.size == 0 or floor[-1] <= 0:
            return self._end(at) if self.running is not None and self._sees(blocks) else None
        n = floor.size
        first = n - int(np.argmin(np.append(floor[::-1] > 0, False)))
        pieces = level_pieces(blocks, resolution, floor, first, n)
        measured = measured_rate(blocks, resolution, *pieces[-1])
        rate = measured.rate_lpm
        if rate == 0:
            return None
        since = at - (n - pieces[-1][0]) * self._cells
        if self.running is not None and abs(rate - self.running.rate_lpm) <= CHANGE * max(rate, self.running.rate_lpm):
            since = self.running.since
        elif self.running is not None:
            since = max(since, self.running.since)
            self.ended.append(Ended(trickle=self.running, end=since))
        elif self.ended:
            since = max(since, self.ended[-1].end)
        self.running = Running(since=since, rate_lpm=rate, low_lpm=measured.low_lpm, high_lpm=measured.high_lpm)
        return self._tell()

    def _tell(self) -> Change | None:
        assert self.running is not None
        rate, told = self.running.rate_lpm, self.told_lpm
        if told > 0 and abs(rate - told) <= CHANGE * max(rate, told):
            return None
        self.told_lpm = rate
        return ("changed" if told > 0 else "found"), self.running

    def _end(self, cell: int) -> Change | None:
        if self.running is None:
            return None
        ended, self.running, self.told_lpm = self.running, None, 0.0
        self.ended.append(Ended(trickle=ended, end=max(cell, ended.since)))
        return "ended", ended

    def _sees(self, blocks: Blocks) -> bool:
        """Tell whether enough of the shortest window is known to say that nothing trickles."""
        window = round(SCALES[0].window_s / (self._cells * self.interval_s))
        return blocks.known.size >= window and float(blocks.known[-window:].mean()) >= ENOUGH_KNOWN

    def _blocks(self) -> Blocks:
        n = len(self._volume_l)
        pause = np.array(self._pause_cells, dtype=np.float64)
        at = self.due - self._cells
        if not self._pause_broken and at - self._last_flow - 1 > 0:
            reached: BoolArray = np.arange(n) >= n - (at - (self._last_flow + 1) + self._cells - 1) // self._cells
            pause = np.where(reached, np.maximum(pause, at - self._last_flow - 1), pause)
        return Blocks(
            volume_l=np.array(self._volume_l),
            pause_s=pause * self.interval_s,
            known=np.array(self._known, dtype=np.float64),
        )

    def state(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "due": self.due,
            "volume_l": self._volume_l.tolist(),
            "pause_cells": self._pause_cells.tolist(),
            "known": self._known.tolist(),
            "block_volume_l": self._block_volume_l,
            "pause_now": self._pause_now,
            "missing_now": self._missing_now,
            "last_flow": self._last_flow,
            "pause_broken": self._pause_broken,
            "told_lpm": self.told_lpm,
            "running": None if self.running is None else _row(self.running, 0),
            "ended": [_row(e.trickle, e.end) for e in self.ended],
        }

    def resume(self, fields: Fields) -> None:
        """Take up a state.

        Raises
        ------
        InputError
            If it isn't one.
        """
        self.due = fields.integer("due", least=1)
        self._volume_l = array("d", fields.floats("volume_l").tolist())
        self._pause_cells = array("q", fields.integers("pause_cells").tolist())
        self._known = array("b", (fields.integers("known") > 0).astype(np.int8).tolist())
        n = len(self._volume_l)
        if n > self._keep or len(self._pause_cells) != n or len(self._known) != n or self.due % self._cells:
            raise InputError("the state's blocks are not those of this meter")
        self._block_volume_l = fields.number("block_volume_l", least=0.0)
        self._pause_now = fields.integer("pause_now", least=0)
        self._missing_now = fields.integer("missing_now", least=0)
        self._pause_broken = fields.flag("pause_broken")
        self._last_flow = fields.integer("last_flow", least=-1)
        self.told_lpm = fields.number("told_lpm", least=0.0)
        self.running = _read(fields.part("running"))[0] if fields.has("running") else None
        self.ended = [Ended(trickle=trickle, end=end) for trickle, end in map(_read, fields.parts("ended"))]


def _row(trickle: Running, end: int) -> dict[str, Any]:
    return {
        "since": trickle.since,
        "end": end,
        "rate_lpm": trickle.rate_lpm,
        "low_lpm": trickle.low_lpm,
        "high_lpm": trickle.high_lpm,
    }


def _read(fields: Fields) -> tuple[Running, int]:
    trickle = Running(
        since=fields.integer("since"),
        rate_lpm=fields.number("rate_lpm", above=0.0),
        low_lpm=fields.number("low_lpm", least=0.0),
        high_lpm=fields.number("high_lpm", least=0.0),
    )
    return trickle, fields.integer("end")
