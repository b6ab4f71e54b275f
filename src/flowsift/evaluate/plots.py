"""Pictures of a ranking; they need a plotting library (``pip install flowsift[bench]``)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from flowsift.errors import OptionError
from flowsift.evaluate.ranking import RANKED_BY, Run, by_condition
from flowsift.evaluate.scores import DEFINITIONS
from flowsift.files import replace_file


def plot_resolution(runs: Sequence[Run], path: str | Path, *, figure: str = RANKED_BY) -> bool:
    """Draw a figure against the length of the interval, a panel for each pulse, a line for each method.

    Parameters
    ----------
    runs : sequence of Run
    path : path
        File to write; its ending gives the form (PNG, SVG, PDF).
    figure : str

    Returns
    -------
    bool
        False, and nothing written, if the runs know one condition only.

    Raises
    ------
    OptionError
        If the plotting library is not installed.
    """
    tables = {run.manifest.method: by_condition(run, figure=figure) for run in runs}
    pulses = sorted({pulse for table in tables.values() for pulse in table["pulse_l"]})
    intervals = sorted({s for table in tables.values() for s in table["interval_s"]})
    if len(intervals) < 2:
        return False
    canvas, panels = _panels(len(pulses))
    for panel, pulse_l in zip(panels, pulses, strict=True):
        for method, table in tables.items():
            part = table[table["pulse_l"] == pulse_l]
            line = panel.plot(part["interval_s"], part["value"], marker="o", label=method)[0]
            panel.fill_between(part["interval_s"], part["low"], part["high"], color=line.get_color(), alpha=0.15, lw=0)
        panel.set(title=f"pulse {pulse_l:g} L", xlabel="interval, s", xscale="log")
        panel.set_xticks(intervals, [f"{s:g}" for s in intervals])
        panel.minorticks_off()
        panel.grid(alpha=0.3)
    panels[0].set_ylabel(DEFINITIONS[figure.split("[")[0]].title)
    # A share of all may be above 1 by its rounding.
    drawn = np.concatenate([table[["value", "low", "high"]].to_numpy() for table in tables.values()]).round(9)
    if DEFINITIONS[figure.split("[")[0]].unit == "" and not ((drawn < 0.0) | (drawn > 1.0)).any():
        panels[0].set_ylim(0.0, 1.0)
    panels[-1].legend(frameon=False, loc="upper left", bbox_to_anchor=(1.02, 1.0))
    replace_file(Path(path), lambda temporary: canvas.savefig(temporary, dpi=150))
    return True


def _panels(n: int) -> tuple[Any, Any]:
    try:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure
    except ImportError as error:
        raise OptionError("plots need matplotlib: pip install 'flowsift[bench]'") from error
    # No pyplot: no global state, no window, nothing to close.
    figure = Figure(figsize=(3.2 * n + 1.8, 3.6), layout="constrained")
    FigureCanvasAgg(figure)
    return figure, figure.subplots(1, n, sharey=True, squeeze=False)[0]
