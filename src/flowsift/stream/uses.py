"""Stretches cut into uses, and uses labelled: the steps of `flowsift.pipeline`, by what the home is known for."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.classify.cycles import LONGEST_BREAK_S, number_cycles
from flowsift.classify.joining import join_uses
from flowsift.classify.judgement import judge_by
from flowsift.classify.label import label_uses
from flowsift.classify.mixture import HomeModel
from flowsift.classify.naming import name_fixtures
from flowsift.disaggregation import TrickleSpans, overlapping
from flowsift.disaggregation.shares import largest_l
from flowsift.errors import InputError
from flowsift.features import UseFeatures, describe_uses, features_of_cuts
from flowsift.labels import LABELS
from flowsift.signal.layout import lay_out
from flowsift.signal.segmentation import Segmentation, explain
from flowsift.stream.home import Known, LearnedHome
from flowsift.stream.stretch import Stretch
from flowsift.stream.strict_json import Fields
from flowsift.trace import Trace
from flowsift.units import NS_PER_S, SECONDS_PER_DAY, SECONDS_PER_MINUTE

LABEL_WAIT_S = 3600.0
"""A use is labelled this long after its stretch was cut off [s]: fills of one load follow each other within it, and
they are known by each other."""

LOOK_BACK_S = SECONDS_PER_DAY
"""Uses this far back still bear on a label [s]."""

MOST_RECENT = 2000
"""Recent uses kept at most: the bound on memory and work where a home's flow goes on and off all day."""

