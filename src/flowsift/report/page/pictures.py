"""The page's interactive pictures, drawn by Bokeh in the browser: days, week, trace, trickle, flushes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from bokeh.models import ColumnDataSource, FactorRange, HoverTool, LinearColorMapper, NumeralTickFormatter, Range1d
from bokeh.plotting import figure

from flowsift.arrays import FloatArray
from flowsift.disaggregation import Disaggregation
from flowsift.labels import LABELS, TRICKLE, UNEXPLAINED, label_words
from flowsift.report.appearance import LOOKS, MARKERS, SERIES, VERMILION
from flowsift.report.steps_drawn import flow_steps, label_positions
from flowsift.report.weeks import WEEKDAYS, usual_week
from flowsift.standards import flush_classes
from flowsift.study.daily_volumes import daily_volumes
from flowsift.study.flushes_study import FlushStudy
from flowsift.units import SECONDS_PER_DAY

MS_PER_S = 1000.0

PALE_TO_DARK = ("#f2f5f7", "#d4e3ec", "#a9c9dd", "#76abca", "#4189b3", "#0072B2", "#005485", "#003857")
"""Steps of the usual week, from our blue's tints to its shades: they differ in lightness, not in hue."""


def wall_ms(times: Any, timezone: str) -> FloatArray:
    """Return clock times as people read them, as milliseconds [ms]; at the end of summer time an hour comes twice."""
    local = pd.DatetimeIndex(times).tz_convert(timezone).tz_localize(None)
    return np.asarray(local.as_unit("ns").asi8 / 1e6, dtype=np.float64)


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
    drawing = _figure("days", "volume a day", tools="xpan,xbox_zoom,reset", x_axis_type="datetime", height=340)
    names = (*LABELS, TRICKLE, UNEXPLAINED)
    below = np.zeros(len(x))
    order = sorted(range(len(names)), key=lambda k: -days.volume_l[:, k].sum())
    dates = days.dates.strftime("%a %Y-%m-%d").to_numpy(dtype=object)
    for k in order:
        volume = days.volume_l[:, k]
        if volume.sum() <= 0:
            continue
        source = ColumnDataSource({"x": x, "low_l": below, "high_l": below + volume, "own_l": volume, "date": dates})
        bars = drawing.vbar(
            x="x",
            bottom="low_l",
            top="high_l",
            width=0.86 * SECONDS_PER_DAY * MS_PER_S,
            source=source,
            **_fill(names[k]),
        )
        drawing.add_tools(_hover([(label_words(names[k]), "@own_l{0,0.0}"), ("day", "@date")], bars))
        below = below + volume
    drawing.y_range.start = 0
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
    drawing.add_tools(_hover([("mean volume in the hour", "@mean_l{0,0.0}"), ("hour", "@day @clock")], squares))
    drawing.xaxis.ticker = [0, 6, 12, 18, 24]
    drawing.grid.visible = False
    return drawing


