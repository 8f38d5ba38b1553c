"""Notebooks run from top to bottom, keep what they made, and need nothing but `raytrace`."""

from __future__ import annotations

import ast
import re
import sys
from pathlib import Path

import nbformat
import pytest
from jupyter_client.manager import AsyncKernelManager
from nbclient import NotebookClient
from nbclient.util import run_sync

NOTEBOOKS = sorted((Path(__file__).parents[2] / "notebooks").glob("*.ipynb"))
ALLOWED = {"raytrace", "numpy", "matplotlib", "pandas", "scipy", *sys.stdlib_module_names}
FORGET = '%reset_selective -f "^[^_]"'  # all names of the notebook before


@pytest.fixture(scope="module")
def kernel():
    """One kernel for all, which the first of them starts and in which imports stay loaded."""
    manager = AsyncKernelManager()
    yield manager
    if manager.has_kernel:
        run_sync(manager.shutdown_kernel)(now=True)


def outputs(notebook):
    return [output for cell in notebook.cells for output in cell.get("outputs", [])]


def words(notebook):
    """What the cells print, their numbers left out, since another processor may round otherwise."""
    text = "".join(o["text"] for o in outputs(notebook) if o["output_type"] == "stream")
    return re.sub(r"[-\d.]+", "#", text).split()


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_notebook_needs_the_package_alone_and_tells_its_pictures(path):
    notebook = nbformat.read(path, as_version=4)
    code = "\n".join(c.source for c in notebook.cells if c.cell_type == "code")
    for node in ast.walk(ast.parse(re.sub(r"(?m)^%.*$", "", code))):
        if isinstance(node, ast.ImportFrom):
            imported = [node.module]
        elif isinstance(node, ast.Import):
            imported = [name.name for name in node.names]
        else:
            continue
        for name in imported:
            root, _, inner = name.partition(".")
            assert root in ALLOWED, name
            assert root != "raytrace" or not inner, f"{name}: raytrace itself offers what is needed"
    kept = outputs(notebook)
    pictures = [o for o in kept if "image/png" in o.get("data", {})]
    assert pictures, "no picture is kept"
    for picture in pictures:
        told = picture["metadata"].get("image/png", {}).get("alt", "")
        assert len(told.split()) >= 5, "a picture has no words for whoever can't see it"
    assert not [o for o in kept if o["output_type"] == "error" or o.get("name") == "stderr"]
    assert "Caution" in "".join(c.source for c in notebook.cells if c.cell_type == "markdown")


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
@pytest.mark.filterwarnings("default")  # of the notebook machinery, not ours
def test_notebook_runs(path, kernel):
    notebook = nbformat.read(path, as_version=4)
    kept = words(notebook)
    notebook.cells.insert(0, nbformat.v4.new_code_cell(FORGET))
    client = NotebookClient(
        notebook, km=kernel, timeout=120, resources={"metadata": {"path": str(path.parent)}}
    )
    try:
        ran = client.execute()
    finally:
        client.kc.stop_channels()
    assert all(cell.execution_count for cell in ran.cells if cell.cell_type == "code")
    assert words(ran) == kept, "what is kept is not what the cells print now"
