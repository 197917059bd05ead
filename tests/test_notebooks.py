"""Every notebook runs from top to bottom in a fresh kernel, keeps no outputs, and holds no logic of its own."""

import ast
import os
import re

import pytest

from avoidkit import shipped

nbformat = pytest.importorskip("nbformat", reason="needs the lab extra: nbformat is missing")

NOTEBOOKS = sorted(shipped("notebooks").glob("*.ipynb"))
CELLS_AT_MOST = 20
LONG = ("06_tuning_by_evidence", "07_what_radar_adds", "08_your_log_your_rule", "09_review")  # many drives each


def of_its_time(path):
    """The path as a parameter; of the long ones only with the slow tests."""
    return pytest.param(path, marks=pytest.mark.slow) if path.stem in LONG else path


def read(path):
    return nbformat.read(path, as_version=4)


def code_of(notebook):
    return [cell.source for cell in notebook.cells if cell.cell_type == "code"]


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_outputs_are_cleared(path):
    for cell in read(path).cells:
        if cell.cell_type == "code":
            assert cell.outputs == []
            assert cell.execution_count is None
    assert "widgets" not in read(path).metadata


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_it_tells_one_short_story_that_begins_with_a_question(path):
    notebook = read(path)
    assert len(notebook.cells) <= CELLS_AT_MOST
    first = notebook.cells[0]
    assert first.cell_type == "markdown"
    assert first.source.startswith("# ")
    assert "?" in first.source
    last_words = [cell.source for cell in notebook.cells if cell.cell_type == "markdown"][-1]
    assert "change this and look" in last_words.lower()


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_cells_hold_no_loops_and_no_classes_and_at_most_one_experiment_of_the_readers_own(path):
    nodes = [node for source in code_of(read(path)) for node in ast.walk(ast.parse(source))]
    assert not [node for node in nodes if isinstance(node, ast.For | ast.While | ast.ClassDef)]
    assert len([node for node in nodes if isinstance(node, ast.FunctionDef)]) <= 1


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_no_cell_names_a_place_outside_the_kits_data(path):
    for source in code_of(read(path)):
        assert not re.search(r"[\"'](/|\.\./|~|[A-Za-z]:\\)", source)


@pytest.mark.parametrize("path", [of_its_time(path) for path in NOTEBOOKS], ids=lambda path: path.stem)
def test_it_runs_in_a_fresh_kernel(path, tmp_path, monkeypatch):
    nbclient = pytest.importorskip("nbclient", reason="needs the lab extra: nbclient is missing")
    pytest.importorskip("ipykernel", reason="needs the lab extra: ipykernel is missing")
    pytest.importorskip("ipywidgets", reason="needs the lab extra: ipywidgets is missing")
    root = shipped("notebooks").parent
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join([str(root), os.environ.get("PYTHONPATH", "")]))
    for folder in ("IPYTHONDIR", "JUPYTER_CONFIG_DIR", "JUPYTER_RUNTIME_DIR"):
        monkeypatch.setenv(folder, str(tmp_path / folder.lower()))
    monkeypatch.delenv("MPLBACKEND", raising=False)
    client = nbclient.NotebookClient(
        read(path), timeout=600, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    )
    done = client.execute()
    shown = [output for cell in done.cells if cell.cell_type == "code" for output in cell.outputs]
    assert not [output for output in shown if output.output_type == "error"]
    pictures = [output for output in shown if "image/png" in output.get("data", {})]
    assert len(pictures) >= max(sum("plt.figure(" in source for source in code_of(done)), 1)
