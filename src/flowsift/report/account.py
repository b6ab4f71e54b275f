"""The water account of a household: where the metered water went."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.digits import round_to_sum
from flowsift.disaggregation import Disaggregation
from flowsift.labels import LABELS, TRICKLE, UNEXPLAINED
from flowsift.quality import Finding
from flowsift.signal.resolution import smallest_trickle_lpm
from flowsift.study.flushes_study import FlushStudy, flushes
from flowsift.units import SECONDS_PER_DAY


@dataclass(frozen=True, kw_only=True)
class UseLine:
    """What one label took.

    Attributes
    ----------
    label : str
        A label of `flowsift.labels.LABELS`, or ``trickle`` or ``unexplained``.
    uses : int
        Uses; a load of a washer and a cycle of an irrigation zone is one use. 0 for trickle and unexplained.
    volume_l : float
        Volume [L].
    per_day_l : float
        Volume a day of observed time [L].
    share : float
        Part of the metered volume, 0 to 1.
    probability : float or None
        Mean probability of the label, weighted by volume; None for trickle and unexplained.
    """

    label: str
    uses: int
    volume_l: float
    per_day_l: float
    share: float
    probability: float | None


@dataclass(frozen=True, kw_only=True)
class TrickleLine:
    """The constant flow under everything.

    Attributes
    ----------
    rate_lpm, low_lpm, high_lpm : float
        Mean rate over the time it ran, and the mean of its 90 % bounds [L/min].
    least_lpm, most_lpm : float
        Rate of its lowest and of its highest span [L/min]; both the mean rate where their bounds meet.
    per_day_l, volume_l : float
        Volume a day of observed time, and in all [L].
    running : float
        Part of the observed time during which it ran, 0 to 1.
    first, last : Timestamp
        Start of the first span and end of the last, in the time zone people read the trace in.
    spans : int
        Number of spans.
    """

    rate_lpm: float
    low_lpm: float
    high_lpm: float
    least_lpm: float
    most_lpm: float
    per_day_l: float
    volume_l: float
    running: float
    first: pd.Timestamp
    last: pd.Timestamp
    spans: int

    @property
    def changed(self) -> bool:
        """Whether it ran at more than one rate."""
        return self.least_lpm < self.most_lpm


@dataclass(frozen=True, kw_only=True)
class FlushLine:
    """One kind of flush of one toilet.

    Attributes
    ----------
    toilet : str
        Name of the toilet, the same as in the table of events for most of its flushes.
    kind : str
        ``full`` or ``reduced``.
    fixtures : tuple of str
        Names under which the toilet's flushes stand in the table of events, the commonest first.
    flushes : int
    per_flush_l, low_l, high_l : float
        Most probable volume of a flush and its 90 % interval, the meter's own error included [L].
    volume_l : float
        Volume of all of them [L].
    """

    toilet: str
    kind: str
    fixtures: tuple[str, ...]
    flushes: int
    per_flush_l: float
    low_l: float
    high_l: float
    volume_l: float


@dataclass(frozen=True, kw_only=True)
class Account:
    """Where the water went.

    Attributes
    ----------
    start, end : Timestamp
        Period of the trace, in the time zone people read it in.
    timezone : str
        Name of that time zone.
    observed_s : float
        Time with data, or with a known volume over a gap [s]; per-day figures rest on it.
    gap_s : float
        Time without data [s].
    metered_l, per_day_l : float
        Metered volume, in all and a day of observed time [L].
    uses : tuple of UseLine
        Every label that took water, by volume; then trickle and unexplained. Volumes add up to `metered_l`.
    trickle : TrickleLine or None
        None where no trickle was found.
    trickle_told : bool
        False where the record is too short to tell a constant flow from a use: none found says nothing.
    toilets : tuple of FlushLine
        Measured by `flowsift.study.flushes`; empty where no volume repeats.
    unmeasured_flushes, unmeasured_flush_l : int, float
        Events called flushes that entered none of `toilets`, and their volume [L].
    gap_volume_l : float
        Part of the unexplained volume that passed while there was no data [L].
    findings : tuple of Finding
        Faults, assumptions and limits.
    """

    start: pd.Timestamp
    end: pd.Timestamp
    timezone: str
    observed_s: float
    gap_s: float
    metered_l: float
    per_day_l: float
    uses: tuple[UseLine, ...]
    trickle: TrickleLine | None
    trickle_told: bool
    toilets: tuple[FlushLine, ...]
    unmeasured_flushes: int
    unmeasured_flush_l: float
    gap_volume_l: float
    findings: tuple[Finding, ...]

    @property
    def unexplained(self) -> UseLine:
        """The line of the volume that nothing accounts for."""
        return self.uses[-1]

    @property
    def short(self) -> bool:
        """Whether less than a day was observed: an hour says little of a day, so people are told it as it is."""
        return self.observed_s < SECONDS_PER_DAY


def percentages(uses: Sequence[UseLine]) -> dict[str, float]:
    """Return the share of each label as it is shown, to a tenth, so that the shares add up [%]."""
    percent = [100.0 * use.share for use in uses]
    rounded = round_to_sum(percent, total=sum(percent), decimals=1)
    return {use.label: percent for use, percent in zip(uses, rounded, strict=True)}


def water_account(result: Disaggregation, *, study: FlushStudy | None = None) -> Account:
    """Draw up the account of one disaggregated trace.

    Parameters
    ----------
    result : Disaggregation
    study : FlushStudy, optional
        Of the same result, where it has been done already.

    Returns
    -------
    Account
        Volumes, per-day figures and shares of `Account.uses` add up to those of the whole. An empty trace gives an
        account with zeros.
    """
    trace, balance = result.trace, result.balance
    days = trace.metered_s / SECONDS_PER_DAY
    timezone = trace.timezone
    study = flushes(result) if study is None else study
    return Account(
        start=trace.start.tz_convert(timezone),
        end=trace.end.tz_convert(timezone),
        timezone=timezone,
        observed_s=trace.metered_s,
        gap_s=balance.gap_s,
        metered_l=balance.metered_l,
        per_day_l=balance.metered_l / days if days else 0.0,
        uses=use_lines(result),
        trickle=_trickle(result),
        trickle_told=math.isfinite(smallest_trickle_lpm(trace)),
        toilets=_toilets(result, study),
        unmeasured_flushes=sum(left.n_events for left in study.left_out),
        unmeasured_flush_l=sum(left.volume_l for left in study.left_out),
        gap_volume_l=float(trace.gap_volume_l.sum()),
        findings=(*trace.findings, *result.findings),
    )


def use_lines(result: Disaggregation) -> tuple[UseLine, ...]:
    """Return what every label took, as in `Account.uses`: by volume, then trickle and unexplained."""
    balance, days = result.balance, result.trace.metered_s / SECONDS_PER_DAY

    def line(label: str, volume_l: float, uses: int = 0, probability: float | None = None) -> UseLine:
        return UseLine(
            label=label,
            uses=uses,
            volume_l=volume_l,
            per_day_l=volume_l / days if days else 0.0,
            share=volume_l / balance.metered_l if balance.metered_l else 0.0,
            probability=probability,
        )

    lines = [line(label, *what) for label, what in _by_label(result).items()]
    lines.sort(key=lambda use: (-use.volume_l, LABELS.index(use.label)))
    return (*lines, line(TRICKLE, balance.trickle_l), line(UNEXPLAINED, balance.unexplained_l))


def _by_label(result: Disaggregation) -> dict[str, tuple[float, int, float]]:
    """Return volume [L], uses and mean probability of each label that occurs."""
    events = result.events
    uses = result.fixtures.groupby("label")["uses"].sum()
    totals = {}
    for label, group in events.groupby("label", sort=False):
        volume = group["volume_l"].to_numpy()
        weight = volume if volume.sum() > 0 else np.ones(volume.size)
        probability = float(np.average(group["probability"].to_numpy(), weights=weight))
        totals[str(label)] = (float(volume.sum()), int(uses[label]), probability)
    return totals


def _trickle(result: Disaggregation) -> TrickleLine | None:
    spans, observed_s = result.trickle, result.trace.metered_s
    if not len(spans):
        return None
    seconds = (spans["end"] - spans["start"]).dt.total_seconds().to_numpy()
    volume = result.balance.trickle_l
    rate, low, high = spans[["rate_lpm", "low_lpm", "high_lpm"]].to_numpy(dtype=np.float64).T
    mean = float(np.average(rate, weights=seconds))
    least, most = int(rate.argmin()), int(rate.argmax())
    changed = high[least] < low[most]
    return TrickleLine(
        rate_lpm=mean,
        low_lpm=float(np.average(low, weights=seconds)),
        high_lpm=float(np.average(high, weights=seconds)),
        least_lpm=float(rate[least]) if changed else mean,
        most_lpm=float(rate[most]) if changed else mean,
        per_day_l=volume * SECONDS_PER_DAY / observed_s,
        volume_l=volume,
        running=min(float(seconds.sum()) / observed_s, 1.0),
        first=spans["start"].min().tz_convert(result.trace.timezone),
        last=spans["end"].max().tz_convert(result.trace.timezone),
        spans=len(spans),
    )


def _toilets(result: Disaggregation, study: FlushStudy) -> tuple[FlushLine, ...]:
    members = study.members.assign(volume_l=result.events["volume_l"].to_numpy()[study.members["event"]])
    volume_l = members.groupby(["toilet", "kind"])["volume_l"].sum()
    return tuple(
        FlushLine(
            toilet=toilet.name,
            kind=kind,
            fixtures=toilet.fixtures,
            flushes=flush.flushes,
            per_flush_l=flush.volume_l,
            low_l=flush.low_l,
            high_l=flush.high_l,
            volume_l=float(volume_l[toilet.name, kind]),
        )
        for toilet in study.toilets
        for kind, flush in (("full", toilet.full), ("reduced", toilet.reduced))
        if flush is not None
    )
