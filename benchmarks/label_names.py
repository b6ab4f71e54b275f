"""Whether fixtures keep their names: ``python benchmarks/label_names.py``.

Homes of the validation seeds are answered over two windows of 14 days that share four, as somebody would who runs the
command each fortnight. Of the uses that both answers hold, the share on the fixture of one name is printed, for the
second window answered alone and with the first one's events (`flowsift.HomeFacts.earlier`).
"""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

import pandas as pd
from rich.progress import track

import flowsift as fs
from flowsift.evaluate.suites import PULSE_CYCLE_L, SEEDS, STOCK_CYCLE
from flowsift.households import simulate

FIRST_SEED = SEEDS["validation"][30_000]
WINDOW, SHARED = pd.Timedelta(14, "D"), pd.Timedelta(4, "D")
RESOLVED = ("flush", "shower", "irrigation", "toilet_leak", "clothes_washer", "dishwasher")


def names_of(number: int) -> pd.DataFrame:
    """Return the uses that both windows of a home hold, and whether their names agree, alone and carried."""
    trace = simulate(
        FIRST_SEED + number,
        days=(2 * WINDOW - SHARED).days,
        stock=STOCK_CYCLE[number % 3],
        pulse_l=PULSE_CYCLE_L[number % 4],
    ).trace
    earlier = fs.disaggregate(trace.between(end=trace.start + WINDOW)).events
    later = trace.between(start=trace.end - WINDOW)
    both = earlier
    for name, household in (("alone", None), ("carried", fs.HomeFacts(earlier=earlier))):
        events = fs.disaggregate(later, household=household).events.rename(columns={"fixture": name})
        both = both.merge(events[["start", "end", "label", name]], on=["start", "end", "label"])
    same = {name: both[name] == both["fixture"] for name in ("alone", "carried")}
    return pd.DataFrame({"home": number, "label": both["label"], **same})


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--homes", type=int, default=24)
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    with ProcessPoolExecutor(options.workers) as pool:
        uses = pd.concat(
            list(track(pool.map(names_of, range(options.homes)), total=options.homes, description="homes"))
        )
    some = uses[uses["label"].isin(RESOLVED)].groupby("label", sort=False)
    table = some.agg(
        homes=("home", "nunique"), uses=("home", "size"), alone=("alone", "mean"), carried=("carried", "mean")
    )
    print(
        table.reindex([label for label in RESOLVED if label in table.index])
        .round(3)
        .reset_index()
        .to_markdown(index=False)
    )


if __name__ == "__main__":
    main()
