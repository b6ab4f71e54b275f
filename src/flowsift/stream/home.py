"""What a record tells of its home, kept for judging what comes after it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.classify.facts import HomeFacts
from flowsift.classify.judgement import judge
from flowsift.classify.label import label_uses
from flowsift.classify.mixture import HomeModel
from flowsift.disaggregation import Disaggregation
from flowsift.errors import NotEnoughDataError
from flowsift.features import UseFeatures, describe_uses, features_of_cuts
from flowsift.pipeline import cut_uses, disaggregate, meter_of
from flowsift.signal.blocks import Blocks, summarise_blocks
from flowsift.signal.familiar import Familiar
from flowsift.stream.trickle_watch import kept_blocks
from flowsift.study.alerts import AlertRule, alert_levels
from flowsift.trace import Trace
from flowsift.units import NS_PER_S, SECONDS_PER_DAY

PAST_USES = 1000
"""Uses of the record kept to compare later ones with: a week or two of a busy home. It bounds memory and work."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Past:
    """Uses of a record, one element a use; held as 32-bit numbers but for the start.

    Attributes
    ----------
    start_s : ndarray of float64
        Since the start of the record [s].
    duration_s, volume_l, flow_lpm : ndarray of float32
    days : float
        Time that they were seen in [d].
    """

    start_s: FloatArray
    duration_s: np.ndarray[tuple[int], np.dtype[np.float32]]
    volume_l: np.ndarray[tuple[int], np.dtype[np.float32]]
    flow_lpm: np.ndarray[tuple[int], np.dtype[np.float32]]
    days: float

    @classmethod
    def of(cls, features: UseFeatures, *, days: float) -> Past:
        """Keep the last `PAST_USES` uses of a record of so many days."""
        kept = slice(max(features.n_uses - PAST_USES, 0), None)
        cut_s = float(features.start_s[kept][0]) if kept.start else 0.0
        return cls(
            start_s=features.start_s[kept],
            duration_s=features.duration_s[kept].astype(np.float32),
            volume_l=features.volume_l[kept].astype(np.float32),
            flow_lpm=features.flow_lpm[kept].astype(np.float32),
            days=max(days - cut_s / SECONDS_PER_DAY, 0.1),
        )

    def features(self) -> UseFeatures:
        """Return them as uses of one steady level each: what later uses are compared with."""
        duration, volume, flow = (
            column.astype(np.float64) for column in (self.duration_s, self.volume_l, self.flow_lpm)
        )
        return features_of_cuts(self.start_s, duration, volume, flow)


@dataclass(frozen=True, kw_only=True, eq=False)
class Known:
    """A fitted model of a home's uses, and uses to compare with.

    Attributes
    ----------
    model : HomeModel
        Without the probabilities of the uses that it was fitted to.
    past : Past
    """

    model: HomeModel
    past: Past


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordedTrickle:
    """A trickle of the record: its times [UTC ns], its rate and interval [L/min]."""

    start_ns: int
    end_ns: int
    rate_lpm: float
    low_lpm: float
    high_lpm: float


@dataclass(frozen=True, kw_only=True, eq=False)
class LearnedHome:
    """A home as its record shows it. Make one with `learn_home`; it goes to and from JSON.

    Attributes
    ----------
    start_ns, end_ns : int
        Time of the record, UTC nanoseconds.
    interval_ns : int
        Length of a cell; what is fed has the same.
    pulse_l : float
        Volume of the meter's pulse [L].
    timezone, unit : str
        As in `flowsift.Trace`.
    row_unit : str or None
        As in `flowsift.Trace`: the unit in which a feed like the record has its values.
    without : tuple of str
        Labels that the home has no fixture for.
    random_state : int
    familiar : Familiar
        Uses that are recognised among overlapping ones.
    pieces, uses : Known
        For joining pieces of flow into uses, and for labels.
    label, mode : ndarray of int64, shape (n_past_uses,)
        Label and mode of each of `uses.past`: they name the fixtures.
    trickle : tuple of RecordedTrickle
    blocks : Blocks
        The last two days of the record, for the trickle.
    rules : tuple of AlertRule
        Empty where the record is too short to choose them.

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import learn_home
    >>> home = learn_home(read_shipped("demo").trace)
    >>> home.interval_s, home.pulse_l
    (5.0, 0.05)
    """

    start_ns: int
    end_ns: int
    interval_ns: int
    pulse_l: float
    timezone: str
    unit: str
    row_unit: str | None
    without: tuple[str, ...]
    random_state: int
    familiar: Familiar
    pieces: Known
    uses: Known
    label: IntArray
    mode: IntArray
    trickle: tuple[RecordedTrickle, ...]
    blocks: Blocks
    rules: tuple[AlertRule, ...]

    @property
    def interval_s(self) -> float:
        """Length of a cell [s]."""
        return self.interval_ns / NS_PER_S

    @property
    def facts(self) -> HomeFacts:
        """What the home hasn't got."""
        return HomeFacts(without=self.without)

    def __repr__(self) -> str:
        """Return interval, pulse and what was learned from."""
        days = (self.end_ns - self.start_ns) / NS_PER_S / SECONDS_PER_DAY
        return (
            f"LearnedHome({days:.1f} days, {self.interval_s:g} s intervals, {self.uses.past.start_s.size} uses kept, "
            f"{len(self.familiar.volume_l)} familiar ones, {len(self.rules)} alert rules)"
        )


