"""What is due at which cell of a feed, done in order: blocks end, a stretch is cut off, a label falls due."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from flowsift.arrays import IntArray
from flowsift.errors import InputError
from flowsift.signal.blocks import block_cells
from flowsift.signal.segmentation import Segmentation
from flowsift.stream.alert_watch import AlertWatch
from flowsift.stream.arrivals import Arrivals
from flowsift.stream.balance import LiveBalance
from flowsift.stream.home import LearnedHome
from flowsift.stream.home_trickle import HomeTrickle
from flowsift.stream.stretch import OpenStretch, Stretch
from flowsift.stream.strict_json import Fields
from flowsift.stream.teller import Teller
from flowsift.stream.trickle_watch import Change, TrickleWatch, kept_blocks
from flowsift.stream.uses import RecentUses

NEVER = 2**62
"""A cell that no feed reaches."""

BLOCK, PAUSE, STRETCH, LABEL, EDGE, ALERTS = range(6)
"""What can be due, in the order of doing it at one cell: a block for the trickle ends, a pause rules the trickle
out, the open stretch is looked at, a use gets its label, the record's trickle begins or ends, alert blocks end."""


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


class Clockwork:
    """Takes settled cells in order, and first does what is due before each.

    Parameters
    ----------
    home : LearnedHome
    arrivals : Arrivals
        The feed's clock.
    teller : Teller
        Told of what comes of it.
    wait_s : float
        How long a label waits for what follows the use [s].
    on_settled : callable, optional
        Called with each `Settled` stretch.
    """

    def __init__(
        self,
        home: LearnedHome,
        arrivals: Arrivals,
        teller: Teller,
        *,
        wait_s: float,
        on_settled: Callable[[Settled], None] | None,
    ) -> None:
        meter = {"pulse_l": home.pulse_l, "interval_s": home.interval_s}
        self._interval_s = home.interval_s
        self._arrivals, self._teller, self._on_settled = arrivals, teller, on_settled
        self._watch = TrickleWatch(**meter)
        self._trickle = HomeTrickle(home, self._watch, arrivals)
        self._alerts = [AlertWatch(rule, interval_s=home.interval_s) for rule in home.rules]
        self._stretch = OpenStretch(**meter)
        self._recent = RecentUses(home, wait_s=wait_s)
        self._far = 2 * kept_blocks(home.interval_s) * block_cells(home.interval_s)
        self.now, self.next_due = 0, 0
        self._begun = self._trickles = False
        self._metered_l = self._settled_l = self._events_l = self._trickle_l = 0.0
        self._gap_cells = 0

    def flow(self, cell: int, volume_l: float) -> None:
        """Take a settled cell with flow."""
        if cell >= self.next_due:
            self.advance(cell)
        self._watch.flow(cell, volume_l)
        for alert in self._alerts:
            alert.flow(volume_l)
        self._stretch.flow(cell, volume_l)
        self._metered_l += volume_l
        self.now = cell + 1
        self.next_due = min(self.next_due, _or_never(self._stretch.due(trickles=self._trickles)))

    def missing(self, first: int, stop: int) -> None:
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
            self.advance(first)
            upto = min([stop, self._watch.due, *(alert.due for alert in self._alerts)])
            self._watch.missing(first, upto)
            for alert in self._alerts:
                alert.missing()
            first = upto

    def advance(self, cell: int) -> None:
        """Do what is due when the cells before `cell` are settled, in order."""
        if not self._begun and self._arrivals.start_ns is not None:
            self._begun = True
            self._trickle.begin()
        while True:
            self._trickles = self._trickle.rate_at(self.now) > 0
            dues = [
                self._watch.due,
                _or_never(self._watch.pause_due),
                _or_never(self._stretch.due(trickles=self._trickles)),
                _or_never(self._recent.due),
                _or_never(self._trickle.next_edge(self.now)),
                *(alert.due for alert in self._alerts),
            ]
            due = min(dues)
            if due > cell:
                self.next_due = due
                break
            self.now = max(self.now, due)
            self._do(dues.index(due), due)
        self.now = max(self.now, cell)

    def _do(self, which: int, due: int) -> None:
        if which == BLOCK:
            self._tell_trickle(self._watch.close_block(), due)
        elif which == PAUSE:
            self._tell_trickle(self._watch.stop(), due)
        elif which == STRETCH:
            stretch = self._stretch.cut(self.now, trickle_lpm=self._trickle.rate_at(self.now))
            if stretch is not None:
                self._put_away(stretch, self.now)
        elif which == LABEL:
            self._teller.tell_uses(self._recent.label(at=due))
        elif which >= ALERTS:
            met = self._alerts[which - ALERTS].close_block()
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

    def finish(self) -> None:
        """Settle everything that is open, without waiting for more."""
        rest = self._stretch.all(self.now)
        if rest is not None:
            self._put_away(rest, self.now)
        if self._recent.due is not None:
            self._teller.tell_uses(self._recent.label_all())

    @property
    def balance(self) -> LiveBalance:
        """Volumes so far."""
        return LiveBalance(
            metered_l=self._metered_l,
            events_l=self._events_l,
            trickle_l=self._trickle_l,
            unexplained_l=max(self._settled_l - self._events_l - self._trickle_l, 0.0),
            open_l=self._stretch.volume_l,
            gap_s=self._gap_cells * self._interval_s,
        )

    @property
    def trickle_lpm(self) -> float:
        """Rate of the trickle that runs now, as far as is known [L/min]; 0 for none."""
        return self._trickle.rate_at(self.now)

    def state(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "now": self.now,
            "begun": self._begun,
            "metered_l": self._metered_l,
            "settled_l": self._settled_l,
            "events_l": self._events_l,
            "trickle_l": self._trickle_l,
            "gap_cells": self._gap_cells,
            "trickle": self._watch.state(),
            "alerts": [alert.state() for alert in self._alerts],
            "stretch": self._stretch.state(),
            "recent": self._recent.state(),
        }

    def resume(self, fields: Fields) -> None:
        """Take up a state.

        Raises
        ------
        InputError
            If it isn't one.
        """
        self.now = fields.integer("now", least=0)
        self._begun = fields.flag("begun")
        self._metered_l, self._settled_l = fields.number("metered_l"), fields.number("settled_l")
        self._events_l, self._trickle_l = fields.number("events_l"), fields.number("trickle_l")
        self._gap_cells = fields.integer("gap_cells", least=0)
        self._watch.resume(fields.part("trickle"))
        self._stretch.resume(fields.part("stretch"), stop=self._arrivals.done)
        self._recent.resume(fields.part("recent"), start_ns=self._arrivals.ns_of(0))
        alerts = fields.parts("alerts")
        if len(alerts) != len(self._alerts):
            raise InputError(f"the state's alerts: found {len(alerts)} rules, the home has {len(self._alerts)}")
        for alert, part in zip(self._alerts, alerts, strict=True):
            alert.resume(part)


def _or_never(cell: int | None) -> int:
    return NEVER if cell is None else cell
