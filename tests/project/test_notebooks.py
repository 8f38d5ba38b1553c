"""Notebooks run from top to bottom, and keep the pictures they made."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient
from nbclient.util import run_sync

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))
FORGET = '%reset_selective -f "^[^_]"'  # all names of the notebook before


@pytest.fixture(scope="module")
def kernel():
    """One kernel for all, which the first of them starts and in which imports stay loaded."""
    manager = AsyncKernelManager()
    yield manager
    if manager.has_kernel:
        run_sync(manager.shutdown_kernel)(now=True)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("default")  # of the notebook machinery, not ours
def test_notebook_runs(path, kernel):
    notebook = nbformat.read(path, as_version=4)
    kept = [output for cell in notebook.cells for output in cell.get("outputs", [])]
    assert any("image/png" in output.get("data", {}) for output in kept), "no picture is kept"
    notebook.cells.insert(0, nbformat.v4.new_code_cell(FORGET))
    client = NotebookClient(
        notebook, km=kernel, timeout=120, resources={"metadata": {"path": str(path.parent)}}
    )
    try:
        ran = client.execute()
    finally:
        client.kc.stop_channels()
    assert all(cell.execution_count for cell in ran.cells if cell.cell_type == "code")
