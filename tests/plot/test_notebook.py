"""The notebook of the first account runs from its first cell to its last."""

import json
from pathlib import Path

import pytest

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "first_account.ipynb"


def test_it_runs(capsys):
    pytest.importorskip("matplotlib", reason="the report extra is not installed")
    pytest.importorskip("bokeh", reason="the report extra is not installed")
    cells = json.loads(NOTEBOOK.read_text(encoding="utf-8"))["cells"]
    code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    assert len(code) > 5
    names = {}
    for number, text in enumerate(code):
        exec(compile(text, f"cell {number}", "exec"), names)
    assert names["page"].stat().st_size > 1_000_000
    assert "MB" in capsys.readouterr().out
