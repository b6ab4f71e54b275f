"""The list of figures in the documentation is the one in the code."""

from __future__ import annotations

import importlib.util
from pathlib import Path

BENCHMARKS = Path(__file__).parents[2] / "benchmarks"


def test_list_of_figures_is_current() -> None:
    spec = importlib.util.spec_from_file_location("make_tables", BENCHMARKS / "make_tables.py")
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    assert (BENCHMARKS / "FIGURES.md").read_text(encoding="utf-8") == script.list_figures(), (
        "run benchmarks/make_tables.py, which writes the list"
    )
