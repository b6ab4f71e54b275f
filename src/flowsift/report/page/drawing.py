"""What the page's pictures share: an empty figure, how a label is filled, what a pointer shows, clock times."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from bokeh.models import DataRange1d, HoverTool, InlineStyleSheet, NumeralTickFormatter, Range1d, WheelZoomTool
from bokeh.plotting import figure

from flowsift.arrays import FloatArray
from flowsift.report.appearance import LOOKS

MS_PER_S = 1000.0


def wall_ms(times: Any, timezone: str) -> FloatArray:
    """Return clock times as people read them, as milliseconds [ms]; at the end of summer time an hour comes twice."""
    local = pd.DatetimeIndex(times).tz_convert(timezone).tz_localize(None)
    return np.asarray(local.as_unit("ns").asi8 / 1e6, dtype=np.float64)


def dated_figure(name: str, quantity: str, *, height: int) -> Any:
    """Return an empty figure over time that can be moved and zoomed sideways.

    No tool is active from the start, so that a finger that meets the picture still scrolls the page; the wheel zooms
    with the control key held. The page's script switches zooming by drag on where there is a mouse.
    """
    drawing = figure(
        name=name,
        height=height,
        sizing_mode="stretch_width",
        tools="xpan,xbox_zoom,reset",
        active_drag=None,
        toolbar_location="above",
        x_axis_type="datetime",
        y_axis_label=quantity,
        y_range=DataRange1d(start=0),
        output_backend="canvas",
        hold_render=True,  # painted once, when the page's script has given it its colours
    )
    wheel = WheelZoomTool(dimensions="width", modifiers={"ctrl": True})
    drawing.add_tools(wheel)
    drawing.toolbar.active_scroll = wheel
    drawing.toolbar.logo = None
    drawing.toolbar.stylesheets = [InlineStyleSheet(css="@media print { :host { display: none !important; } }")]
    drawing.yaxis.formatter = NumeralTickFormatter(format="0,0.[000]")
    drawing.xgrid.visible = False
    return drawing


def set_span(drawing: Any, ms: FloatArray) -> None:
    """Fix the time axis: a range that follows the data would undo a zoom whenever the unit changes."""
    drawing.x_range = Range1d(start=float(ms[0]), end=float(ms[1]))


def label_fill(label: str) -> dict[str, Any]:
    """Return the colour and the hatch of a label."""
    look = LOOKS[label]
    fill: dict[str, Any] = {"fill_color": look.colour, "line_color": None}
    if look.hatch:
        fill |= {"hatch_pattern": look.hatch, "hatch_color": "#222222", "hatch_alpha": 0.6, "hatch_scale": 8.0}
    return fill


def hover(
    tooltips: list[tuple[str, str]] | None, on: Sequence[Any], formatters: dict[str, Any] | None = None
) -> HoverTool:
    """Return what the pointer shows over glyphs; the page's script writes it where no tooltips are given."""
    return HoverTool(tooltips=tooltips, renderers=list(on), formatters=formatters or {}, visible=False)
