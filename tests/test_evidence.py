"""The runner of long studies: it resumes, it keeps what is done, and a table knows what code it speaks of."""

import json
import math
import sys

import numpy as np
import pandas as pd
import pytest

from avoidkit.studies.run import Interrupted
from tests.evidence import runner
from tests.evidence.studies._drives import changes, drive_row, run_drive, scene_named, tuning_named

STUDY = '''
"""A study for the test of the runner."""
import os
import signal
from pathlib import Path

ABOUT = "squares"
SPEAKS_OF = ("checks",)
FOLDER = Path({folder!r})


def tasks():
    return [{{"seed": k}} for k in range(6)]


def run(task):
    with (FOLDER / "calls").open("a") as calls:
        calls.write(f"{{task['seed']}} ")
    if task["seed"] == 3 and not (FOLDER / "allowed").exists():
        raise ValueError("three is not ready")
    if task["seed"] == 4 and (FOLDER / "deadly").exists():
        (FOLDER / "deadly").unlink()
        os.kill(os.getpid(), signal.SIGKILL)
    if task["seed"] == 2 and (FOLDER / "interrupted").exists():
        raise KeyboardInterrupt
    return {{"square": task["seed"] ** 2, "errors": 0}}


def conclude(frame):
    return {{"sum": int(frame.square.sum()), "n": len(frame)}}
'''


@pytest.fixture
def squares(tmp_path, monkeypatch):
    """A study of six tasks of which the fourth fails until the file `allowed` is there."""
    package = tmp_path / "trial_studies"
    package.mkdir()
    (package / "squares.py").write_text(STUDY.format(folder=str(tmp_path)), encoding="utf-8")
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setattr(runner, "STUDIES", "trial_studies")
    yield tmp_path
    for name in ("trial_studies.squares", "trial_studies"):
        sys.modules.pop(name, None)


def run(folder, workers=0, said=None):
    said = [] if said is None else said
    return runner.run("squares", folder=folder, workers=workers, say=said.append, progress=False)


def test_a_failed_task_keeps_the_others_and_a_second_run_does_only_what_is_left(squares):
    said = []
    assert run(squares, said=said) == 1
    assert any("three is not ready" in line for line in said)
    assert not (squares / "squares.csv").exists()
    (squares / "allowed").touch()
    (squares / "calls").unlink()
    assert run(squares, said=said) == 0
    assert (squares / "calls").read_text() == "3 "
    table = pd.read_csv(squares / "squares.csv")
    assert table.square.tolist() == [0, 1, 4, 9, 16, 25]
    assert list(table.columns) == ["seed", "square", "errors", "cpu_s"]
    assert not (squares / "squares.part").exists()


def test_a_table_says_what_it_is_made_of(squares):
    (squares / "allowed").touch()
    run(squares)
    head = json.loads((squares / "squares.json").read_text(encoding="utf-8"))
    assert (head["n"], head["seeds"], head["conclusion"]) == (6, [0, 1, 2, 3, 4, 5], {"sum": 55, "n": 6})
    assert head["machine"]["cores"] >= 1
    assert head["sources"] == runner.sources_hash(("checks",))
    assert head["whole"] is True


def test_state_goes_from_missing_over_unfinished_and_fresh_to_stale(squares, monkeypatch):
    assert runner.state("squares", squares) == ("missing", None)
    run(squares)
    assert runner.state("squares", squares)[0] == "missing, 5 rows of an unfinished run"
    (squares / "allowed").touch()
    run(squares)
    assert runner.state("squares", squares)[0] == "fresh"
    monkeypatch.setattr(runner, "sources_hash", lambda speaks_of: "another")
    assert runner.state("squares", squares)[0] == "stale"


