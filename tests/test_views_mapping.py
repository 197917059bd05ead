"""The map under the scene: coarse before fine, the same answers as the bench, and an end when the scene changes."""

import io
import json
import time

import pytest

pytest.importorskip("anywidget", reason="needs the lab extra: anywidget is missing")

from avoidkit import load_scene, shipped
from avoidkit.decision import decide
from avoidkit.views import mapping
from avoidkit.views.answers import settled
from tests.test_views_canvas import Line

WINDOW = (4.0, 8.0, -1.6, 1.6)


@pytest.fixture(scope="module")
def lane():
    return load_scene(shipped("scenes") / "lane_6m.toml")


def test_squares_fill_the_window_and_the_coarse_come_first():
    found = list(mapping.squares(WINDOW))
    sizes = [size for _, _, size in found]
    assert sizes == sorted(sizes, reverse=True)
    for spacing in mapping.SPACINGS_M[1:]:
        assert sum(size**2 for size in sizes if size == spacing) == pytest.approx(4.0 * 3.2, rel=0.01)


def test_each_square_has_the_answer_of_the_bench_and_walls_have_none(lane, tuning):
    window = (4.0, 10.0, -4.0, 4.0)
    people = [(8.0, 1.2, 0.0, 0.0), (13.0, 2.5, 0.0, 0.0)]
    found = []
    for square in mapping.paint(lane, tuning, people, 0, 0.0, window, decide):
        found.append(square)
        if len(found) == 12:
            break
    for x, y, _, action in found:
        if action == mapping.NOBODY:
            continue
        verdict = settled(lane, tuning, [(x, y, 0.0, 0.0), people[1]], 0.0, decide)[1]
        assert action == verdict.action
    assert {action for *_, action in found} >= {"halt"}
    inside = next(mapping.paint(lane, tuning, people, 0, 0.0, (4.0, 5.6, 2.3, 3.9), decide))
    assert inside[3] == mapping.NOBODY


def test_a_request_as_text_paints_the_same_as_its_parts(lane, tuning):
    people, place = [(8.0, 1.2, 0.0, 0.0)], (0, 0.0, (4.0, 7.2, -1.6, 1.6))
    line = mapping.request_of(lane, tuning, people, *place, 1)
    painted = mapping.painted(json.loads(line))
    direct = mapping.paint(lane, tuning, people, *place, decide)
    assert [next(painted) for _ in range(4)] == [next(direct) for _ in range(4)]


def test_the_process_paints_the_newest_request_and_says_what_is_wrong_with_one(lane, tuning):
    good = mapping.request_of(lane, tuning, [(8.0, 1.2, 0.0, 0.0)], 0, 0.0, (4.0, 5.6, -0.8, 0.8), 7)
    bad = json.dumps(json.loads(good) | {"number": 8, "decide": "avoidkit.decision:nothing"}) + "\n"
    out = io.StringIO()
    mapping.main(io.StringIO(""), out)
    assert out.getvalue() == ""
    for line, number in ((good, 7), (bad, 8)):
        out = io.StringIO()
        mapping.main(_open_line(line, out), out)
        said = [json.loads(text) for text in out.getvalue().splitlines()]
        assert {one["number"] for one in said} == {number}
        assert said[-1]["done"]
    assert "nothing" in said[-1]["problem"]


def _open_line(line, out):
    yield line
    until = time.monotonic() + 60.0  # the line stays open while the map is painted
    while '"done": true' not in out.getvalue() and time.monotonic() < until:
        time.sleep(0.02)


def test_a_map_comes_from_another_process_and_ends_when_somebody_moves(lane, tuning):
    line = Line(lane, tuning)
    line.ask((8.0, 1.2, 0.0, 0.0))
    line.bench._on_message(None, {"kind": "map", "index": 0, "window": list(WINDOW)}, [])
    until = time.monotonic() + 60.0
    while not any(m["kind"] == "map" for m, _ in line.sent) and time.monotonic() < until:
        time.sleep(0.05)
    first = next(m for m, _ in line.sent if m["kind"] == "map")
    assert {square[3] for square in first["squares"]} <= {"halt", "detour", "continue", "wait", "none"}
    line.ask((8.0, 1.0, 0.0, 0.0))
    assert line.sent[-2][0] == {"kind": "map", "old": True}
    count = len(line.sent)
    time.sleep(0.8)
    assert len(line.sent) == count
    line.bench.map.close()


def test_a_decision_written_in_a_cell_is_painted_beside_the_kernel(lane, tuning):
    def halts(situation, tuning):
        from avoidkit.decision import halting

        return halting(situation, "always")

    line = Line(lane, tuning, decide=halts)
    line.ask((8.0, 1.2, 0.0, 0.0))
    line.bench._on_message(None, {"kind": "map", "index": 0, "window": [6.0, 7.6, -0.8, 0.8]}, [])
    line.bench.map._beside.wait()
    squares = [square for message, _ in line.sent if message["kind"] == "map" for square in message["squares"]]
    assert {square[3] for square in squares} == {"halt"}
    assert line.sent[-1][0]["done"]