def trace_picture(result: Disaggregation) -> Any:
    """Return the flow over time, each use shaded by its label."""
    trace, events, zone = result.trace, result.events, result.trace.timezone
    drawing = _figure("trace", "flow", tools="xpan,xbox_zoom,xwheel_zoom,reset", x_axis_type="datetime", height=380)
    steps = flow_steps(result)
    position = np.concatenate([label_positions(result), [len(LABELS) + 1, len(LABELS)]])  # -2, -1 count from the end
    of = position[steps["event"].to_numpy()] if len(steps) else np.empty(0, np.int64)
    start = trace.start + pd.to_timedelta(steps["start_s"].to_numpy(), unit="s")
    left = wall_ms(start, zone)
    right = left + (steps["end_s"].to_numpy() - steps["start_s"].to_numpy()) * MS_PER_S
    spans = result.trickle
    if len(spans):
        source = ColumnDataSource(
            {
                "left": wall_ms(spans["start"], zone),
                "right": wall_ms(spans["end"], zone),
                "low_lpm": np.zeros(len(spans), np.float32),
                "high_lpm": spans["rate_lpm"].to_numpy(dtype=np.float32),
            }
        )
        drawing.quad("left", "right", "high_lpm", "low_lpm", source=source, **_fill(TRICKLE))
    for k, name in enumerate((*LABELS, TRICKLE, UNEXPLAINED)):
        mine = np.flatnonzero(of == k)
        if not mine.size:
            continue
        source = ColumnDataSource(
            {
                "left": left[mine],
                "right": right[mine],
                "low_lpm": steps["low_lpm"].to_numpy(dtype=np.float32)[mine],
                "high_lpm": steps["high_lpm"].to_numpy(dtype=np.float32)[mine],
            }
        )
        look = _fill(name) | {"line_color": LOOKS[name].colour, "line_width": 0.6}
        drawing.quad("left", "right", "high_lpm", "low_lpm", source=source, **look)
    source = ColumnDataSource(
        {
            "left": wall_ms(events["start"], zone),
            "right": wall_ms(events["end"], zone),
            "peak_lpm": events["peak_lpm"].to_numpy(dtype=np.float32),
            "mean_lpm": events["mean_lpm"].to_numpy(dtype=np.float32),
            "volume_l": events["volume_l"].to_numpy(dtype=np.float32),
            "sure": np.round(100.0 * events["probability"].to_numpy()).astype(np.uint8),
            "fixture": events["fixture"].to_numpy(dtype=object),
        },
        name="events",
    )
    boxes = drawing.quad(
        "left", "right", "peak_lpm", 0.0, source=source, fill_alpha=0, line_alpha=0, hover_fill_alpha=0.15
    )
    tooltips = [
        ("fixture", "@fixture"),
        ("sure", "@sure %"),
        ("start", "@left{%a %F %T}"),
        ("end", "@right{%T}"),
        ("volume", "@volume_l{0,0.00}"),
        ("mean flow", "@mean_lpm{0.00}"),
        ("peak flow", "@peak_lpm{0.00}"),
    ]
    drawing.add_tools(_hover(tooltips, boxes, formatters={"@left": "datetime", "@right": "datetime"}))
    for a, b in trace.gaps.tolist():
        edges = wall_ms(trace.time_of(np.array([a, b])), zone)
        drawing.vspan(x=[edges[0], edges[1]], line_color="#888888", line_dash="dotted")
    drawing.y_range.start = 0
    _set_span(drawing, wall_ms([trace.start, trace.end], zone))
    drawing.window_axis = "x"  # the flow axis follows what is in view
    return drawing


def trickle_picture(result: Disaggregation) -> Any:
    """Return the rate of the constant flow over time with its interval."""
    spans, zone = result.trickle, result.trace.timezone
    drawing = _figure("trickle", "constant flow", tools="xpan,xbox_zoom,reset", x_axis_type="datetime", height=260)
    source = ColumnDataSource(
        {
            "left": wall_ms(spans["start"], zone),
            "right": wall_ms(spans["end"], zone),
            "rate_lpm": spans["rate_lpm"].to_numpy(),
            "low_lpm": spans["low_lpm"].to_numpy(),
            "high_lpm": spans["high_lpm"].to_numpy(),
        }
    )
    band = {"fill_color": VERMILION, "fill_alpha": 0.25, "line_color": None, "legend_label": "90 % interval"}
    boxes = drawing.quad("left", "right", "high_lpm", "low_lpm", source=source, **band)
    drawing.segment(
        "left", "rate_lpm", "right", "rate_lpm", source=source, line_color=VERMILION, line_width=3, legend_label="rate"
    )
    tooltips = [("rate", "@rate_lpm{0.0000}"), ("at least", "@low_lpm{0.0000}"), ("at most", "@high_lpm{0.0000}")]
    drawing.add_tools(_hover(tooltips, boxes))
    drawing.y_range.start = 0
    _set_span(drawing, wall_ms([result.trace.start, result.trace.end], zone))
    _legend_below(drawing)
    return drawing


