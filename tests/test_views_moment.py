"""A recorded cycle on the canvas: the answer is the recorded one until the tuning or the decision is another."""

import pytest

pytest.importorskip("anywidget", reason="needs the lab extra: anywidget is missing")

from avoidkit import Tuning, drive, load_scene, shipped
from avoidkit.decision import halting
from avoidkit.views.bench import bench
from avoidkit.views.moments import MomentBench


@pytest.fixture(scope="module")
def recording():
    scene = load_scene(shipped("scenes") / "lane_6m.toml").with_person("Ana", (9.0, 0.6))
    return drive(scene, Tuning(), seed=3, duration_s=3.0)


class Line:
    def __init__(self, *of, **more):
        self.bench, self.sent = bench(*of, **more), []
        self.bench.plan.send = lambda message, buffers=None: self.sent.append((message, buffers))

    def ask(self, number=1):
        self.bench._on_message(None, {"kind": "ask", "number": number, "people": [], "along": 0.0}, [])
        return self.sent[-1]


def test_a_recorded_cycle_opens_on_the_canvas_with_its_own_answer_grid_people_and_returns(recording):
    row = recording.row_at(2.5)
    message, buffers = Line(recording, time_s=2.5).ask()
    frame = message["frames"][0]
    assert (frame["action"], frame["cap"]) == (str(row.verdict.action), round(row.verdict.speed_cap_mps, 3))
    assert frame["why"] == row.verdict.why
    assert frame["recorded"] == "As recorded at 2.50 s."
    assert [person[8] for person in frame["people"]] == list(row.people.names)
    assert frame["own"] == len(row.people)
    assert frame["returns"]
    assert len(buffers) == 1
    assert message["along"] == 0.0 or frame["ego"][0] == round(row.ego.pose.x_m, 3)


def test_another_tuning_or_decision_is_said_to_differ_from_what_was_recorded(recording):
    line = Line(recording, time_s=2.5)
    line.bench.panel.slider("vehicle.top_mps").value = 0.4
    frame = line.ask()[0]["frames"][0]
    assert frame["cap"] <= 0.4
    assert frame["recorded"].startswith("Recorded at 2.50 s was: ")
    stops = Line(recording, time_s=2.5, decide=lambda situation, tuning: halting(situation, "mine"))
    assert stops.ask()[0]["frames"][0]["action"] == "halt"


def test_the_recording_may_be_named_by_its_file(recording, tmp_path):
    recording.save(tmp_path / "run.parquet")
    message, _ = Line(tmp_path / "run.parquet", time_s=2.5).ask()
    assert message["frames"][0]["recorded"] == "As recorded at 2.50 s."


def test_sliders_stand_in_where_there_is_no_canvas(recording):
    assert isinstance(bench(recording, time_s=2.5, plain=True), MomentBench)


def test_a_recorded_cycle_is_not_saved_as_a_test_of_exactly_known_people(recording, tmp_path):
    from avoidkit.checks import InputError

    with pytest.raises(InputError, match="kind must be one of scene, png, svg"):
        bench(recording, time_s=2.5).keep.keep("test", tmp_path / "test_it.py")
