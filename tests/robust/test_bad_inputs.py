"""Every bad input gets what the table of `benchmarks/BAD_INPUTS.md` says: an answer, or one line and status 2."""

import importlib.util
import os
import sys
from pathlib import Path

import pandas as pd
import pytest

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


def loaded():
    spec = importlib.util.spec_from_file_location("bad_inputs", BENCHMARKS / "bad_inputs.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


bad_inputs = loaded()


@pytest.mark.parametrize("case", bad_inputs.CASES, ids=lambda case: case.name)
def test_each_gets_what_the_table_says(tmp_path, case):
    if case.group == "Files" and not hasattr(os, "mkfifo"):
        pytest.skip("links, pipes and devices are those of Unix")
    ended = bad_inputs.outcome(case, tmp_path)
    assert ended.status == case.status, ended.err
    assert "Traceback" not in ended.err
    if case.status == 0:
        assert ended.err == ""
        assert case.words in " ".join(ended.out.split())
        return
    assert ended.out == ""
    assert len(ended.err.splitlines()) == 1
    assert ended.err.strip().isprintable()
    assert len(ended.err) < 1_000
    assert case.words in ended.err


def test_the_table_lists_every_case_with_its_status():
    text = (BENCHMARKS / "BAD_INPUTS.md").read_text(encoding="utf-8")
    listed = [line.split(" | ")[:2] for line in text.splitlines() if line.startswith("| ")]
    rows = {(name.removeprefix("| "), status) for name, status in listed}
    assert {(case.name, str(case.status)) for case in bad_inputs.CASES} <= rows, "run benchmarks/bad_inputs.py"


def test_formulas_and_markup_in_names_reach_no_file(tmp_path):
    trace = bad_inputs.csv(values=[f"{0.1 * (100 <= i % 300 < 160):.1f}" for i in range(600)])
    trace(tmp_path)
    labels = tmp_path / "labels.csv"
    risky = "=HYPERLINK(1)<script>alert(1)</script>"
    labels.write_text(f'time,label,fixture\n2024-03-05T06:02:00Z,faucet,"{risky}"\n', encoding="utf-8")
    ended = bad_inputs.run(
        "account", str(tmp_path / "meter.csv"), "--labels", str(labels), "--events", str(tmp_path / "e.csv")
    )
    assert ended.status == 0, ended.err
    events = pd.read_csv(tmp_path / "e.csv")
    assert (events["fixture"] == f"'{risky}").any()
    assert not events["fixture"].str.startswith("=").any()


def test_markup_in_names_is_text_on_the_page(tmp_path):
    bad_inputs.csv(header="time,<script>alert(1)</script> volume_l\n")(tmp_path)
    page = tmp_path / "page.html"
    title = "<img src=x onerror=alert(1)>"
    ended = bad_inputs.run("report", str(tmp_path / "meter.csv"), "-o", str(page), "--title", title)
    assert ended.status == 0, ended.err
    text = page.read_text(encoding="utf-8")
    assert "<script>alert(1)" not in text
    assert title not in text
    assert "&lt;img src=x" in text
