"""The notebook on gallons per flush runs from top to bottom in a fresh kernel and says what it promises."""

from pathlib import Path

import pytest

NOTEBOOK = Path(__file__).parents[2] / "notebooks" / "gallons_per_flush.ipynb"


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_the_notebook_runs(tmp_path):
    nbformat = pytest.importorskip("nbformat", reason="needs the test extra")
    nbclient = pytest.importorskip("nbclient", reason="needs the test extra")
    pytest.importorskip("ipykernel", reason="needs the test extra")
    notebook = nbformat.read(NOTEBOOK, as_version=4)
    nbclient.NotebookClient(notebook, timeout=300, resources={"metadata": {"path": str(tmp_path)}}).execute()
    printed = "".join(
        output.get("text", "")
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
        if output.output_type == "stream"
    )
    assert "12 homes studied, 0 could not be read" in printed
    assert "refills of about" in printed  # the worn flapper of the eighth house
    error = float(printed.split("median error ")[1].split(" %")[0])
    assert error < 3.0
    assert any("image/png" in output.get("data", {}) for cell in notebook.cells for output in cell.get("outputs", []))


def test_the_notebook_is_stored_without_outputs():
    text = NOTEBOOK.read_text(encoding="utf-8")
    assert '"image/png"' not in text
