"""Puts the report page together (needs the ``report`` extra)."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from bokeh.core.json_encoder import serialize_json
from bokeh.core.types import ID
from bokeh.embed import json_item
from bokeh.resources import Resources
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from flowsift.disaggregation import Disaggregation
from flowsift.files import write_text
from flowsift.labels import label_words
from flowsift.report.account import water_account
from flowsift.report.appearance import LOOKS, MARKS, SERIES
from flowsift.report.isolation_text import repeated_words
from flowsift.report.page import amounts
from flowsift.report.page.advice import worth_doing
from flowsift.report.page.pictures import pictures
from flowsift.report.page.reasons import reason_words
from flowsift.report.page.sheets import sheets
from flowsift.report.page.texts import picture_texts
from flowsift.report.page.uses_shown import UseShown, uses_shown
from flowsift.report.wording import TOO_SHORT, lasting, moment, money, zone_words
from flowsift.study.cautions import cautions
from flowsift.study.flushes_study import FlushStudy, flushes
from flowsift.study.isolation import Isolation
from flowsift.study.leaks_ledger import leaks
from flowsift.study.tariff import Tariff
from flowsift.units import UnitSystem

CAUTIONS = ("valve", "meter", "pit", "sprinklers")
"""Subjects of the reminders at the end: what a reader of the leak ledger may go to."""


def write_page(
    result: Disaggregation,
    path: Path,
    *,
    tariff: Tariff | None = None,
    isolation: Isolation | None = None,
    units: UnitSystem = "si",
    title: str = "Water account",
) -> None:
    """Write the report page of one answer to a file; parameters as in `page_html`."""
    write_text(page_html(result, tariff=tariff, isolation=isolation, units=units, title=title), path)


def page_html(
    result: Disaggregation,
    *,
    tariff: Tariff | None = None,
    isolation: Isolation | None = None,
    units: UnitSystem = "si",
    title: str = "Water account",
) -> str:
    """Return the report page of one answer: one HTML file that fetches nothing.

    Parameters
    ----------
    result : Disaggregation
    tariff : Tariff, optional
        Costs are given under it.
    isolation : Isolation, optional
        An isolation test of the same trace, shown beside the leak ledger.
    units : {"si", "us"}
        What the page shows first; a switch on it shows the other.
    title : str
        Heading of the page.
    """
    ledger, study = leaks(result, tariff), flushes(result)
    account = water_account(result, study=study)
    shown = uses_shown(account)
    environment = Environment(
        loader=PackageLoader("flowsift.report.page", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.globals.update(
        amounts=amounts, lasting=lasting, moment=moment, money=money, zone_words=zone_words, label_words=label_words
    )
    span = f"in {lasting(account.observed_s)}" if account.short else "a day"
    repeated = None if isolation is None else isolation.repeated
    drawn = pictures(result, study)
    items = [json_item(drawing, ID(name)) for name, drawing in drawn.items()]
    return environment.get_template("page.html.j2").render(
        title=title,
        units=units,
        account=account,
        bars=_bars(shown, short=account.short),
        looks=LOOKS,
        ledger=ledger,
        study=study,
        sheets=sheets(result, account, shown, ledger, study, isolation),
        isolation=isolation,
        repeated=None if repeated is None else amounts.both(partial(repeated_words, repeated)),
        advice=worth_doing(ledger, study),
        drawn=tuple(drawn),
        texts=picture_texts(result, account, study),
        marks=_marks(study),
        yearly=None if tariff is None or account.short else tariff.cost_per_year(account.per_day_l),
        tariff=tariff,
        cautions=cautions(CAUTIONS),
        span=span,
        largest=max(shown, key=lambda line: line.use.volume_l),
        unexplained=shown[-1],
        too_short=TOO_SHORT,
        items=Markup(_for_script(serialize_json(items))),
        reasons=Markup(_for_script(serialize_json(reason_words(result)))),
        library=Markup("\n".join(Resources(mode="inline", components=["bokeh"]).js_raw)),
        style=_own("page.css"),
        script=_own("page.js"),
    )


def _own(name: str) -> Markup:
    return Markup((Path(__file__).parent / "templates" / name).read_text(encoding="utf-8"))


def _for_script(json: str) -> str:
    """Return JSON that can't end the script element it stands in."""
    return json.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _bars(shown: Sequence[UseShown], *, short: bool) -> list[dict[str, Any]]:
    lines = sorted((line for line in shown if line.use.volume_l > 0), key=lambda line: -line.use.volume_l)
    return [
        {
            "label": label_words(line.use.label),
            "colour": LOOKS[line.use.label].colour,
            "hatch": LOOKS[line.use.label].hatch,
            "width": 100.0 * line.use.volume_l / lines[0].use.volume_l,
            "amount": line.volume if short else line.daily,
            "share": line.share,
        }
        for line in lines
    ]


def _marks(study: FlushStudy) -> list[dict[str, str]]:
    """Return the legend of the toilets: a mark, a colour and a name each."""
    looks = zip(study.toilets, itertools.cycle(MARKS), itertools.cycle(SERIES), strict=False)
    return [{"name": toilet.name, "mark": mark, "colour": colour} for toilet, mark, colour in looks]
