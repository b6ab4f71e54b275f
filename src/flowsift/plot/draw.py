"""The pictures: each function draws on the axes it is given and returns them."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.errors import OptionError
from flowsift.ingest.instants import written_instant
from flowsift.labels import PARTS, TRICKLE, label_words
from flowsift.report.account import percentages, use_lines
from flowsift.report.appearance import (
    FEW_DAYS,
    LOOKS,
    MATPLOTLIB_HATCH,
    MATPLOTLIB_MARKERS,
    PALE_TO_DARK,
    SERIES,
    VERMILION,
)
from flowsift.report.steps_drawn import flow_steps
from flowsift.report.weeks import WEEKDAYS, usual_week
from flowsift.report.wording import TOO_SHORT, lasting
from flowsift.signal.resolution import smallest_trickle_lpm
from flowsift.standards import flush_classes
from flowsift.study.daily_volumes import daily_volumes
from flowsift.study.flushes_study import flushes as flush_study
from flowsift.units import L_PER_GAL, SECONDS_PER_DAY, UnitSystem

HEADROOM = 1.06
"""Top of an axis over the highest that is drawn, as its multiple."""


def account(result: Disaggregation, axes: Any, *, units: UnitSystem = "si") -> Any:
    """Draw the volume a day of each label as bars, largest on top.

    Parameters
    ----------
    result : Disaggregation
    axes : matplotlib.axes.Axes
    units : {"si", "us"}

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> axes = fs.plot.account(result, Figure().add_subplot())
    """
    litres, unit = _unit(units)
    observed_s = result.trace.metered_s
    short = observed_s < SECONDS_PER_DAY
    uses = use_lines(result)
    shares = percentages(uses)
    shown = sorted((use for use in uses if use.volume_l > 0), key=lambda use: use.volume_l)
    for use in shown:
        volume_l = use.volume_l if short else use.per_day_l
        bar = axes.barh(label_words(use.label), volume_l / litres, **_look(use.label))
        axes.bar_label(bar, [f" {shares[use.label]:.1f} %"])
    axes.margins(x=0.12)
    span = f"in {lasting(observed_s)}" if short else "a day"
    axes.set_xlabel(f"volume {span} [{unit}]")
    return axes


def day(result: Disaggregation, axes: Any, *, units: UnitSystem = "si") -> Any:
    """Draw the volume of each local day, stacked by label; parameters as in `account`.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> axes = fs.plot.day(result, Figure().add_subplot())
    """
    litres, unit = _unit(units)
    days = daily_volumes(result)
    dates = days.dates.tz_localize(None)
    below = np.zeros(len(dates))
    for k in sorted(range(len(PARTS)), key=lambda k: -days.volume_l[:, k].sum()):
        volume = days.volume_l[:, k] / litres
        if volume.sum() > 0:
            axes.bar(dates, volume, 0.86, bottom=below, label=label_words(PARTS[k]), **_look(PARTS[k]))
            below = below + volume
    axes.set_ylim(0.0, HEADROOM * float(below.max(initial=0.0)) or None)
    axes.set_ylabel(f"volume a day [{unit}]")
    if len(dates) < FEW_DAYS:
        axes.set_xticks(dates, [f"{date:%Y-%m-%d}" for date in dates])
    else:
        _dated(axes)
    _legend(axes)
    return axes


def week(result: Disaggregation, axes: Any, *, units: UnitSystem = "si") -> Any:
    """Draw the mean volume in each hour of the week as a map; parameters as in `account`.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> axes = fs.plot.week(result, Figure().add_subplot())
    """
    litres, unit = _unit(units)
    volume = usual_week(result)["volume_l"].to_numpy(dtype=np.float64).reshape(7, 24) / litres
    image = axes.pcolormesh(np.arange(25), np.arange(8), volume, edgecolors="white", linewidth=0.5, **_shades())
    axes.set_yticks(np.arange(7) + 0.5, [name[:3] for name in WEEKDAYS])
    axes.set_xticks(range(0, 25, 6))
    axes.invert_yaxis()
    axes.set_xlabel("hour of the day")
    axes.figure.colorbar(image, ax=axes, label=f"mean volume in the hour [{unit}]")
    return axes


def trace(
    result: Disaggregation,
    axes: Any,
    *,
    start: str | pd.Timestamp | None = None,
    end: str | pd.Timestamp | None = None,
    units: UnitSystem = "si",
) -> Any:
    """Draw the flow over time, each use shaded by its label.

    Parameters
    ----------
    result : Disaggregation
    axes : matplotlib.axes.Axes
    start, end : str or Timestamp, optional
        Part to draw; without a zone they are in that of the trace. The whole where they aren't given.
    units : {"si", "us"}

    Raises
    ------
    OptionError
        If they are no times, or `end` isn't after `start`.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> axes = fs.plot.trace(result, Figure().add_subplot(), start="2024-06-12 07:00", end="2024-06-12 09:00")
    """
    litres, unit = _unit(units)
    zone = result.trace.timezone
    first = written_instant(start, timezone=zone) if start is not None else result.trace.start
    last = written_instant(end, timezone=zone) if end is not None else result.trace.end
    if last <= first:
        raise OptionError(f"end {last} is not after start {first}")
    origin = result.trace.start
    steps = flow_steps(result, most=100_000)
    a, b = (first - origin).total_seconds(), (last - origin).total_seconds()
    steps = steps[(steps["end_s"] > a) & (steps["start_s"] < b)]
    part = steps["part"].to_numpy()
    left, right = (_clock(origin, steps[name].to_numpy(), zone) for name in ("start_s", "end_s"))
    low, high = (steps[name].to_numpy() / litres for name in ("low_lpm", "high_lpm"))
    axes.xaxis_date()
    spans = result.trickle
    for k in range(len(spans)):
        ends = [spans[name].iloc[k].tz_convert(zone).tz_localize(None) for name in ("start", "end")]
        label = "trickle" if k == 0 else None
        axes.fill_between(ends, spans["rate_lpm"].iloc[k] / litres, color=LOOKS[TRICKLE].colour, lw=0, label=label)
    for k, name in enumerate(PARTS):
        mine = part == k
        if mine.any():
            edge = "#333333" if LOOKS[name].hatch else LOOKS[name].colour
            label = None if name == TRICKLE and len(spans) else label_words(name)
            begin, stop = (axes.convert_xunits(x[mine]) for x in (left, right))
            corners = _corners(begin, stop, low[mine], high[mine])
            look = {"facecolor": LOOKS[name].colour, "hatch": MATPLOTLIB_HATCH[LOOKS[name].hatch] or None}
            thin = 0.0 if LOOKS[name].hatch else 0.4
            axes.add_collection(_polygons(corners, label=label, linewidth=thin, edgecolor=edge, **look))
    axes.autoscale_view()
    axes.set_xlim(first.tz_convert(zone).tz_localize(None), last.tz_convert(zone).tz_localize(None))
    axes.set_ylim(bottom=0.0)
    axes.set_ylabel(f"flow [{unit}/min]")
    _dated(axes)
    _legend(axes)
    return axes


def trickle(result: Disaggregation, axes: Any, *, units: UnitSystem = "si") -> Any:
    """Draw the rate of the constant flow over time with its 90 % interval; parameters as in `account`.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> axes = fs.plot.trickle(result, Figure().add_subplot())
    """
    litres, unit = _unit(units)
    zone = result.trace.timezone
    for k, row in enumerate(result.trickle.to_dict("records")):
        ends = [row[name].tz_convert(zone).tz_localize(None) for name in ("start", "end")]
        words = ("rate", "90 % interval") if k == 0 else (None, None)
        axes.plot(ends, [row["rate_lpm"] / litres] * 2, color=VERMILION, linewidth=2, label=words[0])
        low, high = row["low_lpm"] / litres, row["high_lpm"] / litres
        axes.fill_between(ends, low, high, color=VERMILION, alpha=0.25, linewidth=0, label=words[1])
    if not len(result.trickle):
        _say(axes, "no constant flow was found" if math.isfinite(smallest_trickle_lpm(result.trace)) else TOO_SHORT)
    _whole_span(axes, result)
    axes.set_ylim(0.0, HEADROOM * float(result.trickle["high_lpm"].max()) / litres if len(result.trickle) else None)
    axes.set_ylabel(f"constant flow [{unit}/min]")
    _dated(axes)
    _legend(axes)
    return axes


def flushes(result: Disaggregation, axes: Any, *, units: UnitSystem = "si") -> Any:
    """Draw the volume of each flush, with lines at the standards' nominal volumes; parameters as in `account`.

    Examples
    --------
    >>> from matplotlib.figure import Figure
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> axes = fs.plot.flushes(result, Figure().add_subplot())
    """
    litres, unit = _unit(units)
    study = flush_study(result)
    zone = result.trace.timezone
    top = 1.0
    for k, toilet in enumerate(study.toilets):
        rows = study.members.loc[study.members["toilet"] == toilet.name, "event"].to_numpy(dtype=np.int64)
        volume = result.events["volume_l"].to_numpy()[rows]
        near = volume < 2.0 * toilet.full.volume_l
        times = pd.DatetimeIndex(result.events["start"].iloc[rows[near]]).tz_convert(zone).tz_localize(None)
        full = toilet.full
        words = (
            f"{toilet.name}: {full.volume_l / litres:.2f} {unit} ({full.low_l / litres:.2f}-{full.high_l / litres:.2f})"
        )
        look = {"marker": MATPLOTLIB_MARKERS[k % len(MATPLOTLIB_MARKERS)], "color": SERIES[k % len(SERIES)]}
        axes.plot(times, volume[near] / litres, linestyle="none", markersize=5, alpha=0.8, label=words, **look)
        top = max(top, 1.25 * float(volume[near].max(initial=0.0)))
    if not study.toilets:
        _say(axes, "no toilet could be resolved: no volume and flow repeat as a tank's refill does")
    _whole_span(axes, result)
    axes.set_ylim(0.0, top / litres)
    shown = [one for one in flush_classes() if one.nominal_l <= top]
    for one in shown:
        axes.axhline(one.nominal_l / litres, color="#777777", linestyle="--", linewidth=0.9)
    beside = axes.secondary_yaxis("right")
    beside.set_yticks([one.nominal_l / litres for one in shown], [one.name for one in shown], fontsize=8)
    axes.set_ylabel(f"volume of a flush [{unit}]")
    _dated(axes)
    handles, _ = axes.get_legend_handles_labels()
    if handles:
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, frameon=False, fontsize=8)
    return axes


def _unit(units: UnitSystem) -> tuple[float, str]:
    return (L_PER_GAL, "gal") if units == "us" else (1.0, "L")


def _look(label: str) -> dict[str, Any]:
    look = LOOKS[label]
    if not look.hatch:
        return {"color": look.colour}
    return {"facecolor": look.colour, "hatch": MATPLOTLIB_HATCH[look.hatch], "edgecolor": "#333333", "linewidth": 0.0}


def _clock(origin: pd.Timestamp, seconds: Any, zone: str) -> Any:
    times = origin + pd.to_timedelta(seconds, unit="s")
    return pd.DatetimeIndex(times).tz_convert(zone).tz_localize(None).to_numpy()


def _corners(left: Any, right: Any, low: Any, high: Any) -> Any:
    """Return the corners of rectangles, shape (n, 4, 2)."""
    return np.stack([np.stack([left, left, right, right], axis=1), np.stack([low, high, high, low], axis=1)], axis=2)


def _polygons(corners: Any, **look: Any) -> Any:
    # One collection a label: ten thousand single bars take seconds.
    from matplotlib.collections import PolyCollection

    return PolyCollection(corners, **look)


def _whole_span(axes: Any, result: Disaggregation) -> None:
    trace = result.trace
    axes.set_xlim(*(t.tz_convert(trace.timezone).tz_localize(None) for t in (trace.start, trace.end)))


def _say(axes: Any, words: str) -> None:
    """Write words where nothing is drawn."""
    axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", va="center", color="#555555", wrap=True)


def _shades() -> dict[str, Any]:
    """Return shades that grow with the root of a volume: a few sprinkler hours would leave all others pale."""
    from matplotlib.colors import LinearSegmentedColormap, PowerNorm

    return {"cmap": LinearSegmentedColormap.from_list("volume", PALE_TO_DARK), "norm": PowerNorm(0.5, vmin=0.0)}


def _dated(axes: Any) -> None:
    from matplotlib.dates import ConciseDateFormatter

    axes.xaxis_date()
    locator = axes.xaxis.get_major_locator()
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]


def _legend(axes: Any) -> None:
    handles, _ = axes.get_legend_handles_labels()
    if handles:
        axes.legend(loc="upper left", bbox_to_anchor=(1.0, 1.0), frameon=False, fontsize=8)
