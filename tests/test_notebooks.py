"""Every notebook runs from top to bottom, in any folder, and is kept without outputs."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
QUICK = ("first_solve", "distil_and_verify")  # the others run with the long tests
SORTED_BY_TIME = [
    path if path.stem in QUICK else pytest.param(path, marks=pytest.mark.long) for path in NOTEBOOKS
]


def read(path):
    return nbformat.read(path, as_version=4)


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", SORTED_BY_TIME, ids=lambda path: path.stem)
def test_notebook_runs(path, tmp_path, monkeypatch):
    """The kernel is a process of its own; it finds this checkout by PYTHONPATH."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    notebook = read(path)
    NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": tmp_path}}
    ).execute()
    assert not list(tmp_path.iterdir()), "a tutorial leaves no files behind"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_kept_without_outputs(path):
    cells = [cell for cell in read(path).cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in cells)
    assert any("assert " in cell.source for cell in cells), "a tutorial proves a number"