def test_a_stale_table_whose_rows_come_out_equal_again_says_so_and_one_with_another_row_does_not(squares, monkeypatch):
    (squares / "allowed").touch()
    run(squares)
    monkeypatch.setattr(runner, "sources_hash", lambda speaks_of: "abc")
    said = []
    assert runner.run_again("squares", folder=squares, workers=0, say=said.append, progress=False) == 0
    assert said[-1] == "squares: 6 of 6 rows equal"
    assert runner.state("squares", squares)[0] == "stale, but 6 of 6 rows came out equal again"
    table = (squares / "squares.csv").read_text(encoding="utf-8")
    (squares / "squares.csv").write_text(table.replace("\n5,25,", "\n5,24,"), encoding="utf-8")
    monkeypatch.setattr(runner, "sources_hash", lambda speaks_of: "def")
    assert runner.run_again("squares", folder=squares, workers=0, say=said.append, progress=False) == 1
    assert '{"square": "24 -> 25"}' in said[-2]
    assert runner.state("squares", squares)[0] == "stale"
    (squares / "squares.csv").unlink()
    with pytest.raises(runner.Unavailable, match="no whole table"):
        runner.run_again("squares", folder=squares, workers=0, say=said.append, progress=False)


def test_rows_of_an_unfinished_run_of_other_code_are_not_used(squares, monkeypatch):
    run(squares)
    (squares / "allowed").touch()
    (squares / "calls").unlink()
    monkeypatch.setattr(runner, "sources_hash", lambda speaks_of: "another")
    run(squares)
    assert (squares / "calls").read_text() == "0 1 2 3 4 5 "


def test_what_was_done_before_an_interrupt_is_not_done_again(squares):
    (squares / "allowed").touch()
    (squares / "interrupted").touch()
    with pytest.raises(Interrupted, match="2 of 6 rows are kept"):
        run(squares)
    (squares / "interrupted").unlink()
    assert run(squares) == 0
    assert (squares / "calls").read_text() == "0 1 2 2 3 4 5 "


@pytest.mark.slow
def test_a_killed_worker_costs_no_row(squares):
    (squares / "allowed").touch()
    (squares / "deadly").touch()
    assert run(squares, workers=2) == 0
    assert not (squares / "deadly").exists()
    assert pd.read_csv(squares / "squares.csv").square.tolist() == [0, 1, 4, 9, 16, 25]


def test_rows_of_a_study_that_was_changed_are_not_used(squares):
    run(squares)
    (squares / "allowed").touch()
    (squares / "calls").unlink()
    module = squares / "trial_studies" / "squares.py"
    module.write_text(module.read_text(encoding="utf-8").replace("** 2", "** 3"), encoding="utf-8")
    sys.modules.pop("trial_studies.squares")
    said = []
    assert run(squares, said=said) == 0
    assert any("begun anew" in line and "written was" in line for line in said)
    assert pd.read_csv(squares / "squares.csv").square.tolist() == [0, 1, 8, 27, 64, 125]


def test_the_hash_of_sources_ignores_layout_comments_and_docstrings_and_sees_code(tmp_path):
    package = tmp_path / "avoidkit"
    package.mkdir()
    one = package / "one.py"
    one.write_text('"""Doc."""\n\n\ndef f(x):\n    """Doc."""\n    return x + 1\n')
    before = runner.sources_hash(package=package)
    one.write_text("def f( x ):  # comment\n    return (x\n        + 1)\n")
    assert runner.sources_hash(package=package) == before
    one.write_text("def f(x):\n    return x + 2\n")
    assert runner.sources_hash(package=package) != before


def test_every_study_says_what_it_shows_and_has_its_three_functions():
    assert {"scenes", "empty_yard", "corridor_walkers", "lane_map"} <= set(runner.names())
    for name in runner.names():
        module = runner.study(name)
        assert module.ABOUT
        assert all(callable(getattr(module, function)) for function in ("tasks", "run", "conclude")), name


@pytest.mark.parametrize(
    ("y_m", "final"),
    [(-2.75, "continue"), (-1.25, "detour"), (1.25, "detour"), (0.0, "halt")],
)
def test_in_a_lane_of_six_metres_the_answer_depends_on_where_somebody_stands(y_m, final):
    # 9 m ahead the front is there after about 4.3 m. For somebody in the middle the vehicle would have to shift by
    # 0.85 + 0.93 = 1.8 m, which at a turning radius of 4.0 m takes sqrt(d (4 R - d)) = 5.1 m: halt. 1.25 m aside
    # a shift by 0.5 m is enough, 2.8 m; 2.75 m aside none is needed.
    from tests.evidence.studies import lane_map

    assert lane_map.answers("baseline", 9.0, y_m)[1] == final


