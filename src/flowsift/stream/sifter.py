"""Live feeding of one home: samples in as they come, settled events, alerts and changes of the trickle out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from hashlib import sha256
from typing import Any

import numpy as np

from flowsift.arrays import IntArray
from flowsift.errors import InputError, OptionError
from flowsift.ingest.instants import instants_ns
from flowsift.ingest.options import checked_absent
from flowsift.signal.blocks import block_cells
from flowsift.signal.segmentation import Segmentation
from flowsift.stream.alert_watch import AlertWatch
from flowsift.stream.arrivals import LEAST_HOLD, Arrivals
from flowsift.stream.balance import LiveBalance
from flowsift.stream.home import LearnedHome
from flowsift.stream.home_json import home_to_json
from flowsift.stream.home_trickle import HomeTrickle
from flowsift.stream.notices import Notice
from flowsift.stream.stretch import LONGEST_S, LOOK_S, OpenStretch, Stretch, quiet_cells
from flowsift.stream.strict_json import Fields, check_kind, json_fields, written
from flowsift.stream.teller import Teller
from flowsift.stream.trickle_watch import Change, TrickleWatch, kept_blocks
from flowsift.stream.uses import LABEL_WAIT_S, RecentUses

KIND = "flowsift live state"
VERSION = 2

LATE_S = 60.0
"""Late rows are waited for this long by default [s]."""

NEVER = 2**62
"""A cell that no feed reaches."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Settled:
    """A stretch that is explained.

    Attributes
    ----------
    cell : ndarray of int64, shape (n_flow,)
        Its cells with flow, counted from the feed's first row.
    first : int
        Its first cell.
    uses : Segmentation
        Its uses, in the order of the `SettledEvent` notices to come; cells from `first`.

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import Sifter, learn_home
    >>> stretches = []
    >>> sifter = Sifter(learn_home(read_shipped("demo").trace), on_settled=stretches.append)
    >>> _ = sifter.feed(["2024-06-24T06:00:00Z", "2024-06-24T06:00:05Z"], [0.0, 0.4])
    >>> _ = sifter.finish()
    >>> stretches[0].cell.tolist(), stretches[0].uses.n_uses
    ([1], 1)
    """

    cell: IntArray
    first: int
    uses: Segmentation


