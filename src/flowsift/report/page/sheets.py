"""The tables of the page."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd
from markupsafe import Markup

from flowsift.disaggregation import Disaggregation
from flowsift.labels import PARTS, label_words
from flowsift.quality import Finding
from flowsift.report.account import Account
from flowsift.report.isolation_text import branch_verdict
from flowsift.report.page import amounts
from flowsift.report.page.sheet import Sheet
from flowsift.report.page.uses_shown import UseShown
from flowsift.report.weeks import WEEKDAYS, usual_week
from flowsift.report.wording import TOO_SHORT, moment, money
from flowsift.study.daily_volumes import daily_volumes
from flowsift.study.flushes_study import FlushStudy
from flowsift.study.isolation import Isolation
from flowsift.study.leaks_ledger import LeakLedger
from flowsift.tables import Table
from flowsift.trace import Trace

LARGEST_USES = 20
"""Uses that are shown; all of them are downloaded."""


def sheets(
    result: Disaggregation,
    account: Account,
    shown: Sequence[UseShown],
    ledger: LeakLedger,
    study: FlushStudy,
    isolation: Isolation | None = None,
) -> dict[str, Sheet]:
    """Return the tables of the page by key."""
    made = (
        account_sheet(account, shown),
        fixtures_sheet(result),
        days_sheet(result),
        week_sheet(result),
        events_sheet(result),
        trickle_sheet(result, account),
        flushes_sheet(study),
        irrigation_sheet(result),
        leaks_sheet(ledger),
        quality_sheet(result, account),
        *(() if isolation is None else (branches_sheet(isolation), steps_sheet(isolation, result.trace))),
    )
    return {sheet.key: sheet for sheet in made}


def account_sheet(account: Account, shown: Sequence[UseShown]) -> Sheet:
    """Return the account by label; its rows add up to its foot as they are shown."""

    def daily(amount: Markup) -> tuple[Markup, ...]:
        return () if account.short else (amount,)

    rows = tuple(
        (
            label_words(line.use.label),
            f"{line.use.uses:,}" if line.use.uses else "",
            line.volume,
            *daily(line.daily),
            line.share,
            "" if line.use.probability is None else f"{100 * line.use.probability:.0f} %",
        )
        for line in shown
    )
    uses = [line.use for line in shown]
    table = Table(
        {
            "label": [use.label for use in uses],
            "uses": [use.uses for use in uses],
            "volume_l": [use.volume_l for use in uses],
            "per_day_l": [use.per_day_l for use in uses],
            "share": [use.share for use in uses],
            "probability": [use.probability for use in uses],
        }
    )
    return Sheet(
        key="account",
        caption="Where the water went, by kind of use",
        head=("use", "times", "volume", *(() if account.short else ("a day",)), "share", "sure"),
        rows=rows,
        foot=("metered", "", amounts.total(account.metered_l), *daily(amounts.total(account.per_day_l)), "100.0 %", ""),
        table=table,
    )


def fixtures_sheet(result: Disaggregation) -> Sheet:
    """Return the fixtures, largest volume first."""
    table = result.fixtures.sort_values("volume_l", ascending=False, ignore_index=True)
    rows = tuple(
        (
            row["fixture"],
            label_words(row["label"]),
            f"{row['uses']:,}",
            amounts.volume(row["volume_l"]),
            amounts.small_volume(row["typical_volume_l"]),
            amounts.volume_range(row["low_l"], row["high_l"]),
            amounts.flow(row["typical_lpm"]),
        )
        for row in table.to_dict("records")
    )
    head = ("fixture", "use", "times", "volume", "usual use", "90 % interval", "usual flow")
    caption = "By fixture; a load or an irrigation cycle is one use"
    return Sheet(key="fixtures", caption=caption, head=head, rows=rows, table=Table(table), none="No use was found.")


def days_sheet(result: Disaggregation) -> Sheet:
    """Return the days with the volume of each label that occurs."""
    days = daily_volumes(result)
    table = days.table()
    present = [name for name in PARTS if float(table[f"{name}_l"].sum()) > 0]
    rows = tuple(
        (
            row["date"] + ("" if row["complete"] else " (incomplete)"),
            amounts.volume(row["total_l"]),
            *(amounts.volume(row[f"{name}_l"]) for name in present),
        )
        for row in table.to_dict("records")
    )
    head = ("day", "in all", *(label_words(name) for name in present))
    return Sheet(key="days", caption="Volume of each day by use", head=head, rows=rows, table=table)


def week_sheet(result: Disaggregation) -> Sheet:
    """Return the usual week, an hour a row and a weekday a column."""
    week = usual_week(result)
    volume = week["volume_l"].to_numpy().reshape(7, 24)
    rows = tuple(
        (f"{hour:02d}:00", *(amounts.volume(float(volume[day, hour])) for day in range(7))) for hour in range(24)
    )
    caption = "Mean volume in each hour of the week"
    return Sheet(key="week", caption=caption, head=("hour", *(d[:3] for d in WEEKDAYS)), rows=rows, table=week)


def events_sheet(result: Disaggregation) -> Sheet:
    """Return the largest uses."""
    events = result.events
    zone = result.trace.timezone
    largest = events.nlargest(LARGEST_USES, "volume_l")
    rows = tuple(
        (
            row["fixture"],
            label_words(row["label"]),
            moment(row["start"].tz_convert(zone)),
            f"{row['duration_s'] / 60:.1f} min",
            amounts.volume(row["volume_l"]),
            amounts.flow(row["mean_lpm"]),
            f"{100 * row['probability']:.0f} %",
            Markup('<button type="button" class="show" data-event="{}">show</button>').format(index),
        )
        for index, row in zip(largest.index, largest.to_dict("records"), strict=True)
    )
    head = ("fixture", "use", "start", "length", "volume", "mean flow", "sure", "in the trace")
    caption = f"The {len(rows)} largest of {len(events):,} uses (the file has all)"
    return Sheet(key="events", caption=caption, head=head, rows=rows, table=events, none="No use was found.")


def trickle_sheet(result: Disaggregation, account: Account) -> Sheet:
    """Return the spans of trickle with their intervals."""
    zone = result.trace.timezone
    rows = tuple(
        (
            moment(row["start"].tz_convert(zone)),
            moment(row["end"].tz_convert(zone)),
            amounts.flow(row["rate_lpm"]),
            amounts.flow_range(row["low_lpm"], row["high_lpm"]),
            amounts.volume(row["volume_l"]),
        )
        for row in result.trickle.to_dict("records")
    )
    head = ("from", "to", "rate", "90 % interval", "volume")
    none = "No constant flow was found." if account.trickle_told else f"{TOO_SHORT.capitalize()}."
    caption = "Constant flow under everything"
    return Sheet(key="trickle", caption=caption, head=head, rows=rows, table=result.trickle, none=none)


def flushes_sheet(study: FlushStudy) -> Sheet:
    """Return each kind of flush of each toilet."""
    records, rows = [], []
    for toilet in study.toilets:
        for kind, flush in (("full", toilet.full), ("reduced", toilet.reduced)):
            if flush is None:
                continue
            called = str(toilet.classes) if kind == "full" else ""
            records.append((toilet.name, kind, flush.flushes, flush.volume_l, flush.low_l, flush.high_l, called))
            volumes = (amounts.small_volume(flush.volume_l), amounts.volume_range(flush.low_l, flush.high_l))
            rows.append((toilet.name, kind, f"{flush.flushes:,}", *volumes, called))
    names = ["toilet", "kind", "flushes", "volume_l", "low_l", "high_l", "class"]
    head = ("toilet", "flush", "times", "volume", "90 % interval", "class")
    caption = "Volume per flush; the interval includes what the meter may be off"
    table = Table(pd.DataFrame(records, columns=names))
    none = "No toilet could be resolved: no volume and flow repeat as a tank's refill does."
    return Sheet(key="flushes", caption=caption, head=head, rows=tuple(rows), table=table, none=none)


def irrigation_sheet(result: Disaggregation) -> Sheet:
    """Return the irrigation cycles: start, zones, length, volume."""
    events = result.events
    zones = events[events["label"] == "irrigation"]
    zones = zones.assign(cycle=zones["cycle"].fillna(-1 - zones.index.to_series()).astype("int64"))
    records = [
        (
            group["start"].min(),
            group["end"].max(),
            ", ".join(dict.fromkeys(group["fixture"].astype(str))),
            float(group["duration_s"].sum()),
            float(group["volume_l"].sum()),
        )
        for _, group in zones.groupby("cycle", sort=False)
    ]
    table = Table(pd.DataFrame(records, columns=["start", "end", "zones", "duration_s", "volume_l"]))
    zone = result.trace.timezone
    rows = tuple(
        (moment(start.tz_convert(zone)), names, f"{seconds / 60:.0f} min", amounts.volume(litres))
        for start, _, names, seconds, litres in records
    )
    head = ("start", "zones", "watering", "volume")
    none = "No irrigation was found."
    return Sheet(key="irrigation", caption="Irrigation cycles", head=head, rows=rows, table=table, none=none)


def leaks_sheet(ledger: LeakLedger) -> Sheet:
    """Return the leak ledger."""
    priced = ledger.cost_per_year is not None
    rows = tuple(
        (
            line.kind + (f", {line.fixture}" if line.fixture else ""),
            moment(line.since),
            "still going" if line.ongoing else moment(line.until),
            amounts.flow(line.rate_lpm),
            amounts.flow_range(line.low_lpm, line.high_lpm),
            amounts.volume(line.volume_l),
            amounts.volume(line.per_year_l) if line.ongoing and line.per_year_l > 0 else "",
            *((money(line.cost_per_year, ledger.currency) if line.ongoing else "",) if priced else ()),
            line.sure,
        )
        for line in ledger.lines
    )
    head = (
        "loss",
        "since",
        "until",
        "flow",
        "90 % interval",
        "lost so far",
        "a year",
        *(("costs a year",) * priced),
        "sure",
    )
    caption = "Leak ledger: every constant or recurring loss that shows"
    none = "No constant or recurring loss shows."
    return Sheet(key="leaks", caption=caption, head=head, rows=rows, table=ledger.table(), none=none)


def branches_sheet(isolation: Isolation) -> Sheet:
    """Return what leaks behind each branch, what is not located, and the whole."""
    lines = [*isolation.branches, isolation.rest]
    rows = [
        (
            leak.name,
            amounts.flow(leak.rate_lpm) if leak.told else "not told",
            amounts.flow_range(leak.low_lpm, leak.high_lpm) if leak.told else "",
            branch_verdict(isolation, leak) if leak.told else "these steps leave it open",
        )
        for leak in lines
    ]
    whole = (isolation.total_low_lpm, isolation.total_high_lpm)
    foot = ("whole", amounts.flow(isolation.total_lpm), amounts.flow_range(*whole), "")
    head = ("branch", "leak", "90 % interval", "verdict")
    caption = "Isolation test: leak by branch"
    return Sheet(key="branches", caption=caption, head=head, rows=tuple(rows), foot=foot, table=isolation.table())


def steps_sheet(isolation: Isolation, trace: Trace) -> Sheet:
    """Return the steps of the isolation test as they were measured."""
    table = isolation.steps_table(trace)
    rows = tuple(
        (
            moment(row["start"].tz_convert(trace.timezone)),
            row["closed"] or "nothing",
            f"{row['quiet_s'] / 60:.0f} min",
            amounts.flow(row["rate_lpm"]),
            amounts.flow_range(row["low_lpm"], row["high_lpm"]),
            amounts.volume(row["surge_l"]),
            row["note"],
        )
        for row in table.to_dict("records")
    )
    head = ("from", "closed", "quiet", "steady flow", "90 % interval", "refill surge", "note")
    return Sheet(key="steps", caption="Isolation test: its steps", head=head, rows=rows, table=table)


def quality_sheet(result: Disaggregation, account: Account) -> Sheet:
    """Return faults of the data, assumptions and limits."""
    rows = tuple(
        (found.kind, found.what, f"{found.count:,}" if found.count else "", _treatment(found))
        for found in account.findings
    )
    head = ("kind", "what", "count", "what was done, or what follows")
    none = "Nothing is wrong with the data."
    return Sheet(key="quality", caption="Data quality", head=head, rows=rows, table=result.quality, none=none)


def _treatment(found: Finding) -> str | Markup:
    return amounts.both(lambda say: found.said(say.units)) if found.treatment_us else found.treatment
