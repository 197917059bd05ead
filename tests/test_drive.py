"""The loop: same seed same bytes, no state leaks, a user's stage is one argument, a failing stage is a halt."""

import math
import signal
from dataclasses import replace

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.decision import decide
from avoidkit.drive import drive
from avoidkit.freespace import FreeSpace
from avoidkit.recording import load_recording
from avoidkit.scene import Scene, walking
from avoidkit.studies.exact import ExactLoop
from avoidkit.tracking import Tracker
from avoidkit.tuning import Tuning
from avoidkit.verdict import Action

TUNING = Tuning()
YARD = """
name = "yard"
duration_s = 3.0
[hold]
press_at_s = 0.5
[[walls]]
corners_m = [[-6.0, 4.0], [24.0, 4.0]]
[[walls]]
corners_m = [[-6.0, -4.0], [24.0, -4.0]]
[[path.legs]]
direction = "forward"
segments = [{length_m = 14.0}]
"""
SCENE = Scene.from_toml(YARD).with_people(
    walking("guest", [(0.0, 11.0, -2.5), (4.0, 11.0, 2.5)]),
)


@pytest.fixture(scope="module")
def first():
    return drive(SCENE, TUNING, seed=3)


def returns(recording, sensor):
    """All returns of one radar in a recording, as bytes."""
    return [
        (scan.taken_s, scan.range_m.tobytes(), scan.azimuth_rad.tobytes(), scan.range_rate_mps.tobytes())
        for row in recording.rows
        for scan in row.scans
        if scan.sensor == sensor
    ]


def test_a_seed_gives_the_same_drive_twice(first):
    assert drive(SCENE, TUNING, seed=3).fingerprint() == first.fingerprint()


def test_another_seed_gives_another_drive(first):
    assert drive(SCENE, TUNING, seed=4).fingerprint() != first.fingerprint()


def test_two_drives_in_either_order_give_equal_rows(first):
    other = SCENE.replace({"name": "other yard"}).with_people(
        walking("late guest", [(0.0, 8.0, 3.0), (5.0, 8.0, -2.0)])
    )
    before = drive(other, TUNING, seed=1)
    again = drive(SCENE, TUNING, seed=3)
    assert again.equals(first), again.first_difference(first)
    assert drive(other, TUNING, seed=1).equals(before)


def test_switching_one_sensor_effect_off_leaves_the_other_sensors_as_they_were(first):
    """While the pose is equal: here the vehicle stands all the time, since nobody presses."""
    still = SCENE.replace({"hold.press_at_s": 60.0})
    on = drive(still, TUNING, seed=3)
    off = drive(still, TUNING.replace({"ultrasonic.cross_echoes": False}), seed=3)
    for name in ("front_left", "front_right", "rear_left", "rear_right"):
        assert returns(on, name) == returns(off, name)
    quiet = drive(still, TUNING.replace({"radar.false_alarms_per_scan": 0.0}), seed=3)
    true_returns = {r for scan in returns(quiet, "front_left") for r in np.frombuffer(scan[1], np.float32).tolist()}
    with_alarms = {r for scan in returns(on, "front_left") for r in np.frombuffer(scan[1], np.float32).tolist()}
    assert len(with_alarms - true_returns) > 0
    echoes = [(row.echoes.taken_s, row.echoes.first_m.tobytes()) for row in on.rows if row.echoes]
    assert echoes == [(row.echoes.taken_s, row.echoes.first_m.tobytes()) for row in quiet.rows if row.echoes]


def test_the_kit_stays_within_its_cap_and_stands_while_the_button_is_not_held(first):
    for row in first.rows:
        if row.time_s < 0.5:
            assert row.ego.speed_mps == 0.0
        assert abs(row.ego.speed_mps) <= TUNING.vehicle.top_mps + 1e-9


def test_a_decision_written_in_a_test_replaces_the_kits_own_by_one_argument():
    def never(situation, tuning):
        verdict = decide(situation, tuning)
        return replace(verdict, action=Action.HALT, speed_cap_mps=0.0, why="my own rule")

    recording = drive(SCENE, TUNING, seed=3, decide=never)
    assert {row.verdict.why for row in recording.rows} == {"my own rule"}
    assert recording.rows[-1].ego.pose.x_m == 0.0


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        (lambda s, t: 1 / 0, "decision: ZeroDivisionError: division by zero"),
        (lambda s, t: None, "decision: must return a Verdict with a finite speed cap, 0 where it halts or waits"),
        (lambda s, t: replace(decide(s, t), speed_cap_mps=math.nan), "decision: must return a Verdict"),
    ],
    ids=["raises", "none", "nan"],
)
def test_a_decision_that_fails_is_a_halt_whose_row_says_why_and_the_drive_goes_on(wrong, says):
    recording = drive(SCENE, TUNING, seed=3, decide=wrong, duration_s=1.0)
    assert len(recording.rows) == 21
    for row in recording.rows:
        assert row.verdict.action == Action.HALT
        assert row.error.startswith(says)


