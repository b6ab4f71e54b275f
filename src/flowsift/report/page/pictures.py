"""The page's interactive pictures, drawn by Bokeh in the browser: days, week, trace, trickle, flushes."""

from __future__ import annotations

from typing import Any

import numpy as np
from bokeh.models import ColumnDataSource, FactorRange, LinearAxis, LinearColorMapper, Range1d
from bokeh.plotting import figure

from flowsift.disaggregation import Disaggregation
from flowsift.labels import PARTS, label_words
from flowsift.report.appearance import FEW_DAYS, MARKERS, PALE_TO_DARK, SERIES, VERMILION
from flowsift.report.page.drawing import MS_PER_S, dated_figure, hover, label_fill, set_span, wall_ms
from flowsift.report.page.trace_picture import trace_picture
from flowsift.report.weeks import WEEKDAYS, usual_week
from flowsift.standards import flush_classes
from flowsift.study.daily_volumes import daily_volumes
from flowsift.study.flushes_study import FlushStudy
from flowsift.units import SECONDS_PER_DAY


def pictures(result: Disaggregation, study: FlushStudy) -> dict[str, Any]:
    """Return the pictures by name; one that would be empty is left out."""
    made = {"days": days_picture(result), "week": week_picture(result), "trace": trace_picture(result)}
    if len(result.trickle):
        made["trickle"] = trickle_picture(result)
    if study.toilets:
        made["flushes"] = flushes_picture(result, study)
    return made


def days_picture(result: Disaggregation) -> Any:
    """Return the volume of each day, stacked by label."""
    days = daily_volumes(result)
    x = np.asarray(days.dates.tz_localize(None).as_unit("ns").asi8 / 1e6) + 0.5 * SECONDS_PER_DAY * MS_PER_S
    drawing = dated_figure("days", "volume a day [L]", height=360)
    if len(x) < FEW_DAYS:
        drawing.xaxis.ticker = x.tolist()
        drawing.xaxis.major_label_overrides = dict(zip(x.tolist(), days.dates.strftime("%Y-%m-%d"), strict=True))
    below = np.zeros(len(x))
    order = sorted(range(len(PARTS)), key=lambda k: -days.volume_l[:, k].sum())
    dates = days.dates.strftime("%a %Y-%m-%d").to_numpy(dtype=object)
    bars = []
    for k in order:
        own = np.flatnonzero(days.volume_l[:, k] > 0)
        if not own.size:
            continue
        volume = days.volume_l[:, k]
        columns = {"x": x, "low_l": below, "high_l": below + volume, "own_l": volume, "date": dates}
        bars.append(
            drawing.vbar(
                x="x",
                bottom="low_l",
                top="high_l",
                width=0.86 * SECONDS_PER_DAY * MS_PER_S,
                source=ColumnDataSource({name: column[own] for name, column in columns.items()}),
                name=label_words(PARTS[k]),
                **label_fill(PARTS[k]),
            )
        )
        below = below + volume
    drawing.add_tools(hover([("$name", "@own_l{0,0.0} L"), ("day", "@date")], bars))
    return drawing


def week_picture(result: Disaggregation) -> Any:
    """Return the usual week as a map of hours by weekday."""
    week = usual_week(result)
    volume = week["volume_l"].to_numpy(dtype=np.float64)
    source = ColumnDataSource(
        {
            "hour": week["hour"].to_numpy(dtype=np.float64) + 0.5,
            "day": [WEEKDAYS[d][:3] for d in week["weekday"].to_numpy()],
            "clock": [f"{h:02d}:00 to {h + 1:02d}:00" for h in week["hour"].to_numpy()],
            "mean_l": volume,
            "shade": np.sqrt(volume),  # a few sprinkler hours would leave all others pale
        }
    )
    drawing = figure(
        name="week",
        height=300,
        sizing_mode="stretch_width",
        x_range=Range1d(start=0, end=24),
        y_range=FactorRange(factors=[d[:3] for d in reversed(WEEKDAYS)]),
        tools="",
        toolbar_location=None,
        hold_render=True,
        x_axis_label="hour of the day",
    )
    top = float(np.sqrt(np.nanmax(volume))) if np.isfinite(volume).any() else 1.0
    mapper = LinearColorMapper(palette=PALE_TO_DARK, low=0.0, high=max(top, 1e-9), nan_color="#00000000")
    squares = drawing.rect(
        x="hour",
        y="day",
        width=0.94,
        height=0.9,
        source=source,
        fill_color={"field": "shade", "transform": mapper},
        line_color=None,
    )
    drawing.add_tools(hover([("mean volume", "@mean_l{0,0.0} L"), ("hour", "@day @clock")], [squares]))
    drawing.xaxis.ticker = [0, 6, 12, 18, 24]
    drawing.grid.visible = False
    return drawing


