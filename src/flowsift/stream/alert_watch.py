"""An alert rule held against the blocks as they fill: the rule of `flowsift.study.alerts`, one block at a time."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

from flowsift.errors import InputError
from flowsift.stream.strict_json import Fields
from flowsift.study.alerts import AlertRule


@dataclass(frozen=True, kw_only=True)
class Met:
    """A rule was met, or the flow that met it is over: cells of the flow, and its volume [L]."""

    state: Literal["raised", "over"]
    rule: AlertRule
    since: int
    end: int
    volume_l: float


class AlertWatch:
    """One rule and the block that is open.

    Parameters
    ----------
    rule : AlertRule
    interval_s : float
        Length of a cell [s].
    """

    __slots__ = ("_cells", "_known", "_row", "_row_l", "_volume_l", "due", "rule")

    def __init__(self, rule: AlertRule, *, interval_s: float) -> None:
        self.rule = rule
        self._cells = max(round(rule.block_s / interval_s), 1)
        self.due = self._cells
        self._row = 0
        self._volume_l, self._row_l, self._known = 0.0, 0.0, True

    def flow(self, volume_l: float) -> None:
        """Take a volume inside the open block."""
        self._volume_l += volume_l

    def missing(self) -> None:
        """Take missing data inside the open block."""
        self._known = False

    def skip_to(self, cell: int) -> None:
        """Pass over missing data until the block that a cell lies in, or ends."""
        self.due += max((cell - self.due) // self._cells, 0) * self._cells
        self._known = False

    def close_block(self) -> Met | None:
        """Close the block that ends at `due`, and say whether an alert is raised or over."""
        before, row_l = self._row, self._row_l
        volume = self._volume_l if self._known else math.nan
        self._row = self.rule.row_after(before, volume)
        self._row_l = row_l + volume if self._row else 0.0
        self._volume_l, self._known = 0.0, True
        self.due += self._cells
        end = self.due - self._cells
        if self._row == self.rule.n_blocks:
            return Met(
                state="raised", rule=self.rule, since=end - self._row * self._cells, end=end, volume_l=self._row_l
            )
        if self._row == 0 and before >= self.rule.n_blocks:
            stop = end - self._cells
            since = stop - before * self._cells
            return Met(state="over", rule=self.rule, since=since, end=stop, volume_l=row_l)
        return None

    def state(self) -> dict[str, Any]:
        """Return what JSON can hold."""
        return {
            "due": self.due,
            "row": self._row,
            "row_l": self._row_l,
            "volume_l": self._volume_l,
            "known": self._known,
        }

    def resume(self, fields: Fields) -> None:
        """Take up a state.

        Raises
        ------
        InputError
            If it isn't one.
        """
        self.due = fields.integer("due", least=1)
        if self.due % self._cells:
            raise InputError("the state's alert blocks are not those of this rule")
        self._row = fields.integer("row", least=0)
        self._row_l = fields.number("row_l", least=0.0)
        self._volume_l = fields.number("volume_l", least=0.0)
        self._known = fields.flag("known")
