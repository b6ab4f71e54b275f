"""A register that falls: it rolled over, was reset or exchanged, or water was pushed back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift import quality
from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.errors import InputError
from flowsift.ingest.limits import MAX_HOUSE_LPM
from flowsift.ingest.rows import OrderedRows
from flowsift.quality import Finding
from flowsift.units import NS_PER_S, SECONDS_PER_MINUTE

DIP_L = 10.0
"""A reading may fall this far by water pushed back (a heater's expansion, a pump stopping); assumption, generous."""

RESET_SHARE = 0.01
"""A counter that starts again shows less than this share of its last reading."""

ROLLOVER_SHARE = 0.9
"""A counter rolls over only from above this share of its range, to below the rest."""

RESET, SET_BACK = "register reset", "register set back"
"""Findings of a counter that started anew: readings before and after it have no difference."""

MAX_FALLS = 0.1
"""Falling readings up to this share of all changes are faults; more of them mean that it is no register, unless water
flows back."""

MAX_BACK_FLOW = 0.1
"""Water may flow back up to this share of what passes (assumption, generous: a tank that is heated swells by 2 %)."""


@dataclass(frozen=True, kw_only=True)
class Steps:
    """Volume between consecutive readings, and what is known of it.

    Attributes
    ----------
    volume : ndarray, shape (n,)
        Volume from each reading to the next [L]; 0 where it is unknown.
    unknown : ndarray of bool, shape (n,)
        Steps over which the counter started anew.
    findings : tuple of Finding
    """

    volume: FloatArray
    unknown: BoolArray
    findings: tuple[Finding, ...]


def falls_seldom(change_l: FloatArray) -> bool:
    """Tell whether changes from reading to reading [L] may be a register's, which falls by faults and by back-flow.

    Faults are few. Back-flow is told by its volume: the finer the register, the more readings it takes. A rise counts
    for no more than a dip can, so that a flow with a few high peaks is none.
    """
    fall, rise = -change_l[change_l < 0], change_l[change_l > 0]
    dip = fall <= DIP_L
    few = max(2, MAX_FALLS * (fall.size + rise.size))
    flows_back = fall[dip].sum() <= MAX_BACK_FLOW * np.minimum(rise, DIP_L).sum()
    return bool(fall.size <= few or (np.count_nonzero(~dip) <= few and flows_back))


def differences(
    value: FloatArray,
    at: IntArray,
    *,
    interval_ns: int,
    unit_l: float,
    column: str,
    rows: OrderedRows,
    usable: BoolArray,
) -> Steps:
    """Return the volumes between consecutive readings; what falls is a roll-over, a reset, another meter or a dip.

    Parameters
    ----------
    value : ndarray, shape (n,)
        Usable readings [L].
    at : ndarray of int64, shape (n,)
        Their times [ns].
    interval_ns : int
        Length of a cell [ns].
    unit_l : float
        Litres in the unit that the counter shows: it rolls over at a power of ten of that.
    column : str
        Name of the readings in errors.
    rows : OrderedRows
        The rows among which the readings stand, for the row in errors.
    usable : ndarray of bool, shape (n_rows,)
        Which of `rows` they are.

    Raises
    ------
    InputError
        If readings fall too often to be a register (names the first row).
    """
    change = np.diff(value)
    fall = np.flatnonzero(change < 0)
    unknown = np.zeros(change.size, bool)
    if not fall.size:
        return Steps(volume=change, unknown=unknown, findings=())
    if not falls_seldom(change):
        row = int(np.flatnonzero(usable)[fall[0] + 1])
        raise InputError(
            f"found a reading that is {quality.in_both(quality.volume(-float(change[fall[0]])))} below the one before "
            f"({fall.size:,} of {np.count_nonzero(change):,} changes are falls), expected a register that rises, but "
            f"for back-flow of up to {100 * MAX_BACK_FLOW:.0f} % of what passes: is it a volume or a flow?",
            row=rows.at(row),
            column=column,
        )
    last, now = value[fall], value[fall + 1]
    minutes = np.maximum(at[fall + 1] - at[fall], interval_ns) / NS_PER_S / SECONDS_PER_MINUTE
    modulus = unit_l * 10.0 ** np.ceil(np.log10(np.maximum(last / unit_l, 1.0) * (1 + 1e-12)))
    wrapped = modulus - last + now
    dip = -change[fall] <= DIP_L
    rolled = (last >= ROLLOVER_SHARE * modulus) & (now <= (1 - ROLLOVER_SHARE) * modulus)
    rolled &= (wrapped <= MAX_HOUSE_LPM * minutes + 2 * unit_l) & (modulus >= 1000 * unit_l) & ~dip
    restart = ~dip & ~rolled
    # one rising curve: add what the counter lost, so that a dip counts again only above the highest reading so far
    lift = np.zeros(value.size)
    lift[fall + 1] = np.where(rolled, modulus, np.where(restart, last - now, 0.0))
    top = np.maximum.accumulate(value + np.cumsum(lift))
    volume = np.diff(top)
    unknown[fall[restart]] = True
    volume[fall[restart]] = 0.0
    # differences of the plain readings keep their digits; the curve is needed only around dips and roll-overs
    plain = change >= 0
    plain[1:] &= (top == value + np.cumsum(lift))[1:-1]
    volume[plain] = change[plain]
    return Steps(volume=volume, unknown=unknown, findings=_fall_findings(fall, last, now, dip, rolled, restart, at))


def _fall_findings(
    fall: IntArray,
    last: FloatArray,
    now: FloatArray,
    dip: BoolArray,
    rolled: BoolArray,
    restart: BoolArray,
    at: IntArray,
) -> tuple[Finding, ...]:
    reset = restart & (now <= RESET_SHARE * last)
    cases = (
        (rolled, "register roll-over", "The counter went past its highest number; the difference was taken across it."),
        (
            reset,
            RESET,
            "The counter started again near zero; the volume of that interval is unknown and it is missing.",
        ),
        (
            restart & ~reset,
            SET_BACK,
            "The reading fell to another value (a meter was exchanged or set); that interval is missing.",
        ),
        (
            dip,
            "register dips",
            "Readings that fell by up to {} (water pushed back, or noise) count as no flow until the register passes "
            "its highest reading again.",
        ),
    )
    return tuple(
        quality.finding_of(
            text,
            quality.volume(DIP_L),
            kind="fault",
            what=what,
            count=int(which.sum()),
            first_ns=int(at[fall[which][0] + 1]),
        )
        for which, what, text in cases
        if which.any()
    )
