"""Measure live feeding: speed, latency, memory, kills, and how far live and batch agree.

    python benchmarks/live.py speed
    python benchmarks/live.py homes --homes 10000
    python benchmarks/live.py kills --kills 100
    python benchmarks/live.py alike --homes 6
    python benchmarks/live.py same --homes 6
    python benchmarks/live.py settling

Each prints its lines of `LIVE.md`. Homes are made up (`flowsift.households`); times are those of one thread, and CPU
time is given beside wall time, as other work on the machine lengthens only the second.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import platform
import random
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd

import flowsift as fs
from flowsift.cli import main as command
from flowsift.evaluate.provenance import commit
from flowsift.households import simulate
from flowsift.households.fixtures.leaks import Trickle
from flowsift.stream import (
    SettledEvent,
    Sifter,
    disaggregate_known,
    home_from_json,
    home_to_json,
    learn_home,
    sift_whole,
)
from flowsift.units import NS_PER_S, SECONDS_PER_DAY

DAY = round(SECONDS_PER_DAY)
RECORD_DAYS = 7


def main() -> None:
    """Run one measurement."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    what = parser.add_subparsers(dest="what", required=True)
    what.add_parser("speed").set_defaults(run=lambda _: speed())
    homes = what.add_parser("homes")
    homes.add_argument("--homes", type=int, default=10_000)
    homes.add_argument("--seconds", type=int, default=60)
    homes.set_defaults(run=lambda a: many_homes(a.homes, a.seconds))
    kills = what.add_parser("kills")
    kills.add_argument("--kills", type=int, default=100)
    kills.add_argument("--seed", type=int, default=0)
    kills.set_defaults(run=lambda a: kill(a.kills, a.seed))
    alike_homes = what.add_parser("alike")
    alike_homes.add_argument("--homes", type=int, default=6)
    alike_homes.set_defaults(run=lambda a: alike(a.homes))
    same_homes = what.add_parser("same")
    same_homes.add_argument("--homes", type=int, default=6)
    same_homes.set_defaults(run=lambda a: same_home(a.homes))
    what.add_parser("settling").set_defaults(run=lambda _: settling())
    arguments = parser.parse_args()
    print(environment())
    arguments.run(arguments)


def environment() -> str:
    """Return what the figures were measured on."""
    load = os.getloadavg()[0]
    return (
        f"flowsift {fs.__version__} at {commit() or 'unknown'}, Python {platform.python_version()}, "
        f"numpy {np.__version__}, {os.cpu_count()} cores, load {load:.1f}"
    )


def record_and_day(seed: int, *, days: int = 1) -> tuple[fs.Trace, np.ndarray, np.ndarray]:
    """Return a home's record, and the rows of the days after it."""
    at, volume = simulate(seed=seed, days=RECORD_DAYS + days).trace.rows()
    stop = RECORD_DAYS * DAY
    record = fs.Trace.from_volumes(at[:stop].view("M8[ns]"), volume[:stop], pulse_l=0.03)
    return record, at[stop:], volume[stop:]


def speed() -> None:
    """Samples a second by the size of the chunks, and the latency of single samples."""
    record, at, volume = record_and_day(3)
    home = learn_home(record)
    print("\n| samples at once | samples/s of CPU time | events |\n| --- | --- | --- |")
    for size in (1, 10, 60, 3600, DAY):
        sifter, found = Sifter(home), []
        start = time.process_time()
        for k in range(0, at.size, size):
            found += sifter.feed_ns(at[k : k + size], volume[k : k + size])
        spent = time.process_time() - start
        print(f"| {size:,} (arrays) | {at.size / spent:,.0f} | {sum(isinstance(n, SettledEvent) for n in found)} |")
    rows = list(zip(at.tolist(), volume.tolist(), strict=True))
    sifter = Sifter(home)
    start = time.process_time()
    for ns, litres in rows:
        sifter.feed_one(ns, litres)
    print(f"| 1 (feed_one) | {at.size / (time.process_time() - start):,.0f} | same |")
    for name, clock in (("CPU", time.thread_time_ns), ("wall", time.perf_counter_ns)):
        sifter = Sifter(home)
        spent = np.empty(len(rows))
        for k, (ns, litres) in enumerate(rows):
            start = clock()
            sifter.feed_one(ns, litres)
            spent[k] = clock() - start
        p50, p99, p999, most = np.percentile(spent, [50, 99, 99.9, 100]) / 1000
        print(
            f"\nlatency of one sample, {name} time: p50 {p50:.1f} us, p99 {p99:.1f} us, p99.9 {p999:.0f} us,", end=" "
        )
        print(f"longest {most / 1000:.1f} ms (a sample that settles a stretch)")