def learn_home(
    trace: Trace,
    *,
    household: HomeFacts | None = None,
    rules: tuple[AlertRule, ...] | None = None,
    false_per_year: float = 1.0,
    random_state: int = 0,
) -> LearnedHome:
    """Learn a home from its record.

    Parameters
    ----------
    trace : Trace
        Some days to weeks of the home; the longer, the better it is known.
    household : HomeFacts, optional
        What is known of the home beforehand.
    rules : tuple of AlertRule, optional
        Alert rules; chosen from the record by `flowsift.study.alerts.alert_levels` where they aren't given, and none
        where the record is too short for that.
    false_per_year : float
        False alarms a year that chosen rules may give.
    random_state : int

    Returns
    -------
    LearnedHome

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import learn_home
    >>> home = learn_home(read_shipped("demo").trace)
    >>> {rule.kind for rule in home.rules} <= {"constant flow", "high flow"}
    True
    """
    cut = cut_uses(trace, random_state=random_state)
    features = describe_uses(trace, cut.uses)
    meter = meter_of(trace)
    model = judge(features, facts=household, **meter)
    answer = label_uses(features, model)
    kept = slice(max(features.n_uses - PAST_USES, 0), None)
    result = disaggregate(trace, household=household, random_state=random_state)
    return LearnedHome(
        start_ns=trace.start_ns,
        end_ns=trace.start_ns + trace.n_cells * trace.interval_ns,
        interval_ns=trace.interval_ns,
        pulse_l=trace.pulse_l,
        timezone=trace.timezone,
        unit=trace.unit,
        row_unit=trace.row_unit,
        without=() if household is None else tuple(sorted(household.without)),
        random_state=random_state,
        familiar=cut.familiar,
        pieces=Known(model=unapplied(cut.piece_model), past=Past.of(cut.piece_features, days=meter["days"])),
        uses=Known(model=unapplied(model), past=Past.of(features, days=meter["days"])),
        label=answer.label[kept].astype(np.int64),
        mode=model.mode[kept].astype(np.int64),
        trickle=_recorded(result),
        blocks=_last_blocks(trace),
        rules=_chosen(result, false_per_year) if rules is None else rules,
    )


def unapplied(model: HomeModel) -> HomeModel:
    """Return a model without the uses that it was fitted to."""
    n_labels = model.probability.shape[1]
    return HomeModel(
        probability=np.empty((0, n_labels)),
        mode=np.empty(0, np.int64),
        modes=model.modes,
        mode_probability=model.mode_probability,
        spread=model.spread,
        amount=model.amount,
        mode_amount=model.mode_amount,
        profile=model.profile,
    )


def _chosen(result: Disaggregation, false_per_year: float) -> tuple[AlertRule, ...]:
    try:
        plan = alert_levels(result, false_per_year=false_per_year)
    except NotEnoughDataError:
        return ()
    return plan.constant.rule, plan.high.rule


def _recorded(result: Disaggregation) -> tuple[RecordedTrickle, ...]:
    table = result.trickle
    columns = (table[name].to_numpy(dtype=np.float64).tolist() for name in ("rate_lpm", "low_lpm", "high_lpm"))
    times = (table[name].dt.as_unit("ns").astype("int64").tolist() for name in ("start", "end"))
    return tuple(
        RecordedTrickle(start_ns=start, end_ns=end, rate_lpm=rate, low_lpm=low, high_lpm=high)
        for start, end, rate, low, high in zip(*times, *columns, strict=True)
    )


def _last_blocks(trace: Trace) -> Blocks:
    """Sum up the last whole blocks of the record, as many as the search for a trickle looks at."""
    blocks = summarise_blocks(trace)
    last = slice(max(blocks.volume_l.size - kept_blocks(trace.interval_s), 0), None)
    return Blocks(volume_l=blocks.volume_l[last], pause_s=blocks.pause_s[last], known=blocks.known[last])