FIGURES = tuple(field.name for field in fields(UseFeatures))
N_FIGURES = len(FIGURES)
DUE, START, END, PEAK, OVERLAPS, CUT = range(N_FIGURES, N_FIGURES + 6)
N_COLUMNS = N_FIGURES + 6
"""Columns of the table of recent uses: the figures of `UseFeatures`, then when a use is to be labelled, its cells, its
peak [L/min], whether it overlaps, whether it was cut through by force."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Told:
    """Labels of settled uses, one element a use; cells as in the feed."""

    start: IntArray
    end: IntArray
    volume_l: FloatArray
    peak_lpm: FloatArray
    label: list[str]
    probability: FloatArray
    fixture: list[str]
    cycle: list[int | None]
    overlaps: BoolArray
    cut: BoolArray


class RecentUses:
    """Uses that wait for their label, and those of the last day, which bear on it.

    Parameters
    ----------
    home : LearnedHome
    wait_s : float
        Time that a label waits for what comes after the use [s].
    """

    __slots__ = ("_cycle", "_ended", "_home", "_n_told", "_pieces", "_table", "_wait")

    def __init__(self, home: LearnedHome, *, wait_s: float) -> None:
        self._home = home
        self._wait = round(wait_s / home.interval_s)
        self._table = np.empty((0, N_COLUMNS))
        self._pieces = np.empty((0, 4))
        self._n_told = 0
        self._cycle = dict.fromkeys(LONGEST_BREAK_S, 0)
        self._ended = dict.fromkeys(LONGEST_BREAK_S, 0.0)

    @property
    def due(self) -> int | None:
        """Cell at which the oldest use without a label gets it; None for none."""
        return int(self._table[self._n_told, DUE]) if self._n_told < len(self._table) else None

    def add(self, stretch: Stretch, trickle: TrickleSpans, *, at: int, start_ns: int) -> Segmentation:
        """Cut a stretch into uses.

        Parameters
        ----------
        stretch : Stretch
        trickle : TrickleSpans
            Under it, in cells from its first.
        at : int
            Cell at which it was cut off.
        start_ns : int
            Start of cell 0 of the feed.

        Returns
        -------
        Segmentation
            Its uses, in the order in which they get their labels; cells from its first.
        """
        home = self._home
        trace = _as_trace(stretch, home, start_ns)
        # A copy: what it works out from its uses would stay with every home, and is soon worked out again.
        familiar = replace(home.familiar)
        pieces = explain(lay_out(trace, trickle=trickle, random_state=home.random_state), familiar)
        since_s = (trace.start_ns - home.start_ns) / NS_PER_S
        uses = self._joined(trace, pieces, since_s)
        if uses.n_uses:
            figures = _shifted(describe_uses(trace, uses), since_s)
            peak = largest_l(uses.shares, uses.n_uses)
            cut = (uses.start == 0) & stretch.goes_on[0] | (uses.end == trace.n_cells) & stretch.goes_on[1]
            rows = np.column_stack(
                [
                    *(getattr(figures, name) for name in FIGURES),
                    np.full(uses.n_uses, at + self._wait),
                    uses.start + stretch.first,
                    uses.end + stretch.first,
                    peak * SECONDS_PER_MINUTE / home.interval_s,
                    overlapping(uses.start, uses.end),
                    cut,
                ]
            )
            self._table = np.concatenate([self._table, rows])
        return uses

    def _joined(self, trace: Trace, pieces: Segmentation, since_s: float) -> Segmentation:
        """Join the pieces that belong to one use, and remember the pieces."""
        own = _shifted(describe_uses(trace, pieces), since_s)
        recent = features_of_cuts(*self._pieces.T)
        rows = np.column_stack([own.start_s, own.duration_s, own.volume_l, own.flow_lpm])
        self._pieces = np.concatenate([self._pieces, rows])
        if own.n_uses < 2:
            return pieces
        model = _judged(self._home, self._home.pieces, [recent, own], np.arange(own.n_uses) + recent.n_uses)
        return pieces.joined(join_uses(own, model, interval_s=self._home.interval_s))

    def label(self, *, at: int) -> Told:
        """Label the uses that are due at a cell, and forget what no longer bears on any."""
        stop = self._n_told + int(np.searchsorted(self._table[self._n_told :, DUE], at, side="right"))
        told = self._label(np.arange(self._n_told, stop))
        self._n_told = stop
        self._forget()
        return told

    def label_all(self) -> Told:
        """Label every use at the end of the feed."""
        return self.label(at=np.iinfo(np.int64).max)

    def _label(self, due: IntArray) -> Told:
        home, table = self._home, self._table
        recent = UseFeatures(**{name: table[:, k] for k, name in enumerate(FIGURES)})
        end_s = recent.start_s + recent.duration_s
        longest = max(LONGEST_BREAK_S.values())
        first_s, last_s = float(recent.start_s[due].min()), float(end_s[due].max())
        near = np.flatnonzero((end_s >= first_s - longest) & (recent.start_s <= last_s + longest))
        n_past = home.uses.past.start_s.size
        few = recent.at(near)
        model = _judged(home, home.uses, [recent], near)
        answer = label_uses(few, model)
        mine = np.searchsorted(near, due)
        label, mode = answer.label[mine], model.mode[mine]
        past = home.uses.past
        fixture = name_fixtures(
            np.concatenate([home.label, label]),
            np.concatenate([home.mode, mode]),
            np.concatenate([past.volume_l, recent.volume_l[due]]).astype(np.float64),
            np.concatenate([past.flow_lpm, recent.flow_lpm[due]]).astype(np.float64),
        )
        rows = table[due]
        return Told(
            start=rows[:, START].astype(np.int64),
            end=rows[:, END].astype(np.int64),
            volume_l=recent.volume_l[due],
            peak_lpm=rows[:, PEAK],
            label=[LABELS[k] for k in label],
            probability=answer.probability[mine],
            fixture=fixture[n_past:],
            cycle=[self._numbered(LABELS[k], recent.start_s[i], end_s[i]) for k, i in zip(label, due, strict=True)],
            overlaps=rows[:, OVERLAPS] > 0,
            cut=rows[:, CUT] > 0,
        )

    def _numbered(self, label: str, start_s: float, end_s: float) -> int | None:
        """Return the number of a use's cycle, counted on from the last one of its label."""
        if label not in LONGEST_BREAK_S:
            return None
        ended = self._ended[label]
        k = LABELS.index(label)
        steps = number_cycles(np.array([ended, start_s]), np.array([ended, end_s]), np.array([k, k]))
        first = self._cycle[label] == 0
        self._cycle[label] += 1 if first else int(steps[1] - steps[0])
        self._ended[label] = end_s if first else max(ended, end_s)
        return self._cycle[label]

    def _forget(self) -> None:
        """Drop what is a day older than the oldest use without a label, and what is too much."""
        table = self._table
        if not len(table):
            return
        oldest_s = float(table[min(self._n_told, len(table) - 1), 0]) - LOOK_BACK_S
        keep = max(int(np.argmax(table[:, 0] >= oldest_s)), len(table) - MOST_RECENT, 0)
        keep = min(keep, self._n_told)
        self._table, self._n_told = table[keep:].copy(), self._n_told - keep
        young = self._pieces[:, 0] >= oldest_s
        young[:-MOST_RECENT] = False
        self._pieces = self._pieces[young]

    def state(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "table": self._table.tolist(),
            "pieces": self._pieces.tolist(),
            "n_told": self._n_told,
            "cycle": dict(self._cycle),
            "ended_s": dict(self._ended),
        }

    def resume(self, found: Fields, *, start_ns: int) -> None:
        """Take up a state of a feed whose cell 0 starts at `start_ns`.

        Raises
        ------
        InputError
            If it isn't one.
        """
        self._table = found.floats("table", -1, N_COLUMNS)
        self._pieces = found.floats("pieces", -1, 4)
        self._n_told = found.integer("n_told", least=0)
        if self._n_told > len(self._table):
            raise InputError("the state has more labelled uses than uses")
        start_s = (start_ns - self._home.start_ns) / NS_PER_S + self._table[:, START] * self._home.interval_s
        if (np.abs(self._table[:, 0] - start_s) > self._home.interval_s).any():
            raise InputError("the state's uses are at other times than its start says")
        cycle, ended = found.part("cycle"), found.part("ended_s")
        self._cycle = {name: cycle.integer(name, least=0) for name in LONGEST_BREAK_S}
        self._ended = {name: ended.number(name) for name in LONGEST_BREAK_S}


