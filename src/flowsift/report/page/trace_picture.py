"""The picture of the flow itself: each use shaded by its label, with its figures and reason under the pointer."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from bokeh.models import ColumnDataSource, Range1d

from flowsift.disaggregation import Disaggregation
from flowsift.labels import PARTS, TRICKLE
from flowsift.report.appearance import LOOKS
from flowsift.report.page.drawing import MS_PER_S, dated_figure, hover, label_fill, set_span, wall_ms
from flowsift.report.page.reasons import reason_columns
from flowsift.report.steps_drawn import flow_steps


def trace_picture(result: Disaggregation) -> Any:
    """Return the flow over time, each use shaded by its label."""
    trace, zone = result.trace, result.trace.timezone
    drawing = dated_figure("trace", "flow [L/min]", height=400)
    _add_trickle(drawing, result)
    _add_uses(drawing, result)
    boxes = drawing.quad(
        "left",
        "right",
        "peak_lpm",
        0.0,
        source=ColumnDataSource(_use_columns(result), name="uses"),
        fill_color=None,  # nothing to paint: tens of thousands of boxes that nobody sees
        line_color=None,
        hover_fill_color="#777777",
        hover_fill_alpha=0.35,
        hover_line_color="#777777",
    )
    drawing.add_tools(hover(None, [boxes]))
    for a, b in trace.gaps.tolist():
        edges = wall_ms(trace.time_of(np.array([a, b])), zone)
        drawing.vspan(x=[edges[0], edges[1]], line_color="#888888", line_dash="dotted")
    set_span(drawing, wall_ms([trace.start, trace.end], zone))
    drawing.y_range = Range1d(start=0.0, end=1.0)  # the page's script fits it to what is in view
    return drawing


def _add_trickle(drawing: Any, result: Disaggregation) -> None:
    spans, zone = result.trickle, result.trace.timezone
    if len(spans):
        source = ColumnDataSource(
            {
                "left": wall_ms(spans["start"], zone),
                "right": wall_ms(spans["end"], zone),
                "low_lpm": np.zeros(len(spans), np.float32),
                "high_lpm": spans["rate_lpm"].to_numpy(dtype=np.float32),
            }
        )
        drawing.quad("left", "right", "high_lpm", "low_lpm", source=source, **label_fill(TRICKLE))


def _add_uses(drawing: Any, result: Disaggregation) -> None:
    trace = result.trace
    steps = flow_steps(result)
    part = steps["part"].to_numpy()
    left = wall_ms(trace.start + pd.to_timedelta(steps["start_s"].to_numpy(), unit="s"), trace.timezone)
    right = left + (steps["end_s"].to_numpy() - steps["start_s"].to_numpy()) * MS_PER_S
    for k, name in enumerate(PARTS):
        mine = np.flatnonzero(part == k)
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
        look = label_fill(name) | {"line_color": LOOKS[name].colour, "line_width": 0.6}
        drawing.quad("left", "right", "high_lpm", "low_lpm", source=source, **look)


def _use_columns(result: Disaggregation) -> dict[str, Any]:
    events, zone = result.events, result.trace.timezone
    return {
        "left": wall_ms(events["start"], zone),
        "right": wall_ms(events["end"], zone),
        "peak_lpm": events["peak_lpm"].to_numpy(dtype=np.float32),
        "mean_lpm": events["mean_lpm"].to_numpy(dtype=np.float32),
        "volume_l": events["volume_l"].to_numpy(dtype=np.float32),
        **reason_columns(result),
    }
