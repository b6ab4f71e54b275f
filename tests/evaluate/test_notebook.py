"""The notebook on benchmarking a method runs from top to bottom."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from flowsift.evaluate import suites as suites_module
from flowsift.evaluate.suites import Suite, suites

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "benchmark_a_method.ipynb"


def test_the_notebook_runs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    quick = suites()["quick"]
    two = Suite(name="quick", question=quick.question, split="test", homes=quick.homes[:2])
    monkeypatch.setattr(suites_module, "suites", lambda: {"quick": two})
    monkeypatch.setattr(suites_module, "frozen_checksums", dict)
    monkeypatch.setattr(sys, "path", list(sys.path))
    names: dict[str, object] = {}
    for cell in json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]:
        if cell["cell_type"] == "code":
            exec("".join(cell["source"]), names)
    printed = capsys.readouterr().out
    assert "keeps the contract" in printed
    assert "by_volume:ByVolume: 2 homes, 0 failed" in printed
    assert "can't be told from luck" in printed or "holds" in printed
    sys.modules.pop("by_volume", None)
