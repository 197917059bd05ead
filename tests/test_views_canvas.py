"""The kernel's side of the canvas bench, without a browser: a question is one message, and so is its answer."""

import math

import numpy as np
import pytest

pytest.importorskip("anywidget", reason="needs the lab extra: anywidget is missing")

from avoidkit import load_scene, shipped
from avoidkit.recording.rows import FREE, OCCUPIED, picture_of
from avoidkit.verdict import Action
from avoidkit.views import compiling
from avoidkit.views.bench import Bench, bench


@pytest.fixture(scope="module")
def lane():
    return load_scene(shipped("scenes") / "lane_6m.toml")


class Line:
    """A bench whose page is this test: what it sends is kept."""

    def __init__(self, scene, tuning, **more):
        self.bench = bench(scene, tuning, person_xy=(8.0, 1.2), **more)
        self.sent, self._number = [], 0
        self.bench.plan.send = lambda message, buffers=None: self.sent.append((message, buffers))

    def ask(self, *people, along=0.0):
        self._number += 1
        content = {"kind": "ask", "number": self._number, "along": along, "people": [list(p) for p in people]}
        self.bench._on_message(None, content, [])
        return self.sent[-1]


@pytest.fixture
def line(lane, tuning):
    return Line(lane, tuning)


def test_the_canvas_is_the_bench_unless_the_plain_one_is_asked_for(lane, tuning, line):
    assert type(line.bench).__name__ == "CanvasBench"
    assert isinstance(bench(lane, tuning, plain=True), Bench)


def test_without_anywidget_the_plain_bench_is_opened(lane, tuning, monkeypatch):
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)
    assert isinstance(bench(lane, tuning), Bench)


def test_an_answer_bears_the_number_of_its_question_and_the_verdict_of_the_kit(line):
    message, _ = line.ask((8.0, 1.2, 0.0, 0.0))
    assert (message["kind"], message["number"]) == ("answer", 1)
    assert message["frames"][0]["action"] == line.bench.verdict.action == Action.DETOUR
    assert message["frames"][0]["why"] == line.bench.verdict.why
    message, _ = line.ask((5.0, 0.0, 0.0, 0.0))
    assert (message["number"], message["frames"][0]["action"]) == (2, "halt")
    assert message["frames"][0]["tracks"][0][2:4] == [5.0, 0.0]  # drawn where the answer belongs


def test_nobody_there_means_go_on(line):
    message, _ = line.ask()
    assert message["frames"][0]["action"] == "continue"
    assert message["frames"][0]["tracks"] == []


def test_somebody_who_walks_towards_the_vehicle_has_their_reach_ahead_of_them(line):
    message, _ = line.ask((9.0, 0.0, -1.4, 0.0))
    x, y, radius = message["frames"][0]["reach"][0]
    assert x < 9.0
    assert y == 0.0
    assert radius > 0.3


def test_the_grid_is_sent_once_and_anew_when_the_vehicle_has_moved(line):
    message, buffers = line.ask((8.0, 1.2, 0.0, 0.0))
    fours = np.frombuffer(buffers[0], np.uint8)
    place, exact = message["grids"][0], picture_of(line.bench.situation.grid).cells
    cells = (fours[:, None] >> np.array([0, 2, 4, 6], np.uint8)) & 3
    assert cells.ravel()[: place["rows"] * place["cols"]].tolist() == exact.ravel().tolist()
    assert set(np.unique(exact)) == {FREE, OCCUPIED}
    message, buffers = line.ask((8.0, 1.1, 0.0, 0.0))
    assert message["grids"] == [None]
    assert buffers == []
    message, buffers = line.ask((8.0, 1.1, 0.0, 0.0), along=3.0)
    assert message["grids"][0] is not None
    assert message["frames"][0]["ego"][0] == pytest.approx(3.0)
    line.bench._on_message(None, {"kind": "ready"}, [])  # a page that was opened anew has no grid yet
    assert line.ask((8.0, 1.1, 0.0, 0.0), along=3.0)[0]["grids"][0] is not None


@pytest.mark.parametrize(
    ("place", "why"),
    [((5.0, 3.1), "Nobody can stand there: inside the wall left wall."), ((math.nan, 0.0), "must be finite")],
)
def test_what_cannot_be_is_answered_with_a_problem_and_no_verdict(line, place, why):
    message, _ = line.ask((*place, 0.0, 0.0))
    assert why in message["problem"]
    assert "frames" not in message