def trickle_picture(result: Disaggregation) -> Any:
    """Return the rate of the constant flow over time with its interval."""
    spans, zone = result.trickle, result.trace.timezone
    drawing = dated_figure("trickle", "constant flow [L/min]", height=280)
    source = ColumnDataSource(
        {
            "left": wall_ms(spans["start"], zone),
            "right": wall_ms(spans["end"], zone),
            "rate_lpm": spans["rate_lpm"].to_numpy(),
            "low_lpm": spans["low_lpm"].to_numpy(),
            "high_lpm": spans["high_lpm"].to_numpy(),
        }
    )
    band = {"fill_color": VERMILION, "fill_alpha": 0.3, "line_color": None}
    drawing.quad("left", "right", "high_lpm", "low_lpm", source=source, **band)
    drawing.segment("left", "rate_lpm", "right", "rate_lpm", source=source, line_color=VERMILION, line_width=3)
    below = drawing.quad("left", "right", "high_lpm", 0.0, source=source, fill_color=None, line_color=None)
    tooltips = [
        ("rate", "@rate_lpm{0.0000} L/min"),
        ("90 % interval", "@low_lpm{0.0000} to @high_lpm{0.0000} L/min"),
        ("from", "@left{%a %F %H:%M}"),
        ("to", "@right{%a %F %H:%M}"),
    ]
    drawing.add_tools(hover(tooltips, [below], {"@left": "datetime", "@right": "datetime"}))
    set_span(drawing, wall_ms([result.trace.start, result.trace.end], zone))
    return drawing


def flushes_picture(result: Disaggregation, study: FlushStudy) -> Any:
    """Return the volume of each flush over time, with lines at the nominal volumes of the standard classes."""
    zone = result.trace.timezone
    drawing = dated_figure("flushes", "volume of a flush [L]", height=360)
    events = result.events
    span = wall_ms([result.trace.start, result.trace.end], zone)
    top, points = 0.0, []
    for k, toilet in enumerate(study.toilets):
        rows = study.members.loc[study.members["toilet"] == toilet.name, "event"].to_numpy()
        volume = events["volume_l"].to_numpy()[rows]
        near = volume < 2.0 * toilet.full.volume_l
        source = ColumnDataSource({"x": wall_ms(events["start"].iloc[rows[near]], zone), "volume_l": volume[near]})
        top = max(top, 1.25 * float(volume[near].max(initial=0.0)))
        look = {"marker": MARKERS[k % len(MARKERS)], "color": SERIES[k % len(SERIES)], "size": 8, "alpha": 0.75}
        points.append(drawing.scatter("x", "volume_l", source=source, name=toilet.name, **look))
    tips = [("$name", "@volume_l{0.00} L"), ("time", "@x{%a %F %H:%M}")]
    drawing.add_tools(hover(tips, points, {"@x": "datetime"}))
    _add_classes(drawing, top, span)
    set_span(drawing, span)
    return drawing


def _add_classes(drawing: Any, top_l: float, span: Any) -> None:
    """Draw a line at the nominal volume of each class, named on an axis at its right end."""
    lines = [c for c in flush_classes() if c.nominal_l <= top_l]
    nominal_l = [c.nominal_l for c in lines]
    ends = {"left": np.full(len(lines), span[0]), "right": np.full(len(lines), span[1])}
    source = ColumnDataSource({**ends, "line_l": np.array(nominal_l)})
    look = {"line_color": "#777777", "line_dash": "dashed", "line_width": 1.2}
    drawing.segment("left", "line_l", "right", "line_l", source=source, **look)
    axis: Any = LinearAxis()
    axis.ticker = nominal_l
    axis.major_label_overrides = {c.nominal_l: c.name if c.name.endswith("gpf") else "reduced" for c in lines}
    drawing.add_layout(axis, "right")
