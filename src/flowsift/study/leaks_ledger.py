"""The leak ledger: every constant or recurring loss on a line, and a total that closes against the metered volume."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.signal.resolution import smallest_trickle_lpm
from flowsift.standards.conversion import DAYS_PER_YEAR
from flowsift.study.leaks_lines import LeakLine, left_running, refills, trickles
from flowsift.study.leaks_zones import raised_zones
from flowsift.study.tariff import Tariff
from flowsift.tables import Table
from flowsift.units import SECONDS_PER_DAY

LINE_COLUMNS = (
    "kind",
    "fixture",
    "since",
    "until",
    "ongoing",
    "rate_lpm",
    "low_lpm",
    "high_lpm",
    "volume_l",
    "per_day_l",
    "low_per_day_l",
    "high_per_day_l",
    "per_year_l",
    "cost_per_year",
    "sure",
    "reason",
    "where",
)
"""Columns of `LeakLedger.table`, in order."""


@dataclass(frozen=True, kw_only=True)
class LeakLedger:
    """Every loss found, and what is left of the metered volume.

    Attributes
    ----------
    lines : tuple of LeakLine
        Largest loss a day first.
    start, end : Timestamp
        Period of the record, in the time zone people read it in.
    days : float
        Observed time [d].
    metered_l : float
        Whole metered volume [L]; equals `losses_l` + `uses_l` + `unexplained_l`.
    losses_l, uses_l, unexplained_l : float
        Volume of the lines, of everything else that was told, and of what was not [L].
    per_day_l, per_year_l : float
        Losses that still go on, a day and a year [L].
    cost_per_year : float or None
        What they cost a year under the tariff; None without one.
    currency : str
        Of the costs; empty without a tariff.
    smallest_visible_lpm : float
        Smallest constant flow that would have shown [L/min], from pulse and length; infinite in a record of hours.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> ledger = fs.study.leaks(result)
    >>> abs(ledger.losses_l + ledger.uses_l + ledger.unexplained_l - ledger.metered_l) < 1e-6
    True
    """

    lines: tuple[LeakLine, ...]
    start: pd.Timestamp
    end: pd.Timestamp
    days: float
    metered_l: float
    losses_l: float
    uses_l: float
    unexplained_l: float
    per_day_l: float
    per_year_l: float
    cost_per_year: float | None
    currency: str
    smallest_visible_lpm: float

    def table(self) -> Table:
        """Return one row a line; columns `LINE_COLUMNS`."""
        rows = [tuple(getattr(line, name) for name in LINE_COLUMNS[:-1]) for line in self.lines]
        table = pd.DataFrame(rows, columns=list(LINE_COLUMNS[:-1]))
        table["where"] = ["; ".join(line.where) for line in self.lines]
        words = dict.fromkeys(("kind", "fixture", "sure", "reason", "where"), "str")
        numeric = [n for n in LINE_COLUMNS if n.endswith(("_l", "_lpm", "_year"))]
        numbers = dict.fromkeys(numeric, "float64")
        table = table.astype(words | numbers | {"ongoing": "bool"})
        for name in ("since", "until"):
            table[name] = pd.to_datetime(table[name], utc=True)
        return Table(table)

    def balance_table(self) -> Table:
        """Return the parts of the metered volume: losses, uses, not explained, and the whole [L]."""
        parts = ("losses", "uses", "not explained", "metered")
        volumes = (self.losses_l, self.uses_l, self.unexplained_l, self.metered_l)
        return Table({"part": pd.Series(parts, dtype="str"), "volume_l": volumes})


def leaks(result: Disaggregation, tariff: Tariff | None = None) -> LeakLedger:
    """Draw up the leak ledger of one disaggregated trace.

    Parameters
    ----------
    result : Disaggregation
    tariff : Tariff, optional
        Prices the losses that still go on; each line gets its share of what they cost together.

    Returns
    -------
    LeakLedger
        Without losses it has no lines. "None found" is not "none there": see `LeakLedger.smallest_visible_lpm`.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> len(fs.study.leaks(result).lines) >= 1
    True
    """
    trace, balance = result.trace, result.balance
    days = max(trace.metered_s, trace.interval_s) / SECONDS_PER_DAY
    lines = [*trickles(result), *refills(result, days=days), *left_running(result), *raised_zones(result, days=days)]
    lines.sort(key=lambda line: (-line.per_day_l, -line.volume_l, line.kind, line.fixture))
    losses = sum(line.volume_l for line in lines)
    per_day = sum(line.per_day_l for line in lines if line.ongoing)
    cost = None
    if tariff is not None:
        # A leak that began midway will run all year: its daily loss goes on top of the use without it.
        rest = balance.metered_l - sum(line.volume_l for line in lines if line.ongoing)
        cost = tariff.cost_of_part(per_day, whole_per_day_l=max(rest, 0.0) / days + per_day)
        lines = _priced(lines, cost / per_day if per_day else 0.0)
    return LeakLedger(
        lines=tuple(lines),
        start=trace.start.tz_convert(trace.timezone),
        end=trace.end.tz_convert(trace.timezone),
        days=days,
        metered_l=balance.metered_l,
        losses_l=losses,
        uses_l=max(balance.metered_l - losses - balance.unexplained_l, 0.0),
        unexplained_l=balance.unexplained_l,
        per_day_l=per_day,
        per_year_l=per_day * DAYS_PER_YEAR,
        cost_per_year=cost,
        currency=tariff.currency if tariff is not None else "",
        smallest_visible_lpm=smallest_trickle_lpm(trace),
    )


def _priced(lines: Sequence[LeakLine], per_day_l_price: float) -> list[LeakLine]:
    return [replace(line, cost_per_year=line.per_day_l * per_day_l_price if line.ongoing else 0.0) for line in lines]
