"""Live feeding of one home: samples in as they come, settled events, alerts and changes of the trickle out."""

from __future__ import annotations

from collections.abc import Callable
from hashlib import sha256
from typing import Any

import numpy as np

from flowsift.errors import InputError, OptionError
from flowsift.ingest.instants import instants_ns
from flowsift.ingest.numbers import numbers
from flowsift.ingest.options import checked_absent
from flowsift.stream.arrivals import LEAST_HOLD, Arrivals
from flowsift.stream.balance import LiveBalance
from flowsift.stream.clockwork import Clockwork, Settled
from flowsift.stream.home import LearnedHome
from flowsift.stream.home_json import home_to_json
from flowsift.stream.notices import Notice
from flowsift.stream.stretch import LONGEST_S, LOOK_S, quiet_cells
from flowsift.stream.strict_json import Fields, check_kind, json_fields, written
from flowsift.stream.teller import Teller
from flowsift.stream.uses import LABEL_WAIT_S
from flowsift.units import SECONDS_PER_DAY

KIND = "flowsift live state"
VERSION = 4

LATE_S = 60.0
"""Late rows are waited for this long by default [s]."""

LONGEST_WAIT_S = 30 * SECONDS_PER_DAY
"""Longest time that late rows, or labels, can wait [s]: what waits is held."""


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
        then, at least every hour, or uses settle late. After an hour without a row, the next ones count once eight of
        them agree on the time: the clock may be wrong. Nothing settles before sixteen rows, which tell the interval.
    on_settled : callable, optional
        Called with each `Settled` stretch: whose water each of its cells holds, before the uses have their labels. It
        is no part of the state.

    Raises
    ------
    OptionError
        If a time is negative or longer than 30 days, or `absent` is unknown.

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
            if not 0 <= value <= LONGEST_WAIT_S:
                raise OptionError(f"{name} is {value!r}, expected a number of seconds from 0 to {LONGEST_WAIT_S:,.0f}")
        self.home = home
        self._late_s, self._wait_s, self._absent = float(late_s), float(wait_s), checked_absent(absent)
        hold = max(int(np.ceil(late_s / home.interval_s)), LEAST_HOLD)
        self._arrivals = Arrivals(interval_ns=home.interval_ns, hold=hold, pulse_l=home.pulse_l, absent=self._absent)
        self._teller = Teller(self._arrivals.ns_of)
        self._clockwork = Clockwork(home, self._arrivals, self._teller, wait_s=wait_s, on_settled=on_settled)
        self._finished = False
        self._mark = ""

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
            If times or volumes can't be read or there isn't one volume a time; nothing was taken then.
        OptionError
            If the feed was finished, or if its first rows have another interval than the home.
        """
        ns = instants_ns(times)
        volume = numbers(volume_l, column="volume_l")
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
        self._arrivals.take(at_ns, volume_l, self._clockwork)
        self._clockwork.advance(self._arrivals.done)
        return self._teller.given()

    def feed_one(self, at_ns: int, volume_l: float) -> list[Notice]:
        """Take one row: `feed_ns` for a single sample, without arrays."""
        if self._finished:
            raise OptionError("the feed was finished: start a new Sifter, or take up the state saved before")
        # numbers of numpy would not go to JSON
        self._arrivals.take_one(int(at_ns), float(volume_l), self._clockwork)
        if self._arrivals.done >= self._clockwork.next_due:
            self._clockwork.advance(self._arrivals.done)
        return self._teller.given()

    def finish(self) -> list[Notice]:
        """End the feed: settle everything that is open, without waiting for more."""
        if not self._finished:
            self._arrivals.flush(self._clockwork)
            self._clockwork.advance(self._arrivals.done)
            self._clockwork.finish()
            self._finished = True
        return self._teller.given()

    @property
    def last_number(self) -> int:
        """Number of the last notice given out."""
        return self._teller.number

    @property
    def balance(self) -> LiveBalance:
        """Volumes so far."""
        return self._clockwork.balance

    @property
    def faults(self) -> dict[str, int]:
        """Rows and cells that something was wrong with: too late, repeated, conflicting, missing ..."""
        return self._arrivals.faults

    @property
    def trickle_lpm(self) -> float:
        """Rate of the trickle that runs now, as far as is known [L/min]; 0 for none."""
        return self._clockwork.trickle_lpm

    @property
    def settles_within_s(self) -> tuple[float, float]:
        """Time from the end of a use to its event [s]: where the home is quiet after it, and at the very most."""
        interval_s = self.home.interval_s
        quiet = quiet_cells(pulse_l=self.home.pulse_l, interval_s=interval_s)
        after = self._late_s + quiet * interval_s + self._wait_s + 2 * interval_s
        return after, after + LONGEST_S + 2 * LOOK_S

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
            "finished": self._finished,
            "arrivals": self._arrivals.state(),
            **self._clockwork.state(),
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
            late_s=found.number("late_s", least=0.0, most=LONGEST_WAIT_S),
            wait_s=found.number("wait_s", least=0.0, most=LONGEST_WAIT_S),
            absent=found.text("absent", among=("missing", "zero")),
        )
        sifter._mark = mark
        sifter._teller.number = found.integer("number", least=0)
        sifter._finished = found.flag("finished")
        sifter._arrivals.resume(found.part("arrivals"))
        sifter._clockwork.resume(found)
        return sifter

    def __repr__(self) -> str:
        """Return how far it is."""
        b, n = self.balance, self.last_number
        return f"Sifter({self._clockwork.now:,} intervals, {b.metered_l:,.1f} L, {n:,} notices, {b.open_l:.1f} L open)"


def home_mark(home: LearnedHome) -> str:
    """Return a mark by which a state knows its home."""
    return sha256(home_to_json(home).encode()).hexdigest()