def test_the_map_of_the_lane_is_asked_with_each_clearance_that_its_picture_shows():
    from tests.evidence import pictures
    from tests.evidence.studies import lane_map

    assert set(pictures.SHOWN) == set(lane_map.TUNINGS)
    found = {name: lane_map.lane(name)[0].decision.clearance_m for name in lane_map.TUNINGS}
    assert [found[f"clearance {m:.2f} m"] for m in (0.10, 0.30, 0.40)] == [0.10, 0.30, 0.40]
    assert found["baseline"] == 0.20
    # 0.10 m less has to be kept from somebody 1.75 m aside: passed without a detour
    assert lane_map.answers("clearance 0.10 m", 12.0, 1.75)[1] == "continue"
    assert lane_map.answers("baseline", 12.0, 1.75)[1] == "detour"


def test_each_recorded_walker_of_a_drive_crosses_the_way_from_the_side_that_was_asked(open_data, monkeypatch):
    from avoidkit.walks import Walk, recorded_walk
    from tests.evidence.studies import corridor_walkers

    monkeypatch.setenv("AVOIDKIT_OPEN_DATA", str(open_data))
    tasks = corridor_walkers.tasks()
    seen = set()
    for task in (tasks[0], tasks[1], tasks[-1]):
        people = corridor_walkers.walkers(task, corridor_walkers.tuning_named("baseline"))
        assert 2 <= len(people) <= 4
        for k, person in enumerate(people):
            turn = math.radians(person.turn_deg)
            file = open_data / corridor_walkers.FILE
            walk = Walk(
                *recorded_walk(file, person.id, shift_m=person.shift_m, turn_rad=turn, start_s=person.start_s), 0.5
            )
            times = walk.t_s[0] + np.arange(0.0, walk.t_s[-1] - walk.t_s[0], 0.1)
            x, y = walk.places(times).T
            first_side = 1 if task["side"] == "left" else -1
            assert np.sign(y[0]) == (first_side if k % 2 == 0 else -first_side)
            assert np.sign(y[-1]) == -np.sign(y[0])
            at = float(np.interp(0.0, y * np.sign(y[-1]), x))
            assert 5.0 < at < corridor_walkers.WAY_M - 3.0
            seen.add(person.id)
    assert len(seen) >= 6


def test_a_table_that_does_not_speak_of_the_tracker_outlives_a_change_of_what_the_tracker_alone_reads(tmp_path):
    package = tmp_path / "avoidkit"
    package.mkdir()
    (tmp_path / "data" / "tunings").mkdir(parents=True)
    (package / "caps.py").write_text("wide = tuning.tracking.edge_m\n", encoding="utf-8")

    def hashes(bias, edge, after=1):
        text = f"[vehicle]\na = 1\n\n[tracking] # tracks\nbias_m = {bias}\nedge_m = {edge}\n\n[more]\nb = {after}\n"
        (tmp_path / "data" / "tunings" / "one.toml").write_text(text, encoding="utf-8")
        return [runner.sources_hash(speaks_of, package) for speaks_of in (("caps",), ("caps", "tracking"), None)]

    first, other_bias, other_edge, other_rest = hashes(0.1, 2), hashes(0.2, 2), hashes(0.1, 3), hashes(0.1, 2, after=2)
    assert [a == b for a, b in zip(first, other_bias, strict=True)] == [True, False, False]
    assert not any(a == b for a, b in zip(first, other_edge, strict=True))
    assert not any(a == b for a, b in zip(first, other_rest, strict=True))


def test_changes_of_action_are_counted_between_the_first_press_and_the_end():
    assert changes("wait continue wait") == 0
    assert changes("wait continue halt") == 1
    assert changes("wait continue halt wait continue wait") == 2
    assert changes("wait continue detour continue halt wait halt wait detour wait") == 4
    assert changes("wait") == changes("") == 0


def test_a_drive_that_halts_for_long_ends_early_and_one_without_a_halt_does_not():
    scene, tuning = scene_named("guest_stands_no_room"), tuning_named("baseline")
    halted = drive_row(run_drive(scene, tuning, 0, halt_s=0.5, duration_s=30.0))
    whole = run_drive(scene, tuning, 0, halt_s=0.5, duration_s=2.0)
    assert halted["halt_s"] == pytest.approx(0.5, abs=0.11)
    assert not halted["reached_end"]
    assert whole.ended == "duration"
