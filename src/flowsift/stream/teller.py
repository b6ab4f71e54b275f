"""Notices numbered in order, their cells turned into times."""

from __future__ import annotations

from collections.abc import Callable

from flowsift.stream.alert_watch import Met
from flowsift.stream.notices import Alert, Notice, SettledEvent, TrickleChange
from flowsift.stream.trickle_watch import Change
from flowsift.stream.uses import Told


class Teller:
    """What is to be given out.

    Parameters
    ----------
    ns_of : callable
        Time [UTC ns] of a cell of the feed.

    Attributes
    ----------
    number : int
        Of the last notice.
    """

    __slots__ = ("_ns_of", "_told", "number")

    def __init__(self, ns_of: Callable[[int], int]) -> None:
        self._ns_of = ns_of
        self._told: list[Notice] = []
        self.number = 0

    def given(self) -> list[Notice]:
        """Return what was told since the last call."""
        given, self._told = self._told, []
        return given

    def tell_uses(self, told: Told) -> None:
        """Tell of uses that got their labels."""
        for k in range(told.start.size):
            self._told.append(
                SettledEvent(
                    number=self._next(),
                    start_ns=self._ns_of(int(told.start[k])),
                    end_ns=self._ns_of(int(told.end[k])),
                    volume_l=float(told.volume_l[k]),
                    peak_lpm=float(told.peak_lpm[k]),
                    label=told.label[k],
                    probability=float(told.probability[k]),
                    fixture=told.fixture[k],
                    cycle=told.cycle[k],
                    overlaps=bool(told.overlaps[k]),
                    cut=bool(told.cut[k]),
                )
            )

    def tell_alert(self, met: Met) -> None:
        """Tell of an alert that was raised or is over."""
        self._told.append(
            Alert(
                number=self._next(),
                state=met.state,
                rule=met.rule.kind,
                level_lpm=met.rule.level_lpm,
                lasting_s=met.rule.lasting_s,
                since_ns=self._ns_of(met.since),
                at_ns=self._ns_of(met.end),
                volume_l=met.volume_l,
            )
        )

    def tell_trickle(self, change: Change, at: int) -> None:
        """Tell of a trickle that was found, changed or ended at a cell."""
        state, trickle = change
        self._told.append(
            TrickleChange(
                number=self._next(),
                state=state,
                since_ns=self._ns_of(trickle.since),
                at_ns=self._ns_of(at),
                rate_lpm=trickle.rate_lpm,
                low_lpm=trickle.low_lpm,
                high_lpm=trickle.high_lpm,
            )
        )

    def _next(self) -> int:
        self.number += 1
        return self.number
