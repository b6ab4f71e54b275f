"""A histogram of volumes per flush of many homes, with the nominal volumes of the standard classes."""

from __future__ import annotations

from typing import Any

import numpy as np

from flowsift.report.appearance import BLUE, ORANGE
from flowsift.standards import figure, flush_classes
from flowsift.study.flushes_homes import HomesStudy
from flowsift.units import L_PER_GAL, UnitSystem

BIN_L = 0.25
"""Width of a bar [L]."""


def flush_volumes(study: HomesStudy, axes: Any, *, units: UnitSystem = "si") -> Any:
    """Draw how many toilets take how much per full flush, with lines at the classes' nominal volumes.

    Parameters
    ----------
    study : HomesStudy
    axes : matplotlib.axes.Axes
    units : {"si", "us"}
    """
    litres, unit = (L_PER_GAL, "gal") if units == "us" else (1.0, "L")
    toilets = study.toilets
    top_l = max(float(toilets["full_l"].max()) if len(toilets) else 0.0, figure("toilet.flush_limit_blowout").value_l)
    edges = np.arange(0.0, top_l + 2 * BIN_L, BIN_L) / litres
    told = toilets["class_certain"].to_numpy(dtype=bool)
    full = toilets["full_l"].to_numpy(dtype=np.float64) / litres
    words = ["class told", "class not told"]
    axes.hist([full[told], full[~told]], bins=edges.tolist(), stacked=True, color=[BLUE, ORANGE], label=words)
    shown = [one for one in flush_classes() if one.nominal_l <= top_l + BIN_L]
    for one in shown:
        axes.axvline(one.nominal_l / litres, color="#555555", linewidth=0.9, linestyle="--")
    above = axes.secondary_xaxis("top")
    above.set_xticks([one.nominal_l / litres for one in shown], [one.name for one in shown], fontsize=8)
    # classes lie closer together than their names are long
    above.tick_params(rotation=30)
    for name in above.get_xticklabels():
        name.set(ha="left", rotation_mode="anchor")
    axes.set_xlabel(f"volume of a full flush [{unit}]")
    axes.set_ylabel("toilets")
    axes.set_xlim(left=0.0)
    axes.yaxis.get_major_locator().set_params(integer=True)
    # below the axes: a bar or a line may stand anywhere in them, and names of classes need the whole width
    axes.legend(loc="upper center", bbox_to_anchor=(0.5, -0.12), ncols=2, frameon=False)
    return axes
