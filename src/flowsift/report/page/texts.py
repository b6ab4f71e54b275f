"""What each picture shows, in words."""

from __future__ import annotations

import numpy as np
from markupsafe import Markup

from flowsift.disaggregation import Disaggregation
from flowsift.report.account import Account, TrickleLine
from flowsift.report.page import amounts
from flowsift.report.weeks import WEEKDAYS, usual_week
from flowsift.report.wording import moment
from flowsift.study.daily_volumes import daily_volumes
from flowsift.study.flushes_study import FlushStudy

NO_WATER = Markup("No water was metered.")


def picture_texts(result: Disaggregation, account: Account, study: FlushStudy) -> dict[str, Markup]:
    """Return the text of each picture by its name."""
    if not result.trace.n_flow:
        texts = dict.fromkeys(("days", "week", "trace"), NO_WATER)
    else:
        texts = {"days": _days(result), "week": _week(result), "trace": _trace(result)}
    if account.trickle is not None:
        texts["trickle"] = _trickle(account.trickle)
    return texts | {"flushes": _flushes(study)}


def _days(result: Disaggregation) -> Markup:
    days = daily_volumes(result)
    days = days.chosen(days.complete)
    if days.n_complete < 2:
        return Markup("The record holds no two whole days to compare.")
    most, least = int(days.total_l.argmax()), int(days.total_l.argmin())
    return Markup("Of the {} whole days most on {}: {}. Least on {}: {}.").format(
        days.n_complete,
        f"{days.dates[most]:%A %Y-%m-%d}",
        amounts.volume(float(days.total_l[most])),
        f"{days.dates[least]:%A %Y-%m-%d}",
        amounts.volume(float(days.total_l[least])),
    )


def _week(result: Disaggregation) -> Markup:
    week = usual_week(result)
    mean = week["volume_l"].to_numpy(dtype=np.float64).reshape(7, 24)
    if np.isnan(mean).any():
        return Markup("Not every hour of the week was seen: those left empty were not.")
    total = mean.sum()
    hour = int(mean.sum(axis=0).argmax())
    weekday, top = divmod(int(mean.argmax()), 24)
    return Markup(
        "Most water runs between {:02d}:00 and {:02d}:00: {:.0f} % of all. The darkest hour, {} {:02d}:00, takes {} on "
        "average."
    ).format(
        hour,
        hour + 1,
        100.0 * mean[:, hour].sum() / total if total else 0.0,
        WEEKDAYS[weekday],
        top,
        amounts.volume(float(mean[weekday, top])),
    )


def _trace(result: Disaggregation) -> Markup:
    trace = result.trace
    k = int(trace.volume_l.argmax())
    peak = amounts.flow(float(trace.volume_l[k]) * 60.0 / trace.interval_s)
    when = moment(trace.time_of(trace.cell[k : k + 1])[0].tz_convert(trace.timezone))
    return Markup("{:,} uses; highest flow {} on {}. The largest uses are in the table below.").format(
        len(result.events), peak, when
    )


def _trickle(line: TrickleLine) -> Markup:
    return Markup("Mean rate {} ({} {}), {:.0f} % of the time, from {} to {}.").format(
        amounts.flow(line.rate_lpm),
        "it changed:" if line.changed else "90 % interval",
        amounts.flow_range(*((line.least_lpm, line.most_lpm) if line.changed else (line.low_lpm, line.high_lpm))),
        100 * line.running,
        moment(line.first),
        moment(line.last),
    )


def _flushes(study: FlushStudy) -> Markup:
    each = Markup("; ").join(
        Markup("{}: {} flushes of about {}").format(
            toilet.name, f"{toilet.full.flushes:,}", amounts.small_volume(toilet.full.volume_l)
        )
        for toilet in study.toilets
    )
    return Markup("Each flush by its time and volume. {}.").format(each)
