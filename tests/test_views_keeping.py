"""Saving what is on the bench: whatever a scene is called stays a name, and a kept test runs and can fail."""

import ast
import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("anywidget", reason="needs the lab extra: anywidget is missing")

from avoidkit import Tuning, load_recording, load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.views.bench import bench
from avoidkit.views.keeping import test_text as kept_text
from tests.test_views_canvas import Line

ROOT = Path(__file__).resolve().parent.parent
MEAN = "\"\"\"; import os; os.abort() # {lines} \\N </script>\n''' %s"


@pytest.fixture(scope="module")
def lane():
    return load_scene(shipped("scenes") / "lane_6m.toml")


@pytest.fixture
def line(lane, tuning):
    line = Line(lane, tuning)
    line.ask((8.0, 1.2, 0.0, 0.0))
    return line


def run(path):
    """Exit code and output of pytest on one file of its own."""
    command = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(path.parent), str(path)]
    done = subprocess.run(command, capture_output=True, text=True, cwd=ROOT, timeout=120, check=False)
    return done.returncode, done.stdout


def test_a_kept_test_passes_and_fails_once_the_tuning_in_it_turns_the_answer(line, tmp_path):
    path = tmp_path / "test_kept.py"
    said = line.bench.keep.keep("test", path)
    assert said.startswith(f"{path}: run it with pytest")
    code, out = run(path)
    assert (code, "1 passed" in out) == (0, True), out
    text = path.read_text(encoding="utf-8")
    assert "PEOPLE = [[8.0, 1.2, 0.0, 0.0]]" in text
    assert "def test_the_answer_to_the_kept_situation_is_detour():" in text
    assert "not evidence of safety" in text
    path.write_text(text.replace("[[8.0, 1.2,", "[[5.0, 0.0,"), encoding="utf-8")
    code, out = run(path)
    assert (code, "1 failed" in out) == (1, True), out


def test_whatever_a_scene_is_called_stays_a_name_in_the_kept_test(lane):
    mean = lane.replace({"name": MEAN[:80], "title": MEAN})
    text = kept_text(mean, Tuning(), [(8.0, 1.2, 0.0, 0.0)], 0.0)
    tree = ast.parse(text)
    names = {node.names[0].name for node in ast.walk(tree) if isinstance(node, ast.Import)}
    assert names == {"pytest"}
    assert not any(isinstance(node, ast.Attribute) and node.attr == "abort" for node in ast.walk(tree))
    joined = next(node.value for node in tree.body if isinstance(node, ast.Assign) and node.targets[0].id == "SCENE")
    assert type(mean).from_toml("\n".join(ast.literal_eval(joined.args[0]))) == mean


def test_only_what_differs_from_the_defaults_of_a_tuning_is_written(lane):
    tuning = Tuning().replace({"vehicle.top_mps": 0.5, "decision.clearance_m": 0.4})
    text = kept_text(lane, tuning, [(14.0, 2.8, 0.0, 0.0)], 0.0)
    assert "TUNING = {'vehicle.top_mps': 0.5, 'decision.clearance_m': 0.4}" in text


def test_the_scene_that_is_kept_has_the_people_of_the_bench(line, tmp_path):
    line.bench.keep.keep("scene", tmp_path / "kept.toml")
    scene = load_scene(tmp_path / "kept.toml")
    person = scene.people[-1]
    assert (person.name, person.stands_at.x_m, person.stands_at.y_m) == ("guest 1 on the bench", 8.0, 1.2)


@pytest.mark.parametrize(("kind", "begins"), [("png", b"\x89PNG"), ("svg", b"<?xml")])
def test_the_plan_is_kept_as_a_picture(line, tmp_path, kind, begins):
    path = tmp_path / f"plan.{kind}"
    line.bench.keep.keep(kind, path)
    assert path.read_bytes().startswith(begins)