def test_a_distance_beyond_the_path_is_its_end(line, lane):
    message, _ = line.ask(along=1e6)
    assert message["along"] == lane.reference.length_m


def test_a_slider_makes_the_page_ask_anew_and_the_answer_uses_it(line):
    before = line.bench.plan.revision
    line.bench.panel.slider("vehicle.top_mps").value = 0.5
    assert line.bench.plan.revision == before + 1
    message, _ = line.ask((14.0, 2.8, 0.0, 0.0))
    assert 0 < message["frames"][0]["cap"] <= 0.5
    line.bench.panel.slider("vehicle.creep_mps").value = 0.7
    assert "creep_mps must not be above top_mps" in line.ask((14.0, 2.8, 0.0, 0.0))[0]["problem"]


def test_an_error_in_the_users_decision_halts_and_its_short_message_is_sent(lane, tuning):
    def broken(situation, tuning):
        raise ZeroDivisionError("nothing there")

    message, _ = Line(lane, tuning, decide=broken).ask((8.0, 1.2, 0.0, 0.0))
    assert message["frames"][0]["action"] == "halt"
    assert message["frames"][0]["error"] == "ZeroDivisionError: nothing there"


def test_a_drive_is_replayed_below_with_the_people_of_the_bench(line):
    line.ask((9.0, 1.0, 0.0, 0.0), (12.0, 2.0, -0.5, 0.0))
    line.bench.seconds.value = 1.0
    line.bench.drive()
    names = [person.name for person in line.bench.recording.scene.people]
    assert names[-2:] == ["guest 1 on the bench", "guest 2 on the bench"]
    assert line.bench.replay.value.startswith('<iframe sandbox="allow-scripts" srcdoc="')


def test_the_note_about_a_page_that_does_not_appear_goes_when_it_does(line):
    assert "pip install" in line.bench.late.value
    assert line.bench.late.layout.display != "none"
    line.bench._on_message(None, {"kind": "ready"}, [])
    assert line.bench.late.layout.display == "none"


def test_what_would_turn_the_answer_is_found_at_rest_with_the_place_that_turns_it(line):
    line.ask((8.0, 1.2, 0.0, 0.0))
    line.bench._on_message(None, {"kind": "rest", "number": 1}, [])
    line.bench.idle.wait()
    message, _ = line.sent[-1]
    quantity, unit, now, then, becomes = message["turn"]
    assert (message["kind"], message["number"], unit) == ("turn", 1, "m")
    assert quantity == "place to the left of track 1"
    assert message["shape"]["from"] == [8.0, 1.2]
    assert message["shape"]["to"][1] - 1.2 == pytest.approx(then - now, abs=2e-3)
    moved, _ = line.ask((*message["shape"]["to"], 0.0, 0.0))  # what it says holds
    assert moved["frames"][0]["action"] == becomes != "detour"


def test_a_newer_question_ends_the_search_for_what_would_turn_the_older(line):
    line.ask((8.0, 1.2, 0.0, 0.0))
    line.bench._on_message(None, {"kind": "rest", "number": 1}, [])
    line.ask((8.2, 1.2, 0.0, 0.0))
    line.bench.idle.wait()
    assert [message["kind"] for message, _ in line.sent] == ["answer", "answer"]


def test_a_page_that_stays_silent_gets_sliders_and_the_plan_comes_back_when_it_wakes(line):
    from avoidkit.views.plainly import plain_instead

    before = line.bench.widget.children
    plain_instead(line.bench)
    shown = line.bench.widget.children
    assert shown[0] is line.bench.late
    assert "ak-verdict" in shown[2].children[2].children[1].children[0].value  # the plain bench's own answer
    line.bench._on_message(None, {"kind": "ready"}, [])
    assert line.bench.widget.children == before
    plain_instead(line.bench)  # it has answered: nothing happens
    assert line.bench.widget.children == before


def test_whether_the_page_lives_is_asked_by_widgets_that_every_page_has():
    from avoidkit.views.plainly import Echo

    heard = []
    echo = Echo(lambda: heard.append(1))
    echo.ask()
    link = echo._link
    assert (link.source[0].value, heard) == (1, [])  # nobody has answered yet
    link.target[0].set_state({"value": link.source[0].value})  # as the page does, which follows the link
    assert heard == [1]


