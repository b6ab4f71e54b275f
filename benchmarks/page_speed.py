"""How long the report page of a year takes: to build beside the account of the same file, and to render in a browser.

Run from the top of the repository, where Chromium is installed (pip install -e '.[report,browser]'):

    python benchmarks/page_speed.py --output benchmarks/PAGE.md

The year is a simulated home at 1 s. Rendering ends when every picture is drawn. On a busy machine the wall clock says
little; the processor time of the browser's processes stands beside it.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import subprocess
import time
from collections.abc import Callable
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import psutil
from playwright.sync_api import sync_playwright

import flowsift as fs
from flowsift.report.account import water_account
from flowsift.report.as_json import json_dict
from flowsift.report.page import write_page

SIZES = {"desk": {"width": 1280, "height": 900}, "phone": {"width": 390, "height": 844}}


def timed(work: Callable[[], Any]) -> tuple[Any, float, float]:
    """Return what the work gives, its wall time and its processor time [s]."""
    wall, cpu = time.perf_counter(), time.process_time()
    given = work()
    return given, time.perf_counter() - wall, time.process_time() - cpu


def built(log: Path, page: Path) -> dict[str, Any]:
    """Return the times of the account and of the page of one file, each from reading the file on."""
    result, read_wall, read_cpu = timed(lambda: fs.disaggregate(fs.read_trace(log)))
    _, account_wall, account_cpu = timed(lambda: json_dict(water_account(result)))
    _, page_wall, page_cpu = timed(lambda: write_page(result, page))
    return {
        "events": len(result.events),
        "flow cells": result.trace.n_flow,
        "days": result.trace.duration_s / 86_400,
        "account": (read_wall + account_wall, read_cpu + account_cpu),
        "page": (read_wall + page_wall, read_cpu + page_cpu),
        "megabytes": page.stat().st_size / 1e6,
    }


def browser_cpu_s() -> float:
    """Return the processor time of the browser's processes so far [s]."""
    total = 0.0
    for child in psutil.Process().children(recursive=True):
        try:
            used = child.cpu_times()
            total += used.user + used.system if "chrom" in child.name() else 0.0
        except psutil.Error:
            continue
    return total


def rendered(page: Path, *, repeats: int) -> dict[str, tuple[float, float]]:
    """Return the best wall and processor time of rendering a page at each size [s]."""
    program = shutil.which("chromium") or shutil.which("chromium-browser")
    best: dict[str, tuple[float, float]] = {}
    with sync_playwright() as driver:
        root = os.geteuid() == 0  # Chromium refuses to run as root inside its sandbox.
        browser = driver.chromium.launch(executable_path=program, args=["--no-sandbox"] if root else [])
        print(f"browser {browser.version}")
        for name, size in SIZES.items():
            times = []
            for _ in range(repeats):
                tab = browser.new_context(viewport=size).new_page()
                cpu, wall = browser_cpu_s(), time.perf_counter()
                tab.goto(page.as_uri(), timeout=300_000)
                tab.wait_for_selector("html[data-ready=yes]", timeout=300_000)
                times.append((time.perf_counter() - wall, browser_cpu_s() - cpu))
                tab.context.close()
            best[name] = (min(t[0] for t in times), min(t[1] for t in times))
        browser.close()
    return best


def table(figures: dict[str, Any], drawn: dict[str, tuple[float, float]], options: argparse.Namespace) -> str:
    """Return the figures as a page of Markdown."""
    commit = subprocess.run(["git", "rev-parse", "--short", "HEAD"], capture_output=True, text=True, check=True)
    names = ("flowsift", "bokeh", "numpy", "pandas")
    load = os.getloadavg()[0]
    account, page = figures["account"], figures["page"]
    rows = [
        ("account of the file", *account),
        ("page of the file", *page),
        *((f"rendering, {name} ({SIZES[name]['width']} px)", *times) for name, times in drawn.items()),
    ]
    lines = [
        "# The report page of a year",
        "",
        f"`python benchmarks/page_speed.py --days {options.days} --seed {options.seed}`, {datetime.now(UTC):%Y-%m-%d}, "
        f"commit {commit.stdout.strip()}, Python {platform.python_version()}, "
        + ", ".join(f"{name} {version(name)}" for name in names)
        + f"; {os.cpu_count()} cores, load {load:.1f} at the end.",
        "",
        f"{figures['days']:.0f} days, {figures['flow cells']:,} intervals with flow, {figures['events']:,} uses; "
        f"the page has {figures['megabytes']:.2f} MB.",
        "",
        "| | wall, s | processor, s |",
        "| --- | ---: | ---: |",
        *(f"| {name} | {wall:.1f} | {cpu:.1f} |" for name, wall, cpu in rows),
        "",
        f"Page over account: {page[0] / account[0]:.2f} times the wall time, {page[1] / account[1]:.2f} times the "
        f"processor time (goal: at most 2). Rendering: best of {options.repeats}, from opening the file until every "
        "picture is drawn (goal: at most 2 s on an idle machine); the processor time is that of all the browser's "
        "processes together.",
        "",
    ]
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--log", type=Path, help="a file to use instead of a simulated year")
    parser.add_argument("--output", type=Path)
    options = parser.parse_args()
    with TemporaryDirectory() as folder:
        log, page = options.log, Path(folder) / "report.html"
        if log is None:
            command = ["flowsift", "simulate", "-o", folder, "-d", str(options.days), "--seed", str(options.seed)]
            subprocess.run(command, check=True)
            log = next(Path(folder).glob("*/log.parquet"))
        figures = built(log, page)
        text = table(figures, rendered(page, repeats=options.repeats), options)
    print(text)
    if options.output is not None:
        options.output.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