class Sifter:
    """One home, fed as its samples arrive.

    Work a sample is constant, and so is the most that is held. Chunks make no difference: the same rows in the same
    order give the same notices with the same numbers, whether they come one by one, at once, or to a sifter that was
    saved and taken up again in between.

    Parameters
    ----------
    home : LearnedHome
        What is known of it (`learn_home`).
    late_s : float
        How long late rows are waited for [s]. A later one is counted in `faults` and left out.
    wait_s : float
        How long a label waits for what follows the use [s]. Labels get worse below an hour.
    absent : {"missing", "zero"}
        What an interval without a row means. With "zero", time goes on only with rows: send one of no flow now and
        then, or uses settle late.
    on_settled : callable, optional
        Called with each `Settled` stretch: whose water each of its cells holds, before the uses have their labels. It
        is no part of the state.

    Raises
    ------
    OptionError
        If a time is negative or not finite, or `absent` is unknown.

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import Sifter, learn_home
    >>> sifter = Sifter(learn_home(read_shipped("demo").trace))
    >>> notices = sifter.feed(["2024-06-24T07:00:00Z", "2024-06-24T07:00:05Z"], [0.5, 0.5])
    """

    def __init__(
        self,
        home: LearnedHome,
        *,
        late_s: float = LATE_S,
        wait_s: float = LABEL_WAIT_S,
        absent: str = "missing",
        on_settled: Callable[[Settled], None] | None = None,
    ) -> None:
        for name, value in (("late_s", late_s), ("wait_s", wait_s)):
            if not (np.isfinite(value) and value >= 0):
                raise OptionError(f"{name} is {value!r}, expected a number of seconds of at least 0")
        self.home = home
        self._on_settled = on_settled
        self._late_s, self._wait_s, self._absent = float(late_s), float(wait_s), checked_absent(absent)
        meter = {"pulse_l": home.pulse_l, "interval_s": home.interval_s}
        hold = max(int(np.ceil(late_s / home.interval_s)), LEAST_HOLD)
        self._arrivals = Arrivals(interval_ns=home.interval_ns, hold=hold, pulse_l=home.pulse_l, absent=self._absent)
        self._watch = TrickleWatch(**meter)
        self._trickle = HomeTrickle(home, self._watch, self._arrivals)
        self._alerts = [AlertWatch(rule, interval_s=home.interval_s) for rule in home.rules]
        self._stretch = OpenStretch(**meter)
        self._recent = RecentUses(home, wait_s=wait_s)
        self._join = quiet_cells(**meter)
        self._far = 2 * kept_blocks(home.interval_s) * block_cells(home.interval_s)
        self._cells = _Cells(self._flow, self._missing)
        self._teller = Teller(self._arrivals.ns_of)
        self._now, self._next_due = 0, 0
        self._begun = self._finished = self._trickles = False
        self._mark = ""
        self._metered_l = self._settled_l = self._events_l = self._trickle_l = 0.0
        self._gap_cells = 0

    def feed(self, times: Any, volume_l: Any) -> list[Notice]:
        """Take rows in the order of their arrival.

        Parameters
        ----------
        times : array-like, shape (n_rows,)
            Starts of their intervals, as in `flowsift.Trace.from_volumes`.
        volume_l : array-like, shape (n_rows,)
            Volume of each [L]; NaN or None where a row has none.

        Returns
        -------
        list of Notice
            What is settled by these rows, in order.

        Raises
        ------
        InputError
            If times can't be read or there isn't one volume a time; nothing was taken then.
        OptionError
            If the feed was finished.
        """
        ns = instants_ns(times)
        try:
            volume = np.asarray(volume_l, dtype=np.float64)
        except (TypeError, ValueError) as error:
            raise InputError(f"found volumes that are no numbers ({error})", column="volume_l") from error
        if volume.shape != ns.shape:
            raise InputError(f"found {ns.size:,} times and {volume.size:,} volumes, expected as many of each")
        return self.feed_ns(ns, volume)

    def feed_ns(self, at_ns: Any, volume_l: Any) -> list[Notice]:
        """Take rows whose times are UTC nanoseconds already: `feed` without reading times.

        Parameters
        ----------
        at_ns : ndarray of int64, shape (n_rows,)
        volume_l : ndarray of float64, shape (n_rows,)
        """
        if self._finished:
            raise OptionError("the feed was finished: start a new Sifter, or take up the state saved before")
        self._arrivals.take(at_ns, volume_l, self._cells)
        self._advance(self._arrivals.done)
        return self._teller.given()

    def feed_one(self, at_ns: int, volume_l: float) -> list[Notice]:
        """Take one row: `feed_ns` for a single sample, without arrays."""
        if self._finished:
            raise OptionError("the feed was finished: start a new Sifter, or take up the state saved before")
        self._arrivals.take_one(at_ns, volume_l, self._cells)
        if self._arrivals.done >= self._next_due:
            self._advance(self._arrivals.done)
        return self._teller.given()

    def finish(self) -> list[Notice]:
        """End the feed: settle everything that is open, without waiting for more."""
        if not self._finished:
            self._arrivals.flush(self._cells)
            self._advance(self._arrivals.done)
            rest = self._stretch.all(self._now)
            if rest is not None:
                self._put_away(rest, self._now)
            if self._recent.due is not None:
                self._teller.tell_uses(self._recent.label_all())
            self._finished = True
        return self._teller.given()

    @property
    def last_number(self) -> int:
        """Number of the last notice given out."""
        return self._teller.number

    @property
    def balance(self) -> LiveBalance:
        """Volumes so far."""
        return LiveBalance(
            metered_l=self._metered_l,
            events_l=self._events_l,
            trickle_l=self._trickle_l,
            unexplained_l=max(self._settled_l - self._events_l - self._trickle_l, 0.0),
            open_l=self._stretch.volume_l,
            gap_s=self._gap_cells * self.home.interval_s,
        )

    @property
    def faults(self) -> dict[str, int]:
        """Rows and cells that something was wrong with: too late, repeated, conflicting, missing ..."""
        return self._arrivals.faults

    @property
    def trickle_lpm(self) -> float:
        """Rate of the trickle that runs now, as far as is known [L/min]; 0 for none."""
        return self._trickle.rate_at(self._now)

    @property
    def settles_within_s(self) -> tuple[float, float]:
        """Time from the end of a use to its event [s]: where the home is quiet after it, and at the very most."""
        interval_s = self.home.interval_s
        after = self._late_s + self._join * interval_s + self._wait_s + 2 * interval_s
        return after, after + LONGEST_S + 2 * LOOK_S

    def _flow(self, cell: int, volume_l: float) -> None:
        """Take a settled cell with flow."""
        if cell >= self._next_due:
            self._advance(cell)
        self._watch.flow(cell, volume_l)
        for alert in self._alerts:
            alert.flow(volume_l)
        self._stretch.flow(cell, volume_l)
        self._metered_l += volume_l
        self._now = cell + 1
        self._next_due = min(self._next_due, _or_never(self._stretch.due(trickles=self._trickles)))

    def _missing(self, first: int, stop: int) -> None:
        """Take settled cells without data."""
        self._gap_cells += stop - first
        self._stretch.missing(first, stop)
        if stop - first > 2 * self._far:
            # By then everything is settled and every block unknown: the time between can be passed over.
            self._pass(first, first + self._far)
            first = stop - self._far
            self._watch.skip_to(first)
            for alert in self._alerts:
                alert.skip_to(first)
        self._pass(first, stop)

    def _pass(self, first: int, stop: int) -> None:
        while first < stop:
            self._advance(first)
            upto = min([stop, self._watch.due, *(alert.due for alert in self._alerts)])
            self._watch.missing(first, upto)
            for alert in self._alerts:
                alert.missing()
            first = upto

    def _advance(self, cell: int) -> None:
        """Do what is due when the cells before `cell` are settled, in order."""
        if not self._begun and self._arrivals.start_ns is not None:
            self._begun = True
            self._trickle.begin()
        while True:
            self._trickles = self._trickle.rate_at(self._now) > 0
            dues = [
                self._watch.due,
                _or_never(self._watch.pause_due),
                _or_never(self._stretch.due(trickles=self._trickles)),
                _or_never(self._recent.due),
                _or_never(self._trickle.next_edge(self._now)),
                *(alert.due for alert in self._alerts),
            ]
            due = min(dues)
            if due > cell:
                self._next_due = due
                break
            self._now = max(self._now, due)
            self._do(dues.index(due), due)
        self._now = max(self._now, cell)

    def _do(self, which: int, due: int) -> None:
        if which == 0:
            self._tell_trickle(self._watch.close_block(), due)
        elif which == 1:
            self._tell_trickle(self._watch.stop(), due)
        elif which == 2:
            stretch = self._stretch.cut(self._now, trickle_lpm=self._trickle.rate_at(self._now))
            if stretch is not None:
                self._put_away(stretch, self._now)
        elif which == 3:
            self._teller.tell_uses(self._recent.label(at=due))
        elif which > 4:
            met = self._alerts[which - 5].close_block()
            if met is not None:
                self._teller.tell_alert(met)

    def _tell_trickle(self, change: Change | None, at: int) -> None:
        if change is not None:
            self._teller.tell_trickle(change, self._watch.ended[-1].end if change[0] == "ended" else at)

    def _put_away(self, stretch: Stretch, at: int) -> None:
        spans = self._trickle.spans(stretch.first, stretch.stop)
        uses = self._recent.add(stretch, spans, at=at, start_ns=self._arrivals.ns_of(0))
        self._settled_l += float(stretch.volume_l.sum())
        self._events_l += float(uses.shares.volume_l.sum())
        self._trickle_l += float(uses.trickle_l.sum())
        if self._on_settled is not None:
            self._on_settled(Settled(cell=stretch.cell, first=stretch.first, uses=uses))
        self._watch.forget(stretch.stop)

    def _home_mark(self) -> str:
        self._mark = self._mark or home_mark(self.home)
        return self._mark

    def to_json(self) -> str:
        """Return the whole state as one line of strict JSON; `from_json` carries on from it."""
        return written(self.state())

    def state(self) -> dict[str, Any]:
        """Return the whole state as what JSON can hold, to be kept inside a larger JSON object."""
        return {
            "kind": KIND,
            "version": VERSION,
            "home": self._home_mark(),
            "late_s": self._late_s,
            "wait_s": self._wait_s,
            "absent": self._absent,
            "number": self._teller.number,
            "now": self._now,
            "begun": self._begun,
            "finished": self._finished,
            "metered_l": self._metered_l,
            "settled_l": self._settled_l,
            "events_l": self._events_l,
            "trickle_l": self._trickle_l,
            "gap_cells": self._gap_cells,
            "arrivals": self._arrivals.state(),
            "trickle": self._watch.state(),
            "alerts": [alert.state() for alert in self._alerts],
            "stretch": self._stretch.state(),
            "recent": self._recent.state(),
        }

    @classmethod
    def from_json(cls, text: str, home: LearnedHome) -> Sifter:
        """Take up a state.

        Parameters
        ----------
        text : str
            What `to_json` gave.
        home : LearnedHome
            The home that it was fed with.

        Raises
        ------
        InputError
            If the text is no such state, of another version, or of another home; it names the field.
        """
        return cls.from_state(json_fields(text, kind=KIND), home)

    @classmethod
    def from_state(cls, found: Fields, home: LearnedHome) -> Sifter:
        """Take up what `state` gave; as `from_json`."""
        check_kind(found, kind=KIND, version=VERSION)
        mark = home_mark(home)
        if found.text("home") != mark:
            raise InputError(f"{KIND}: it belongs to another learned home than the one given")
        sifter = cls(
            home,
            late_s=found.number("late_s", least=0.0),
            wait_s=found.number("wait_s", least=0.0),
            absent=found.text("absent", among=("missing", "zero")),
        )
        sifter._mark = mark
        sifter._teller.number = found.integer("number", least=0)
        sifter._now = found.integer("now", least=0)
        sifter._begun, sifter._finished = found.flag("begun"), found.flag("finished")
        sifter._metered_l, sifter._settled_l = found.number("metered_l"), found.number("settled_l")
        sifter._events_l, sifter._trickle_l = found.number("events_l"), found.number("trickle_l")
        sifter._gap_cells = found.integer("gap_cells", least=0)
        alerts = found.parts("alerts")
        if len(alerts) != len(sifter._alerts):
            raise InputError(f"{KIND}.alerts: found {len(alerts)} rules, the home has {len(sifter._alerts)}")
        sifter._arrivals.resume(found.part("arrivals"))
        sifter._watch.resume(found.part("trickle"))
        sifter._stretch.resume(found.part("stretch"))
        sifter._recent.resume(found.part("recent"))
        for alert, part in zip(sifter._alerts, alerts, strict=True):
            alert.resume(part)
        return sifter

    def __repr__(self) -> str:
        """Return how far it is."""
        b, n = self.balance, self.last_number
        return f"Sifter({self._now:,} intervals, {b.metered_l:,.1f} L, {n:,} notices, {b.open_l:.1f} L open)"


class _Cells:
    """Where the arrivals hand settled cells to."""

    __slots__ = ("flow", "missing")

    def __init__(self, flow: Callable[[int, float], None], missing: Callable[[int, int], None]) -> None:
        self.flow = flow
        self.missing = missing


def home_mark(home: LearnedHome) -> str:
    """Return a mark by which a state knows its home."""
    return sha256(home_to_json(home).encode()).hexdigest()


def _or_never(cell: int | None) -> int:
    return NEVER if cell is None else cell
