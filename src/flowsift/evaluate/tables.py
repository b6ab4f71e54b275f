"""The ranking as text, Markdown and CSV."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
import pandas as pd

from flowsift.evaluate.ranking import HEADLINE, Run
from flowsift.evaluate.scores import DEFINITIONS

Style = Literal["text", "markdown"]

PUBLISHED: dict[str, str] = {
    "events.accuracy_isolated": "0.859 to 0.961, Nguyen et al. 2015 (analysts' labels, same utilities in training)",
    "events.accuracy_overlapping": "0.818 to 0.915, Nguyen et al. 2015 (the same)",
    "events.micro_f1": "0.72 end to end, Pavlou et al. 2024 (per step or per event not seen)",
    "precut.macro_f1": "above 0.85, Gross et al. 2024 (events already cut)",
    "volume.period_share": "above 0.90 at 1 min, Mazzoni et al. 2024 (14 homes, indoor, literature parameters only)",
    "minute.nrmse": "below 0.06, Mazzoni et al. 2024 (its normalisation wasn't seen)",
}
"""What the literature reports for the nearest measure: other homes, other labels, so a yardstick and no rival."""


def comparison_table(ranking: pd.DataFrame, *, wanted: Sequence[str] = HEADLINE) -> pd.DataFrame:
    """Return the ranking with a row a figure and a column a method: ``value [low, high]``.

    An asterisk marks a figure whose difference to the reference has an interval without 0.
    """
    methods = list(dict.fromkeys(ranking["method"]))
    rows = {}
    for name in wanted:
        cells = ranking[ranking["figure"] == name].set_index("method")
        if cells["value"].isna().all():
            continue
        rows[title(name)] = [_cell(cells.loc[method]) for method in methods]
    return pd.DataFrame.from_dict(rows, orient="index", columns=methods).rename_axis("figure")


def ranking_text(runs: Sequence[Run], ranking: pd.DataFrame, *, style: Style, wanted: Sequence[str] = HEADLINE) -> str:
    """Return the table with what one has to know to read it: homes, failures, versions, training data, yardsticks."""
    table = comparison_table(ranking, wanted=wanted)
    first = runs[0].manifest
    reference = ranking["reference"].iloc[0]
    compared = f"; * differs from {reference} by more than another set of homes would explain" if len(runs) > 1 else ""
    lines = [
        f"Suite {first.suite} ({_homes(len(first.homes))}, checksum {first.suite_checksum or 'not frozen'}). "
        f"Value [95 % interval over homes]{compared}.",
        "",
        _markdown(table) if style == "markdown" else table.to_string(),
        "",
    ]
    for run in runs:
        m = run.manifest
        failures = (
            f"; failed on {_homes(len(run.failed))}: what failed there counts as unanswered" if run.failed else ""
        )
        lines.append(f"{m.method}: {m.method_class}; trained on {m.training_data}{failures}")
    if runs[0].thawed:
        lines.append(f"Not comparable with other tables: {_homes(len(runs[0].thawed))} not as in the frozen suite.")
    lines += sorted({home.attribution for run in runs for home in run.homes} - {""})
    yardsticks = [f"{title(name)}: {text}" for name, text in PUBLISHED.items() if title(name) in table.index]
    lines += ["", "Published, for the nearest measure:", *yardsticks, ""]
    software = ", ".join(f"{name} {number}" for name, number in first.versions.items())
    lines.append(f"{software}; commit {first.commit or 'unknown'}; code {first.code}; {first.machine}")
    return "\n".join(lines) + "\n"


def _homes(n: int) -> str:
    return f"{n} home{'' if n == 1 else 's'}"


def title(figure: str) -> str:
    """Return a figure's heading with its unit and which way is better."""
    stem, _, rest = figure.partition("[")
    definition = DEFINITIONS[stem]
    member = f" ({rest.rstrip(']').replace(',', ', ')})" if rest else ""
    unit = f", {definition.unit}" if definition.unit else ""
    arrow = {"higher": "higher is better", "lower": "lower is better", "zero": "nearest to 0 is best"}[
        definition.better
    ]
    return f"{definition.title}{member}{unit} ({arrow})"


def _cell(row: pd.Series) -> str:
    if np.isnan(row["value"]):
        return "n/a"
    interval = "" if np.isnan(row["low"]) else f" [{_number(row['low'])}, {_number(row['high'])}]"
    differs = row["difference_low"] > 0 or row["difference_high"] < 0
    return f"{_number(row['value'])}{interval}{' *' if differs else ''}"


def _number(value: float) -> str:
    return f"{value:.3f}" if abs(value) < 10 else f"{value:.0f}" if abs(value) >= 100 else f"{value:.1f}"


def _markdown(table: pd.DataFrame) -> str:
    head = f"| {table.index.name} | " + " | ".join(map(str, table.columns)) + " |"
    rule = "| --- |" + " --- |" * len(table.columns)
    rows = [
        f"| {name} | " + " | ".join(map(str, row)) + " |"
        for name, row in zip(table.index, table.to_numpy(), strict=True)
    ]
    return "\n".join([head, rule, *rows])
