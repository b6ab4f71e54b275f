"""A histogram of volumes per flush with the published limits (needs the ``report`` extra)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from flowsift.errors import OptionError
from flowsift.files import replace_file
from flowsift.standards import figure, flush_classes
from flowsift.study.flushes_homes import HomesStudy
from flowsift.units import L_PER_GAL, UnitSystem

BIN_L = 0.25
"""Width of a bar [L]."""

SUFFIXES = (".png", ".svg", ".pdf")


def plot_flush_volumes(study: HomesStudy, path: Path, *, units: UnitSystem = "si") -> None:
    """Draw how many toilets take how much per full flush, lines at the classes' nominal volumes, into a file.

    Raises
    ------
    OptionError
        If the file's ending is not one of `SUFFIXES`, or the plotting library is not installed.
    """
    if path.suffix.lower() not in SUFFIXES:
        raise OptionError(f"{path}: a figure is written as one of {', '.join(SUFFIXES)}")
    drawing = flush_volume_figure(study, units=units)
    replace_file(path, lambda temporary: drawing.savefig(temporary, dpi=150))


def flush_volume_figure(study: HomesStudy, *, units: UnitSystem = "si") -> Any:
    """Return the histogram as a matplotlib figure (see `plot_flush_volumes`)."""
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise OptionError("figures need matplotlib: install flowsift[report]") from error
    litres, unit = (L_PER_GAL, "gal") if units == "us" else (1.0, "L")
    toilets = study.toilets
    drawing = Figure(figsize=(8.0, 4.5), layout="constrained")
    axes = drawing.add_subplot()
    top_l = max(float(toilets["full_l"].max()) if len(toilets) else 0.0, figure("toilet.flush_limit_blowout").value_l)
    edges = np.arange(0.0, top_l + 2 * BIN_L, BIN_L) / litres
    told = toilets["class_certain"].to_numpy(dtype=bool)
    full = toilets["full_l"].to_numpy(dtype=np.float64) / litres
    colours, words = ["#3b6e8f", "#c9b458"], ["class told", "class not told"]
    axes.hist([full[told], full[~told]], bins=edges.tolist(), stacked=True, color=colours, label=words)
    for one in flush_classes():
        if one.nominal_l <= top_l + BIN_L:
            axes.axvline(one.nominal_l / litres, color="#555555", linewidth=0.9, linestyle="--")
            axes.annotate(
                one.name,
                (one.nominal_l / litres, 1.0),
                xycoords=("data", "axes fraction"),
                xytext=(2, -4),
                textcoords="offset points",
                rotation=90,
                va="top",
                fontsize=8,
            )
    axes.set_xlabel(f"volume of a full flush [{unit}]")
    axes.set_ylabel("toilets")
    axes.set_xlim(left=0.0)
    axes.legend(loc="upper right", frameon=False)
    return drawing