def flushes_picture(result: Disaggregation, study: FlushStudy) -> Any:
    """Return the volume of each flush over time, with lines at the nominal volumes of the standard classes."""
    zone = result.trace.timezone
    drawing = _figure("flushes", "volume of a flush", tools="xpan,xbox_zoom,reset", x_axis_type="datetime", height=340)
    events = result.events
    span = wall_ms([result.trace.start, result.trace.end], zone)
    top = 0.0
    for k, toilet in enumerate(study.toilets):
        rows = study.members.loc[study.members["toilet"] == toilet.name, "event"].to_numpy()
        volume = events["volume_l"].to_numpy()[rows]
        near = volume < 2.0 * toilet.full.volume_l
        source = ColumnDataSource({"x": wall_ms(events["start"].iloc[rows[near]], zone), "volume_l": volume[near]})
        top = max(top, 1.25 * float(volume[near].max(initial=0.0)))
        points = drawing.scatter(
            "x",
            "volume_l",
            source=source,
            marker=MARKERS[k % len(MARKERS)],
            size=8,
            color=SERIES[k % len(SERIES)],
            alpha=0.75,
            legend_label=toilet.name,
        )
        tips = [(toilet.name, "@volume_l{0.00}"), ("time", "@x{%a %F %H:%M}")]
        drawing.add_tools(_hover(tips, points, formatters={"@x": "datetime"}))
    lines = [c for c in flush_classes() if c.nominal_l <= top]
    nominal = np.array([c.nominal_l for c in lines])
    n = len(lines)
    source = ColumnDataSource(
        {
            "left": np.full(n, span[0]),
            "right": np.full(n, span[1]),
            "line_l": nominal,
            "name": [c.name if c.name.endswith("gpf") else "reduced" for c in lines],
        }
    )
    look = {"line_color": "#777777", "line_dash": "dashed", "line_width": 1.2}
    drawing.segment("left", "line_l", "right", "line_l", source=source, **look)
    drawing.text(
        "right",
        "line_l",
        "name",
        source=source,
        text_font_size="12px",
        text_color="#777777",
        text_baseline="bottom",
        text_align="right",
    )
    drawing.y_range.start = 0
    _set_span(drawing, span)
    _legend_below(drawing)
    return drawing


def _figure(name: str, quantity: str, *, tools: str, x_axis_type: Any, height: int) -> Any:
    drawing = figure(
        name=name,
        height=height,
        sizing_mode="stretch_width",
        tools=tools,
        active_drag=None,
        active_scroll=None,
        x_axis_type=x_axis_type,
        y_axis_label=quantity,
        output_backend="canvas",
    )
    drawing.toolbar.logo = None
    drawing.yaxis.formatter = NumeralTickFormatter(format="0,0.[000]")
    drawing.xgrid.visible = False
    return drawing


def _set_span(drawing: Any, ms: FloatArray) -> None:
    """Fix the time axis: a range that follows the data would undo a zoom whenever the unit changes."""
    drawing.x_range = Range1d(start=float(ms[0]), end=float(ms[1]))


def _fill(label: str) -> dict[str, Any]:
    look = LOOKS[label]
    fill: dict[str, Any] = {"fill_color": look.colour, "line_color": None}
    if look.hatch:
        fill |= {"hatch_pattern": look.hatch, "hatch_color": "#222222", "hatch_alpha": 0.6, "hatch_scale": 8.0}
    return fill


def _hover(tooltips: list[tuple[str, str]], on: Any, formatters: dict[str, Any] | None = None) -> HoverTool:
    return HoverTool(tooltips=tooltips, renderers=[on], formatters=formatters or {}, visible=False)


def _legend_below(drawing: Any) -> None:
    if not drawing.legend:
        return
    legend = drawing.legend[0]
    legend.update(
        orientation="horizontal",
        border_line_color=None,
        background_fill_alpha=0.0,
        click_policy="hide",
        label_text_font_size="13px",
        margin=2,
        padding=2,
    )
    drawing.add_layout(legend, "below")
