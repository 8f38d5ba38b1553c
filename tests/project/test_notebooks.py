"""Notebooks run from top to bottom, and keep the pictures they made."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("default")  # of the notebook machinery, not ours
def test_notebook_runs(path):
    notebook = nbformat.read(path, as_version=4)
    kept = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert any("image/png" in output.get("data", {}) for output in kept), "no picture is kept"
    ran = NotebookClient(
        notebook, timeout=120, resources={"metadata": {"path": str(path.parent)}}
    ).execute()
    assert all(cell.execution_count for cell in ran.cells if cell.cell_type == "code")
