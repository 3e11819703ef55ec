"""Every notebook runs from top to bottom, in any folder, and is kept with outputs."""

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

ROOT = Path(__file__).parents[1]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def read(path):
    return nbformat.read(path, as_version=4)


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.long
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_runs(path, tmp_path, monkeypatch):
    """The kernel is a process of its own; it finds this checkout by PYTHONPATH."""
    monkeypatch.setenv("PYTHONPATH", str(ROOT))
    notebook = read(path)
    NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": tmp_path}}
    ).execute()
    assert not list(tmp_path.iterdir()), "a tutorial leaves no files behind"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_kept_with_outputs(path):
    """So that it can be read where nothing runs: run once from top to bottom, without errors."""
    cells = [cell for cell in read(path).cells if cell.cell_type == "code"]
    assert [cell.execution_count for cell in cells] == list(range(1, len(cells) + 1))
    kinds = [output.output_type for cell in cells for output in cell.outputs]
    assert kinds and "error" not in kinds
    assert sum("print(" in cell.source and not cell.outputs for cell in cells) == 0
    assert any("assert " in cell.source for cell in cells), "a tutorial proves a number"
    assert path.stat().st_size < 1_000_000