def _judged(home: LearnedHome, known: Known, recent: list[UseFeatures], wanted: IntArray) -> HomeModel:
    """Judge recent uses by what is known, the past laid before them in whole days so that clock times stay."""
    past = known.past.features()
    parts = [part for part in recent if part.n_uses]
    first_s = min(float(part.start_s[0]) for part in parts)
    last_s = max(float((part.start_s + part.duration_s).max()) for part in parts)
    if past.n_uses:
        over_s = float((past.start_s + past.duration_s).max()) - first_s
        past = _shifted(past, -SECONDS_PER_DAY * max(np.ceil(over_s / SECONDS_PER_DAY), 0.0))
    return judge_by(
        known.model,
        _joined_features([past, *parts]),
        wanted + past.n_uses,
        pulse_l=home.pulse_l,
        interval_s=home.interval_s,
        days=known.past.days + (last_s - first_s) / SECONDS_PER_DAY,
        facts=home.facts,
    )


def _as_trace(stretch: Stretch, home: LearnedHome, start_ns: int) -> Trace:
    return Trace(
        start_ns=start_ns + stretch.first * home.interval_ns,
        interval_ns=home.interval_ns,
        n_cells=stretch.stop - stretch.first,
        cell=stretch.cell - stretch.first,
        volume_l=stretch.volume_l,
        gaps=stretch.gaps - stretch.first,
        gap_volume_l=np.zeros(len(stretch.gaps)),
        pulse_l=home.pulse_l,
    )


def _shifted(features: UseFeatures, by_s: float) -> UseFeatures:
    return replace(features, start_s=features.start_s + by_s)


def _joined_features(parts: list[UseFeatures]) -> UseFeatures:
    return UseFeatures(**{name: np.concatenate([getattr(part, name) for part in parts]) for name in FIGURES})