def test_questions_from_two_threads_are_answered_one_after_the_other(lane, tuning):
    import threading
    import time

    inside, most = [], []

    def slow(situation, tuning):
        inside.append(1)
        most.append(len(inside))
        time.sleep(0.005)
        inside.pop()
        raise ValueError("never mind")

    line = Line(lane, tuning, decide=slow)
    threads = [threading.Thread(target=line.ask, args=((8.0, 1.0 + 0.1 * k, 0.0, 0.0),)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(line.sent) == 4
    assert max(most) == 1


def test_a_sensed_answer_is_provisional_until_the_sensors_have_watched(line):
    content = {"kind": "ask", "number": 5, "along": 0.0, "people": [[8.0, 1.2, 0.0, 0.0]], "mode": "sensed"}
    line.bench._on_message(None, content, [])
    assert line.sent[-1][0]["provisional"]
    line.bench._on_message(None, {"kind": "rest", "number": 5}, [])
    line.bench.idle.wait()
    refined = next(message for message, _ in line.sent if message.get("refined"))
    assert (refined["number"], refined["provisional"]) == (5, False)
    assert refined["frames"][0]["returns"]
    assert refined["grids"][0] is not None
    assert line.sent[-1][0]["kind"] == "turn"
    line.bench._on_message(None, content | {"number": 6}, [])
    assert line.sent[-1][0]["grids"][0] is not None  # back to the exact grid


def test_live_mode_answers_words_and_leaves_when_told(line):
    hear = lambda **content: line.bench._on_message(None, content, [])  # noqa: E731
    hear(kind="word", pressed=True, seen=0)  # nothing runs yet
    hear(kind="live", act="begin", people=[[8.0, 1.2, 0.0, 0.0]], along=0.0)
    first = line.sent[-1][0]
    assert (first["kind"], first["number"], first["playing"]) == ("live", 1, False)
    assert [row[8] for row in first["frame"]["people"][first["frame"]["own"] :]] == ["guest 1 on the bench"]
    hear(kind="word", number=3, pressed=False, put={"index": 0, "x": 9.0, "y": 1.0})
    assert line.sent[-1][0] == {"kind": "heard", "word": 3}  # the clock stands
    for number in range(1, 25):
        hear(kind="live", act="step", pressed=True, seen=number)
    last = line.sent[-1][0]
    assert last["frame"]["pressed"]
    assert last["frame"]["people"][-1][:2] == [9.0, 1.0]
    hear(kind="live", act="begin", people=[[5.0, 3.1, 0.0, 0.0]], along=0.0)
    assert "inside the wall" in line.sent[-1][0]["problem"]
    hear(kind="live", act="leave")
    assert line.bench.mode == "exact"


def test_asking_the_kits_decision_once_gives_what_asking_on_and_on_comes_to(lane, tuning):
    from avoidkit.decision import decide
    from avoidkit.studies.settled import exact_grid, settle, settled_situation
    from avoidkit.views.answers import settled

    grid = exact_grid(lane, tuning)
    for person in [(x, y, vx, 0.0) for x in (5.0, 8.0, 11.0) for y in (-0.8, 0.4, 1.2, 2.4) for vx in (0.0, -1.0)]:
        _, verdict, error = settled(lane, tuning, [person], 0.0, decide, grid)
        patient = settle(settled_situation(lane, tuning, [person], grid=grid), tuning)
        assert (verdict.action, verdict.speed_cap_mps, verdict.why) == (
            patient.action,
            patient.speed_cap_mps,
            patient.why,
        )
        assert error == ""


def test_what_goes_wrong_in_an_answer_reaches_the_page(line, monkeypatch):
    monkeypatch.setattr(line.bench, "_frame", lambda k, panel: 1 / 0)
    message, buffers = line.ask((8.0, 1.2, 0.0, 0.0))
    assert message["problem"] == "ZeroDivisionError: division by zero"
    assert buffers == []


def test_benches_on_one_scene_share_a_lock_and_no_shape_with_the_cells(lane, tuning):
    first, second = Line(lane, tuning), Line(lane, tuning)  # GEOS crashed the kernel when both prepared the same shapes
    assert first.bench.lock is second.bench.lock
    own = [polygon for line in (first, second) for polygon in line.bench.scene.polygons]
    assert not {id(polygon) for polygon in own} & {id(polygon) for polygon in lane.polygons}
    assert first.bench.scene == lane
    assert first.ask((8.0, 1.2, 0.0, 0.0))[0]["frames"] == second.ask((8.0, 1.2, 0.0, 0.0))[0]["frames"]


def test_the_page_is_told_while_loops_are_compiled(lane, tuning):
    line, told = Line(lane, tuning), []
    line.bench.tell_page = told.append
    compiling._tell_all()
    assert told == [{"kind": "compiling"}]