def test_a_tracker_that_fails_now_and_then_halts_only_then():
    class Shaky(Tracker):
        def step(self, scans, ego):
            tracks = super().step(scans, ego)
            if 1.0 <= ego.time_s < 1.2:
                raise RuntimeError("lost the thread")
            return tracks

    recording = drive(SCENE, TUNING, seed=3, track=Shaky, duration_s=2.0)
    failed = [row for row in recording.rows if row.error]
    assert len(failed) == 4
    assert all(row.verdict.action == Action.HALT for row in failed)


@pytest.mark.parametrize(
    ("stage", "name"), [("track", "tracker: must return Tracks"), ("map_space", "free space: must")]
)
def test_a_stage_that_returns_something_else_is_a_halt_that_says_so(stage, name):
    class Nothing:
        def __init__(self, tuning):
            pass

        def step(self, *_):
            return None

    recording = drive(SCENE, TUNING, seed=3, duration_s=1.0, **{stage: Nothing})
    assert {row.verdict.action for row in recording.rows} <= {Action.HALT}
    assert all(row.error.startswith(name) for row in recording.rows)


def test_a_grid_that_knows_nothing_keeps_the_vehicle_where_it_is():
    class Blank(FreeSpace):
        def step(self, scans, echoes, tracks, ego):
            grid = super().step(scans, echoes, tracks, ego)
            return replace(grid, log_odds=np.zeros_like(grid.log_odds))

    recording = drive(SCENE, TUNING, seed=3, map_space=Blank, duration_s=3.0)
    assert recording.rows[-1].ego.pose.x_m == 0.0
    assert recording.rows[-1].verdict.settled_by == "known free ahead"


def test_a_path_too_tight_for_the_vehicle_is_refused_with_where_and_by_how_much():
    tight = Scene.from_toml(
        YARD.replace("segments = [{length_m = 14.0}]", "segments = [{length_m = 1.0, turn_deg = 30}]")
    )
    with pytest.raises(
        InputError, match=r"yard: path: its tightest curvature is 0.7\d+ 1/m, 0.\d m along; the vehicle"
    ):
        drive(tight, TUNING, seed=0)


def test_a_negative_or_nan_duration_is_refused():
    for duration in (-1.0, 0.0, math.nan):
        with pytest.raises(InputError, match="duration_s must be finite and above 0"):
            drive(SCENE, TUNING, seed=0, duration_s=duration)


def test_by_exact_knowledge_the_vehicle_waits_for_a_crossing_guest_and_reaches_the_end():
    recording = drive(SCENE, TUNING, seed=0, loop=ExactLoop, duration_s=30.0)
    summary = recording.summary()
    assert summary["reached_end"]
    assert summary["contacts_moving"] == []


def test_a_ctrl_c_that_somebody_swallows_still_ends_the_drive_and_spoils_no_row(tmp_path):
    def swallows(situation, tuning):
        if situation.time_s >= 0.5:
            try:
                signal.raise_signal(signal.SIGINT)
            except KeyboardInterrupt:
                raise ValueError("made of a Ctrl-C") from None
        return decide(situation, tuning)

    recording = drive(SCENE, TUNING, seed=3, decide=swallows, out=tmp_path / "run.parquet")
    assert recording.ended == load_recording(tmp_path / "run.parquet").ended == "interrupted"
    assert recording.rows[-1].ego.time_s == pytest.approx(0.45)
    assert not any(row.error for row in recording.rows)


def test_a_ctrl_c_that_comes_out_as_another_error_beside_the_stages_still_ends_the_drive(tmp_path):
    def becomes_another(time_s, duration_s, verdict):
        if time_s >= 0.5:
            try:
                signal.raise_signal(signal.SIGINT)
            except KeyboardInterrupt:
                raise SystemError("made of a Ctrl-C") from None

    recording = drive(SCENE, TUNING, seed=3, progress=becomes_another, out=tmp_path / "run.parquet")
    assert recording.ended == load_recording(tmp_path / "run.parquet").ended == "interrupted"
    assert recording.rows[-1].ego.time_s == pytest.approx(0.5)


def test_an_error_beside_the_stages_without_a_ctrl_c_is_raised():
    def fails(time_s, duration_s, verdict):
        raise ValueError("the progress line broke")

    with pytest.raises(ValueError, match="the progress line broke"):
        drive(SCENE, TUNING, seed=3, progress=fails)
