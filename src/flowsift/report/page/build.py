"""Puts the report page together (needs the ``report`` extra)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from bokeh.core.json_encoder import serialize_json
from bokeh.core.types import ID
from bokeh.embed import json_item
from bokeh.resources import Resources
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from flowsift.disaggregation import Disaggregation
from flowsift.files import write_text
from flowsift.labels import label_words
from flowsift.report.account import Account, water_account
from flowsift.report.appearance import LOOKS
from flowsift.report.page import amounts
from flowsift.report.page.advice import worth_doing
from flowsift.report.page.pictures import pictures, wall_ms
from flowsift.report.page.sheets import sheets
from flowsift.report.wording import moment, money
from flowsift.study.cautions import cautions
from flowsift.study.flushes_study import flushes
from flowsift.study.leaks_ledger import leaks
from flowsift.study.tariff import Tariff
from flowsift.units import SECONDS_PER_DAY, UnitSystem


def write_page(
    result: Disaggregation,
    path: Path,
    *,
    tariff: Tariff | None = None,
    units: UnitSystem = "si",
    title: str = "Water account",
) -> None:
    """Write the report page of one answer to a file; parameters as in `page_html`."""
    write_text(page_html(result, tariff=tariff, units=units, title=title), path)


def page_html(
    result: Disaggregation,
    *,
    tariff: Tariff | None = None,
    units: UnitSystem = "si",
    title: str = "Water account",
) -> str:
    """Return the report page of one answer: one HTML file that fetches nothing.

    Parameters
    ----------
    result : Disaggregation
    tariff : Tariff, optional
        Costs are given under it.
    units : {"si", "us"}
        What the page shows first; a switch on it shows the other.
    title : str
        Heading of the page.
    """
    account = water_account(result)
    ledger, study = leaks(result, tariff), flushes(result)
    environment = Environment(
        loader=PackageLoader("flowsift.report.page", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(amounts=amounts, moment=moment, money=money, label_words=label_words)
    drawn = pictures(result, study)
    items = [json_item(drawing, ID(name)) for name, drawing in drawn.items()]
    return environment.get_template("page.html.j2").render(
        title=title,
        units=units,
        account=account,
        bars=_bars(account),
        ledger=ledger,
        study=study,
        sheets=sheets(result, account, ledger, study),
        advice=worth_doing(ledger, study),
        drawn=tuple(drawn),
        texts=_texts(result, account),
        yearly=None if tariff is None else tariff.cost_per_year(account.per_day_l),
        tariff=tariff,
        cautions=cautions(("valve", "meter", "pit", "sprinklers")),
        days=account.observed_s / SECONDS_PER_DAY,
        items=Markup(_for_script(serialize_json(items))),
        spans=Markup(_for_script(serialize_json(_spans(result)))),
        library=Markup("\n".join(Resources(mode="inline", components=["bokeh"]).js_raw)),
        style=_own("page.css"),
        script=_own("page.js"),
    )


def _own(name: str) -> Markup:
    return Markup((Path(__file__).parent / "templates" / name).read_text(encoding="utf-8"))


def _for_script(json: str) -> str:
    """Return JSON that can't end the script element it stands in."""
    return json.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _spans(result: Disaggregation) -> dict[str, list[float]]:
    """Return from when to when each of the largest uses ran, by its row [ms]."""
    largest = result.events.nlargest(20, "volume_l")
    zone = result.trace.timezone
    start, end = wall_ms(largest["start"], zone), wall_ms(largest["end"], zone)
    return {str(k): [float(a), float(b)] for k, a, b in zip(largest.index, start, end, strict=True)}


def _bars(account: Account) -> list[dict[str, Any]]:
    shown = [use for use in account.uses if use.volume_l > 0]
    top = max((use.volume_l for use in shown), default=1.0)
    return [
        {
            "label": label_words(use.label),
            "colour": LOOKS[use.label].colour,
            "hatch": LOOKS[use.label].hatch,
            "width": 100.0 * use.volume_l / top,
            "per_day_l": use.per_day_l,
            "share": use.share,
        }
        for use in shown
    ]


def _texts(result: Disaggregation, account: Account) -> dict[str, Markup]:
    """Return what each picture shows, in words."""
    trace = result.trace
    zone = trace.timezone
    local = trace.time_of(trace.cell).tz_convert(zone)
    by_day = pd.Series(trace.volume_l, index=local).groupby(local.normalize()).sum()
    texts = {
        "days": Markup("No water was metered."),
        "week": Markup("No water was metered."),
        "trace": Markup("No water was metered."),
        "trickle": Markup("No constant flow was found."),
        "flushes": Markup("Each flush by its time and volume; dashed lines are the nominal volumes of the standards."),
    }
    if len(by_day):
        most, least = by_day.idxmax(), by_day.idxmin()
        texts["days"] = Markup("Most on {}: {}. Least on {}: {}.").format(
            f"{most:%A %Y-%m-%d}",
            amounts.volume(float(by_day.max())),
            f"{least:%Y-%m-%d}",
            amounts.volume(float(by_day.min())),
        )
        by_hour = np.bincount(np.asarray(local.hour), trace.volume_l, minlength=24)
        hour = int(by_hour.argmax())
        texts["week"] = Markup("Most water runs between {:02d}:00 and {:02d}:00: {:.0f} % of all.").format(
            hour, hour + 1, 100.0 * by_hour[hour] / by_hour.sum()
        )
        peak = float(trace.volume_l.max()) * 60.0 / trace.interval_s
        texts["trace"] = Markup("{:,} uses; highest flow {} on {}. The largest uses are in the table below.").format(
            len(result.events), amounts.flow(peak), moment(local[int(trace.volume_l.argmax())])
        )
    line = account.trickle
    if line is not None:
        texts["trickle"] = Markup("Mean rate {} (90 % interval {}), {:.0f} % of the time, from {} to {}.").format(
            amounts.flow(line.rate_lpm),
            amounts.flow_range(line.low_lpm, line.high_lpm),
            100 * line.running,
            moment(line.first),
            moment(line.last),
        )
    return texts
