"""Runs side by side: a table with intervals, and what differs from the best by more than luck."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from flowsift.errors import InputError, OptionError
from flowsift.evaluate.bootstrap import differences_with_intervals, figures_with_intervals
from flowsift.evaluate.checksums import frozen_checksums
from flowsift.evaluate.record import HomeRecord, Manifest, read_manifest, read_records
from flowsift.evaluate.references import Oracle
from flowsift.evaluate.scores import DEFINITIONS, figures
from flowsift.evaluate.totals import Totals

HEADLINE = (
    "volume.share",
    "volume.home_share",
    "volume.indoor_f1",
    "events.macro_f1",
    "events.strict_macro_f1",
    "events.micro_f1",
    "events.volume_f1",
    "events.accuracy_isolated",
    "events.accuracy_overlapping",
    "boundaries.f1[time,all]",
    "boundaries.f1[time,overlapping]",
    "precut.macro_f1",
    "minute.nrmse",
    "volume.period_share",
    "fixtures.right[flush]",
    "flush.rmse_l",
    "flush.toilet_error",
    "trickle.found",
    "trickle.smallest_lpm",
    "trickle.false_alarms_per_year",
    "loads.f1",
    "calibration.ece",
    "cost.ms_per_day",
    "cost.peak_mb",
)
"""Figures of the short table."""

ORACLE = f"{Oracle.__module__}:{Oracle.__qualname__}"

RANKED_BY = "volume.share"
"""Figure that methods are ranked by unless told otherwise."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Run:
    """One recorded run.

    Attributes
    ----------
    folder : Path
    manifest : Manifest
    homes : tuple of HomeRecord
    """

    folder: Path
    manifest: Manifest
    homes: tuple[HomeRecord, ...]

    @property
    def failed(self) -> tuple[HomeRecord, ...]:
        """Homes on which the method failed, or failed to label; what failed there counts as unanswered."""
        return tuple(home for home in self.homes if home.error)

    @property
    def thawed(self) -> tuple[HomeRecord, ...]:
        """Homes of a named suite that are not the frozen ones: made by another version of the generator."""
        frozen = frozen_checksums().get(self.manifest.suite, {})
        return tuple(home for home in self.homes if frozen.get(home.home, home.checksum) != home.checksum)

    @property
    def totals(self) -> Totals:
        """The counts, one row a home."""
        return Totals.of_homes([home.counts for home in self.homes])


def read_run(folder: str | Path) -> Run:
    """Read a recorded run.

    Raises
    ------
    InputError
        If the folder holds none, or the run isn't complete (says how many homes are missing).
    """
    folder = Path(folder)
    manifest = read_manifest(folder)
    homes = read_records(folder, manifest.homes)
    left = len(manifest.homes) - len(homes)
    if left:
        raise InputError(f"{left} of {len(manifest.homes)} homes are missing; run it again to resume", file=str(folder))
    return Run(folder=folder, manifest=manifest, homes=tuple(homes.values()))


def rank(
    runs: Sequence[Run], *, by: str = RANKED_BY, against: str | None = None, random_state: int = 0
) -> pd.DataFrame:
    """Compare runs of one suite.

    Parameters
    ----------
    runs : sequence of Run
        Of the same homes, one a method.
    by : str
        Figure to rank by, best first.
    against : str, optional
        Method that the others are compared with; the best one if not given (never the oracle).
    random_state : int
        Seed of the resampling.

    Returns
    -------
    DataFrame
        One row a method and figure, methods in order of rank: ``method``, ``figure``, ``value``, ``low``, ``high``
        (95 % over homes), ``smallest_home``, ``largest_home``, ``homes``, ``difference``, ``difference_low``,
        ``difference_high`` (to ``reference``, on the same homes), ``reference``, ``failed`` (homes).

    Raises
    ------
    OptionError
        If `by` or `against` is unknown.
    InputError
        If the runs are not of the same homes.
    """
    _check_same_homes(runs)
    tables = {
        run.manifest.method: figures_with_intervals(run.totals, figures, random_state=random_state) for run in runs
    }
    known = next(iter(tables.values())).index
    if by not in known:
        raise OptionError(f"unknown figure {by!r}; known figures: {', '.join(n for n in known if '[' not in n)}")
    order = ranked(tables, by)
    oracles = {run.manifest.method for run in runs if run.manifest.method_class == ORACLE}
    contenders = [method for method in order if method not in oracles] or order
    reference = contenders[0] if against is None else against
    if reference not in tables:
        raise OptionError(f"no run of method {reference!r}; runs: {', '.join(tables)}")
    by_method = {run.manifest.method: run for run in runs}
    parts = []
    for method in order:
        differences = differences_with_intervals(
            by_method[method].totals, by_method[reference].totals, figures, random_state=random_state
        ).rename(columns={"low": "difference_low", "high": "difference_high"})
        table = (
            tables[method]
            .join(differences)
            .assign(method=method, reference=reference, failed=len(by_method[method].failed))
        )
        parts.append(table.reset_index())
    whole = pd.concat(parts, ignore_index=True)
    return whole[["method", "figure", *(name for name in whole.columns if name not in ("method", "figure"))]]


def ranked(tables: Mapping[str, pd.DataFrame], by: str) -> list[str]:
    """Return the methods, best first by a figure; those for which it isn't defined come last."""
    better = DEFINITIONS[by.split("[")[0]].better
    keys = {name: float(table["value"].to_numpy()[table.index.get_loc(by)]) for name, table in tables.items()}
    worth = {
        name: -np.inf if np.isnan(v) else v if better == "higher" else -abs(v) if better == "zero" else -v
        for name, v in keys.items()
    }
    return sorted(tables, key=lambda name: (-worth[name], name))


def by_condition(run: Run, *, figure: str, random_state: int = 0) -> pd.DataFrame:
    """Return one figure for each condition: interval_s, pulse_l, value, low, high."""
    conditions = sorted({(h.condition["interval_s"], h.condition["pulse_l"]) for h in run.homes})
    rows = []
    for interval_s, pulse_l in conditions:
        homes = [h for h in run.homes if (h.condition["interval_s"], h.condition["pulse_l"]) == (interval_s, pulse_l)]
        totals = Totals.of_homes([home.counts for home in homes])
        row = figures_with_intervals(totals, figures, random_state=random_state).loc[figure]
        rows.append((interval_s, pulse_l, row["value"], row["low"], row["high"], len(homes)))
    return pd.DataFrame(rows, columns=["interval_s", "pulse_l", "value", "low", "high", "homes"])


def _check_same_homes(runs: Sequence[Run]) -> None:
    if not runs:
        raise OptionError("give at least one folder with a run")
    first = runs[0]
    for run in runs[1:]:
        if [(h.home, h.checksum) for h in run.homes] != [(h.home, h.checksum) for h in first.homes]:
            raise InputError(
                f"suite {run.manifest.suite!r} of {run.folder} and {first.manifest.suite!r} of {first.folder} are "
                "not the same homes; rank runs of one suite at a time",
                file=str(run.folder),
            )
    names = [run.manifest.method for run in runs]
    twice = {name for name in names if names.count(name) > 1}
    if twice:
        raise InputError(f"two runs of method {min(twice)!r}; give one folder a method")
