"""The notebooks of a first account and of a leak hunt run from their first cell to their last."""

import json
import re
from pathlib import Path

import pytest

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"


def run(name):
    """Run the code of a notebook cell by cell; returns its names."""
    pytest.importorskip("matplotlib", reason="the report extra is not installed")
    pytest.importorskip("bokeh", reason="the report extra is not installed")
    cells = json.loads((NOTEBOOKS / name).read_text(encoding="utf-8"))["cells"]
    code = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    assert len(code) > 5
    names = {}
    for number, text in enumerate(code):
        exec(compile(text, f"{name}, code cell {number}", "exec"), names)
    return names


def test_the_first_account_runs(capsys):
    names = run("first_account.ipynb")
    assert names["page"].stat().st_size > 1_000_000
    assert "MB" in capsys.readouterr().out


def test_the_leak_hunt_finds_what_was_put_in(capsys):
    names = run("leak_hunt.ipynb")
    printed = capsys.readouterr().out
    # The three leaks that were put in, each inside the interval of the isolation test.
    rows = re.findall(r"^(\w+) +([\d.]+) put in, ([\d.]+) found \(.*\), (\w+)$", printed, re.MULTILINE)
    assert [row[0] for row in rows] == ["garden", "softener", "house"]
    assert {row[3] for row in rows} == {"inside"}
    assert "the repair: held" in printed
    whole = names["ledger"].lines[0]
    assert whole.low_lpm * 0.95 <= sum(names["LEAKS_LPM"].values()) <= whole.high_lpm * 1.05
    stopped, found = (float(text) for text in re.search(r"(\d+) gal a day stopped, (\d+) found", printed).groups())
    assert found == pytest.approx(stopped, rel=0.1)


@pytest.mark.parametrize("name", ["first_account.ipynb", "leak_hunt.ipynb"])
def test_stored_without_outputs(name):
    cells = json.loads((NOTEBOOKS / name).read_text(encoding="utf-8"))["cells"]
    assert [cell for cell in cells if cell.get("outputs") or cell.get("execution_count")] == []
