"""Whether a truth fits its trace: whose water a cell holds is no more than what the meter saw in it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from flowsift.errors import InputError
from flowsift.households.checked_table import FIRST_ROW
from flowsift.households.truth import CELLS_FILE, SHARES_FILE, CellVolumes, Truth, TruthShares
from flowsift.trace import Trace

EXCESS_RTOL, EXCESS_L = 1e-3, 1e-3
"""What the shares of a cell may exceed its metered volume by, as a part of it and in litres: rounding in a file."""


def check_fit(truth: Truth, trace: Trace, folder: Path) -> None:
    """Raise InputError where a cell of the truth isn't the trace's, or its shares exceed what was metered in it.

    Truth in cells without metered flow (gaps, what the meter missed) is left alone.
    """
    parts: dict[str, CellVolumes | TruthShares] = {SHARES_FILE: truth.shares, CELLS_FILE: truth.trickle_cells}
    total_l = np.zeros(trace.n_flow)
    for name, part in parts.items():
        outside = np.flatnonzero(part.cell >= trace.n_cells)
        if outside.size:
            raise InputError(
                f"found {part.cell[outside[0]]}, expected a cell of the trace, 0 to {trace.n_cells - 1}",
                file=str(folder / name),
                row=int(outside[0]) + FIRST_ROW,
                column="cell",
            )
        held = np.isin(part.cell, trace.cell)
        np.add.at(total_l, np.searchsorted(trace.cell, part.cell[held]), part.volume_l[held])
    excess = np.flatnonzero(total_l > trace.volume_l * (1.0 + EXCESS_RTOL) + EXCESS_L)
    if excess.size:
        first = int(excess[0])
        name = next(name for name, part in parts.items() if trace.cell[first] in part.cell)
        raise InputError(
            f"found {total_l[first]:.6g} L of events and trickle in cell {trace.cell[first]}, expected at most the "
            f"{trace.volume_l[first]:.6g} L that the meter counted in it",
            file=str(folder / name),
            row=int(np.flatnonzero(parts[name].cell == trace.cell[first])[0]) + FIRST_ROW,
            column="volume_l",
        )
