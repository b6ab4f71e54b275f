"""What a method is, to the benchmark."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol, runtime_checkable

import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.errors import OptionError
from flowsift.trace import Trace


@runtime_checkable
class Method(Protocol):
    """Anything that can disaggregate a trace.

    Two optional members are used where they exist: ``training_data`` (str), which the record of a run quotes, and
    ``prepare()``, called once in every worker before its first home and never timed with one.
    """

    def disaggregate(self, trace: Trace) -> Disaggregation:
        """Return the answer for one home's trace."""
        ...


def prepare(method: Method) -> None:
    """Let a method train or load what it needs, if it says so, outside any home's time.

    Raises
    ------
    OptionError
        If it fails at that, whatever with: no home can be scored.
    """
    ready = getattr(method, "prepare", None)
    if not callable(ready):
        return
    try:
        ready()
    except Exception as error:  # a plug-in may raise anything
        raise OptionError(f"{type(method).__name__}.prepare failed: {type(error).__name__}: {error}") from error


@runtime_checkable
class LabelsEvents(Protocol):
    """A method that can also label events whose cuts it is given."""

    def label_events(self, trace: Trace, uses: pd.DataFrame) -> Sequence[str]:
        """Return one label a row of `uses`.

        Parameters
        ----------
        trace : Trace
        uses : DataFrame
            True cuts, sorted by start: start, end (UTC), duration_s, volume_l (metered), mean_lpm, peak_lpm.
        """
        ...