def test_the_last_minute_is_kept_as_recording_and_demo(line, tmp_path):
    with pytest.raises(InputError, match=r"^nothing was driven yet"):
        line.bench.keep.keep("recording", tmp_path / "run.parquet")
    content = {"kind": "live", "act": "begin", "people": [[8.0, 1.2, 0.0, 0.0]], "along": 0.0}
    line.bench._on_message(None, content, [])
    for number in range(20):
        line.bench._on_message(None, {"kind": "live", "act": "step", "pressed": False, "seen": number}, [])
    line.bench._on_message(None, {"kind": "word", "put": {"index": 0, "x": 9.0, "y": 1.0}}, [])
    for number in range(20, 40):
        line.bench._on_message(None, {"kind": "live", "act": "step", "pressed": False, "seen": number}, [])
    line.bench.keep.keep("test", tmp_path / "test_now.py")
    assert "PEOPLE = [[9.0, 1.0, 0.0, 0.0]]" in (tmp_path / "test_now.py").read_text(encoding="utf-8")
    line.bench.keep.keep("recording", tmp_path / "run.parquet")
    line.bench.keep.keep("demo", tmp_path / "run.html")
    recording = load_recording(tmp_path / "run.parquet")
    assert recording.duration_s == pytest.approx(2.0)
    assert recording.rows[-1].people.names[-1] == "guest 1 on the bench"
    assert (tmp_path / "run.html").read_text(encoding="utf-8").startswith("<!doctype html>")


def test_a_file_that_is_there_is_replaced_only_when_told(line, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    keep = line.bench.keep
    keep.kind.value = "test"
    assert keep.path.value == "test_kept.py"
    keep.go.click()
    assert "run it with pytest" in keep.note.value
    keep.go.click()
    assert "is there already" in keep.note.value
    keep.over.value = True
    keep.go.click()
    assert "run it with pytest" in keep.note.value
    keep.path.value = "missing/<b>.py"
    keep.go.click()
    assert "&lt;b&gt;" in keep.note.value
    assert "ak-trouble" in keep.note.value


def test_nothing_is_kept_of_a_situation_that_cannot_be(lane, tuning, tmp_path):
    line = Line(lane, tuning)
    line.ask((5.0, 3.1, 0.0, 0.0))
    with pytest.raises(InputError, match="Nobody can stand there"):
        line.bench.keep.keep("test", tmp_path / "test_it.py")
    with pytest.raises(InputError, match="there is no answer to draw yet"):
        line.bench.keep.keep("png", tmp_path / "it.png")
    assert list(tmp_path.iterdir()) == []


# -- two tunings --------------------------------------------------------------------------------------------


def test_two_tunings_answer_the_same_situation_side_by_side(line):
    line.bench.compare.value = True
    line.bench.other.slider("vehicle.top_mps").value = 0.5
    message, _ = line.ask((14.0, 2.8, 0.0, 0.0))
    a, b = message["frames"]
    assert (a["cap"], b["cap"] <= 0.5 < a["cap"]) == (a["cap"], True)
    assert a["tracks"] == b["tracks"]
    assert line.bench.panel.tuning.vehicle.top_mps != 0.5
    line.bench.compare.value = False
    assert len(line.ask((14.0, 2.8, 0.0, 0.0))[0]["frames"]) == 1


def test_tunings_of_the_same_grid_share_it_and_others_get_their_own(line):
    line.bench.compare.value = True
    message, buffers = line.ask((8.0, 1.2, 0.0, 0.0))
    assert [place is None for place in message["grids"]] == [False, False]
    assert buffers[0] == buffers[1]
    line.bench.other.slider("freespace.ahead_m").value = line.bench.panel.tuning.freespace.ahead_m - 1.0
    message, _ = line.ask((8.0, 1.2, 0.0, 0.0))
    assert [place is None for place in message["grids"]] == [True, False]


def test_a_bench_with_a_decision_of_ones_own_says_whose_answer_the_kept_test_expects(lane, tuning, tmp_path):
    from avoidkit import decide

    line = Line(lane, tuning, decide=lambda situation, tuning: decide(situation, tuning))
    line.ask((8.0, 1.2, 0.0, 0.0))
    line.bench.keep.keep("test", tmp_path / "test_it.py")
    assert "import yours in its place" in line.bench.note.value


def test_opening_a_bench_needs_no_kernel(lane, tuning):
    assert bench(lane, tuning).widget.children