def resident_mb() -> float:
    """Return the memory of this process [MB]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def many_homes(n_homes: int, seconds: int) -> None:
    """Memory and work of many homes in one process, each with a learned home of its own and two days behind it."""
    made = []
    for seed in (3, 4, 6):
        record, at, volume = record_and_day(seed, days=3)
        home = learn_home(record)
        sifter = Sifter(home)
        first = 2 * DAY + 7 * 3600
        sifter.feed_ns(at[:first], volume[:first])
        rows = list(zip(at[first : first + seconds].tolist(), volume[first : first + seconds].tolist(), strict=True))
        made.append((home_to_json(home), sifter.to_json(), rows))
    before = resident_mb()
    sifters, feeds = [], []
    for k in range(n_homes):
        home_text, state_text, rows = made[k % len(made)]
        sifters.append(Sifter.from_json(state_text, home_from_json(home_text)))
        feeds.append(rows)
        if len(sifters) in (100, 1000, 3000):
            print(f"{len(sifters):,} homes: {resident_mb():,.0f} MB", flush=True)
    after = resident_mb()
    start = time.process_time()
    for second in range(seconds):
        for sifter, rows in zip(sifters, feeds, strict=True):
            sifter.feed_one(*rows[second])
    spent = time.process_time() - start
    homes_kb = 1000 * (after - before) / n_homes
    print(f"\n{n_homes:,} homes: {after:,.0f} MB in all, {homes_kb:.0f} kB a home (learned home and state);")
    print(f"after {seconds} s of samples {resident_mb():,.0f} MB;")
    print(f"{spent / seconds:.3f} s of CPU time for each second of all homes at 7 in the morning,")
    home_kb, state_kb = (np.mean([len(texts[k]) for texts in made]) / 1000 for k in (0, 1))
    print(f"saved state {state_kb:.0f} kB, home {home_kb:.0f} kB")


def kill(n_kills: int, seed: int) -> None:
    """Kill a watching process at random instants during a day of feeding, and compare what it wrote."""
    record, at, volume = record_and_day(3)
    home = learn_home(record)
    sifter = Sifter(home)
    expected = [n.record() for n in [*sifter.feed_ns(at, volume), *sifter.finish()]]
    times = pd.DatetimeIndex(at.view("M8[ns]")).strftime("%Y-%m-%dT%H:%M:%SZ")
    lines = [f"{t},{v!r}\n" for t, v in zip(times, volume.tolist(), strict=True)]
    chance = random.Random(seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "home.json").write_text(home_to_json(home))
        feed, out, state = (folder / file for file in ("feed.csv", "out.jsonl", "state.json"))
        feed.write_text("")
        arguments = ["watch", "--home", folder / "home.json", "--state", state, "--output", out, feed]
        arguments = [str(argument) for argument in arguments]
        fed, early, cut_back = 0, 0, 0
        # forked, so that a hundred starts don't wait for a hundred imports; what is killed is the command's own process
        fork = multiprocessing.get_context("fork")
        for number in range(1, n_kills + 1):
            every = chance.choice(("0", "0.2", "2", "1000"))
            mark = state.stat().st_ino if state.exists() else None
            process = fork.Process(target=command, args=([*arguments, "--follow", "--save-every", every],))
            process.start()
            # one in ten is killed while it starts
            if number % 10:
                while process.is_alive() and (not state.exists() or state.stat().st_ino == mark):
                    time.sleep(0.005)
            else:
                early += 1
            stop = round(len(lines) * number / n_kills)
            while fed < stop:
                some = min(fed + chance.randint(1, 600), stop)
                with feed.open("a") as file:
                    file.write("".join(lines[fed:some]))
                fed = some
                time.sleep(chance.uniform(0, 0.05) if number % 10 else 0)
            time.sleep(chance.uniform(0, 1.0) if number % 10 else chance.uniform(0, 0.05))
            if not process.is_alive():
                raise SystemExit(f"it ended by itself with status {process.exitcode}")
            process.kill()
            process.join()
            saved = json.loads(state.read_text())["output_bytes"] if state.exists() else 0
            cut_back += out.exists() and out.stat().st_size > saved
        try:
            command([*arguments, "--finish"])
        except SystemExit as ended:
            if ended.code:
                raise
        found = [json.loads(line) for line in out.read_text().splitlines()]
    same = found == expected
    doubled = sum(n - 1 for n in Counter(r["number"] for r in found).values())
    lost = len({r["number"] for r in expected} - {r["number"] for r in found})
    print(f"\n{n_kills} kills (kill -9, {early} of them while it started), {len(expected)} notices:")
    print(f"lost {lost}, doubled {doubled}, file {'the same' if same else 'NOT the same'} as that of one unbroken run;")
    print(f"after {cut_back} of the kills the output held lines that the state did not count; they were written anew")


def alike(n_homes: int) -> None:
    """Compare live with batch, the home learned from the same record and from the weeks before."""
    meters = {
        "1 s, 0.03 L": {},
        "5 s, 0.1 L": {"interval_s": 5.0, "pulse_l": 0.1},
        "10 s, 1 L": {"interval_s": 10.0, "pulse_l": 1.0},
        "1 s, 0.03 L, leaks": {
            "leaks": [Trickle(rate_lpm=0.4, from_s=2 * SECONDS_PER_DAY, to_s=5 * SECONDS_PER_DAY)],
            "starting_lpm": 0.0,
        },
    }
    print("\n| meter | learned from | events in batch | live | same start and end | and volume to 1 mL | and label |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for meter, options in meters.items():
        counts = {"the same week": np.zeros(5), "the week before": np.zeros(5)}
        for seed in range(101, 101 + n_homes):
            week = simulate(seed=seed, days=7, start="2024-06-10", **options).trace
            batch = fs.disaggregate(week)
            counts["the same week"] += agreement(batch, sift_whole(week, learn_home(week, rules=())))
            if options:
                continue
            both = simulate(seed=seed, days=14, start="2024-06-03").trace
            at, volume = both.rows()
            half = at.size // 2
            first, second = (
                fs.Trace.from_volumes(at[part].view("M8[ns]"), volume[part], pulse_l=both.pulse_l)
                for part in (slice(0, half), slice(half, None))
            )
            live = sift_whole(second, learn_home(first, rules=()))
            counts["the week before"] += agreement(fs.disaggregate(second), live)
        for learned, (n_batch, n_live, cut, volume_too, label_too) in counts.items():
            if n_batch:
                shares = " | ".join(f"{n / n_batch:.2%}" for n in (cut, volume_too, label_too))
                print(f"| {meter} | {learned} | {n_batch:,.0f} | {n_live:,.0f} | {shares} |", flush=True)


def same_home(n_homes: int) -> None:
    """How far events fed in chunks, with restarts between, are those of the whole trace by the same learned home."""
    print("\n| events in batch | live | same start and end | and volume to 1 mL | and label |\n" + "| --- " * 5 + "|")
    counts = np.zeros(5)
    for seed in range(101, 101 + n_homes):
        before, at, volume = record_and_day(seed, days=RECORD_DAYS)
        home = learn_home(before, rules=())
        rng = np.random.default_rng(seed)
        sifter, found, k = Sifter(home), [], 0
        while k < at.size:
            n = int(rng.integers(1, 20_000))
            found += sifter.feed_ns(at[k : k + n], volume[k : k + n])
            sifter = Sifter.from_json(sifter.to_json(), home)
            k += n
        week = fs.Trace.from_volumes(at.view("M8[ns]"), volume, pulse_l=before.pulse_l)
        counts += agreement(disaggregate_known(week, home), [*found, *sifter.finish()])
    print(f"| {counts[0]:,.0f} | {counts[1]:,.0f} | " + " | ".join(f"{n / counts[0]:.2%}" for n in counts[2:]) + " |")


def agreement(batch: fs.Disaggregation, notices: list[object]) -> np.ndarray:
    """Count events of batch and live, and those with the same times, volume too, label too."""
    e = batch.events
    keys = zip(*(e[name].dt.as_unit("ns").astype("int64") for name in ("start", "end")), strict=True)
    by_time: dict[tuple[int, int], list[tuple[float, str]]] = {}
    for key, volume, label in zip(keys, e["volume_l"], e["label"], strict=True):
        by_time.setdefault(key, []).append((volume, label))
    live = [n for n in notices if isinstance(n, SettledEvent)]
    same = [(n, by_time.get((n.start_ns, n.end_ns), [])) for n in live]
    cut = sum(bool(found) for _, found in same)
    volume = sum(any(abs(v - n.volume_l) < 1e-3 for v, _ in found) for n, found in same)
    label = sum(any(abs(v - n.volume_l) < 1e-3 and text == n.label for v, text in found) for n, found in same)
    return np.array([len(e), len(live), cut, volume, label], dtype=np.float64)


def settling() -> None:
    """Time from the end of a use to its event."""
    waits = []
    for seed in (3, 4, 5):
        record, at, volume = record_and_day(seed)
        sifter = Sifter(learn_home(record))
        for ns, litres in zip(at.tolist(), volume.tolist(), strict=True):
            for notice in sifter.feed_one(ns, litres):
                if isinstance(notice, SettledEvent):
                    waits.append((ns - notice.end_ns) / NS_PER_S / 60)
    p50, p90, p99, most = np.percentile(waits, [50, 90, 99, 100])
    usual, bound = (s / 60 for s in sifter.settles_within_s)
    print(f"\n{len(waits)} events: p50 {p50:.1f} min after their end, p90 {p90:.1f}, p99 {p99:.1f}, longest {most:.1f}")
    print(f"(stated: {usual:.1f} min where the home is quiet after it, {bound:.1f} min at the very most)")


if __name__ == "__main__":
    main()
