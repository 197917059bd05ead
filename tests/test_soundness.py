"""Whatever a situation lacks, or holds that is old, of a time to come or no number: the vehicle halts, or stays."""

import math
from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from avoidkit.checks import InputError
from avoidkit.decision import decide
from avoidkit.freespace import FreeSpace
from avoidkit.people import signed_distance
from avoidkit.sensing.radar import RADARS
from avoidkit.sensing.records import Health
from avoidkit.soundness import fault_in
from avoidkit.studies.ultrasonic_only import decide_by_echoes
from avoidkit.tracking import Tracker
from avoidkit.tracking.records import no_tracks
from avoidkit.tuning import Tuning
from avoidkit.vehicle import outline_in_scene
from avoidkit.verdict import Action
from tests.test_decision import lane

TUNING = Tuning()
BASE = lane((8.0, 2.6, 0.0, 0.0), speed_mps=0.8)
NOT_NUMBERS = (None, math.nan, math.inf, -math.inf)
NEEDED = ("time_s", "ego", "path", "along_m", "reference", "reference_along_m", "tracks", "grid", "hold", "sensors",
          "memory")  # fmt: skip


def stays(situation):
    """Whether the verdict is to halt or stay, at speed 0."""
    verdict = decide(situation, TUNING)
    return verdict.action in (Action.HALT, Action.WAIT) and verdict.speed_cap_mps == 0.0


def test_with_all_there_and_fresh_the_vehicle_goes_on():
    assert fault_in(BASE) == ""
    assert decide(BASE, TUNING).action == Action.CONTINUE
    assert decide_by_echoes(BASE, TUNING).action == Action.CONTINUE


@pytest.mark.parametrize("name", NEEDED)
@pytest.mark.parametrize("value", [None, math.nan, "soon"])
def test_a_field_that_is_missing_or_of_another_kind_means_halt(name, value):
    without = replace(BASE, **{name: value})
    verdict = decide(without, TUNING)
    assert (verdict.action, verdict.speed_cap_mps) == (Action.HALT, 0.0)
    assert verdict.settled_by == "situation is whole"
    assert name in verdict.why
    assert decide_by_echoes(without, TUNING).action == Action.HALT


@pytest.mark.parametrize("by_s", [-0.1, -0.05, 0.001])
def test_a_grid_of_the_cycle_before_and_a_clock_that_jitters_by_a_millisecond_do_no_harm(by_s):
    now = BASE.time_s
    late = replace(
        BASE, grid=BASE.grid.at(now + by_s), ego=replace(BASE.ego, time_s=now + by_s),
        hold=replace(BASE.hold, sent_s=now + by_s), sensors=dict.fromkeys(RADARS, (Health.OK, now + by_s)),
    )  # fmt: skip
    assert decide(late, TUNING).action == Action.CONTINUE


def test_without_any_path_there_is_none_to_hand_back():
    with pytest.raises(InputError, match=r"situation\.path must be of Path, got NoneType"):
        decide(replace(BASE, path=None, reference=None), TUNING)


@pytest.mark.parametrize("name", ["time_s", "pose", "speed_mps", "steering_rad", "yaw_rate_radps"])
@pytest.mark.parametrize("value", NOT_NUMBERS)
def test_own_motion_that_is_no_number_means_halt(name, value):
    verdict = decide(replace(BASE, ego=replace(BASE.ego, **{name: value})), TUNING)
    assert (verdict.action, verdict.speed_cap_mps, verdict.settled_by) == (Action.HALT, 0.0, "situation is whole")
    assert f"ego.{name}" in verdict.why


@pytest.mark.parametrize("value", [None, math.nan, math.inf, 1.0, "yes", ""])
def test_a_button_that_is_neither_held_nor_released_means_halt(value):
    assert stays(replace(BASE, hold=replace(BASE.hold, pressed=value)))


@pytest.mark.parametrize("value", [None, math.nan, math.inf, -math.inf, -1.0])
def test_an_operator_whose_distance_is_none_means_halt(value):
    verdict = decide(replace(BASE, hold=replace(BASE.hold, distance_m=value)), TUNING)
    assert (verdict.action, verdict.settled_by) == (Action.HALT, "distance of operator")


@pytest.mark.parametrize(("name", "check"), [("ego", "own motion"), ("tracks", "tracks"), ("grid", "grid")])
@pytest.mark.parametrize("by_s", [-60.0, -0.11, 0.06, 60.0])
def test_what_speaks_of_another_instant_means_halt(name, check, by_s):
    record = getattr(BASE, name)
    more = {"last_seen_s": record.last_seen_s + by_s} if name == "tracks" else {}
    verdict = decide(replace(BASE, **{name: replace(record, time_s=record.time_s + by_s, **more)}), TUNING)
    assert (verdict.action, verdict.settled_by) == (Action.HALT, f"age of {check}")


@pytest.mark.parametrize("health", [Health.BLIND, None, math.nan, "fine"])
def test_a_sensor_that_does_not_say_that_it_sees_means_halt(health):
    assert stays(replace(BASE, sensors=dict.fromkeys(RADARS, None)))
    assert stays(replace(BASE, sensors=dict.fromkeys(RADARS, (Health.OK, "now"))))
    sensors = dict.fromkeys(RADARS, (health, BASE.time_s))
    assert decide(replace(BASE, sensors=sensors), TUNING).settled_by == "age of scan"
    assert decide(replace(BASE, echoes=replace(BASE.echoes, health=health)), TUNING).settled_by == "age of echoes"


@pytest.mark.parametrize("value", [math.nan, -math.inf, math.inf])
def test_cells_whose_evidence_is_no_finite_number_are_not_free(value):
    grid = replace(BASE.grid, log_odds=np.full_like(BASE.grid.log_odds, value))
    assert not grid.known_free().any()
    assert stays(replace(BASE, grid=grid))


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_one_value_that_is_no_number_anywhere_in_the_tracks_means_halt(data):
    values = {f.name: getattr(BASE.tracks, f.name) for f in fields(BASE.tracks)}
    arrays = [name for name, value in values.items() if isinstance(value, np.ndarray) and value.dtype.kind == "f"]
    name = data.draw(st.sampled_from(arrays))
    array = values[name].copy()
    array.flat[data.draw(st.integers(0, array.size - 1))] = data.draw(st.sampled_from((math.nan, -math.inf)))
    assert stays(replace(BASE, tracks=replace(BASE.tracks, **{name: array})))


@pytest.mark.parametrize("stage", [Tracker, FreeSpace])
@pytest.mark.parametrize("name", ["speed_mps", "steering_rad", "yaw_rate_radps"])
def test_tracker_and_grid_refuse_own_motion_that_is_no_number_and_go_on_as_before_with_the_next(stage, name):
    struck, sound, ego = stage(TUNING), stage(TUNING), BASE.ego
    more = () if stage is Tracker else (BASE.echoes, no_tracks(ego.time_s))
    for one in (struck, sound):
        one.step([], *more, ego)
    bad = replace(ego, time_s=ego.time_s + 0.05, **{name: math.nan})
    with pytest.raises(InputError, match=rf"ego\.{name} must be finite, got nan"):
        struck.step([], *more, bad)
    later = replace(ego, time_s=ego.time_s + 0.1)
    results = [one.step([], *more, later) for one in (struck, sound)]
    name = "state" if stage is Tracker else "log_odds"
    assert np.array_equal(*(getattr(result, name) for result in results))


LOST = [
    {"action": None},
    {"pending": None},
    {"since_s": math.nan},
    {"halted": None},
    {"released": math.nan},
    {"ready": 1},
]


@pytest.mark.parametrize("wrong", LOST)
def test_a_memory_that_is_not_whole_may_have_been_of_a_halt_so_that_the_operator_has_to_renew(wrong):
    verdict = decide(replace(BASE, memory=replace(BASE.memory, **wrong)), TUNING)
    assert (verdict.action, verdict.settled_by, verdict.memory.halted) == (Action.HALT, "situation is whole", True)
    still = replace(BASE, ego=replace(BASE.ego, speed_mps=0.0), memory=verdict.memory)
    assert stays(still)


def test_a_time_that_was_no_number_may_have_lasted_so_that_the_operator_has_to_renew():
    verdict = decide(replace(BASE, time_s=math.nan), TUNING)
    assert stays(replace(BASE, ego=replace(BASE.ego, speed_mps=0.0), memory=verdict.memory))


@pytest.mark.parametrize("name", ["along_m", "reference_along_m"])
@pytest.mark.parametrize("by_m", [-5.0, -0.4, 1e3])
def test_a_place_that_is_none_of_its_path_means_halt(name, by_m):
    along = by_m if by_m < 0 else BASE.path.length_m + by_m
    assert decide(replace(BASE, **{name: along}), TUNING).settled_by == "situation is whole"


@pytest.mark.parametrize(("by_deg", "halts"), [(0.0, False), (20.0, False), (35.0, True), (-90.0, True), (180.0, True)])
def test_a_vehicle_that_points_away_from_its_path_halts(by_deg, halts):
    pose = replace(BASE.ego.pose, yaw_rad=BASE.ego.pose.yaw_rad + math.radians(by_deg))
    verdict = decide(replace(BASE, ego=replace(BASE.ego, pose=pose)), TUNING)
    assert (verdict.settled_by == "situation is whole") == halts


def test_a_vehicle_that_rolls_against_its_path_needs_the_radars_of_the_end_it_rolls_to():
    blind_behind = {name: (Health.BLIND if "rear" in name else Health.OK, BASE.time_s) for name in RADARS}
    assert decide(replace(BASE, sensors=blind_behind), TUNING).action == Action.CONTINUE
    rolling = replace(BASE, ego=replace(BASE.ego, speed_mps=-0.5), sensors=blind_behind)
    assert decide(rolling, TUNING).settled_by == "age of scan"


@pytest.mark.parametrize(
    ("name", "value"),
    [("extent_m", -1.0), ("standing", 95.0), ("standing", -0.1), ("existence", 5.0), ("last_seen_s", 1e3)],
)
def test_tracks_of_impossible_numbers_mean_halt(name, value):
    tracks = replace(BASE.tracks, **{name: np.full(len(BASE.tracks), value)})
    assert decide(replace(BASE, tracks=tracks), TUNING).settled_by == "tracks are numbers"


def test_a_variance_below_nothing_means_halt():
    tracks = replace(BASE.tracks, covariance=-BASE.tracks.covariance)
    assert decide(replace(BASE, tracks=tracks), TUNING).settled_by == "tracks are numbers"


@pytest.mark.parametrize(("gap_s", "speed_mps", "known"), [(0.05, 0.8, True), (300.0, 0.8, False), (300.0, 0.0, True)])
def test_after_a_gap_of_minutes_nothing_of_before_is_known_and_only_at_rest_the_operators_word_is_given_anew(
    gap_s, speed_mps, known
):
    space, ego = FreeSpace(TUNING), replace(BASE.ego, speed_mps=speed_mps)
    assert space.step([], BASE.echoes, no_tracks(ego.time_s), ego).declared.any()
    later = replace(ego, time_s=ego.time_s + gap_s)
    grid = space.step([], BASE.echoes, no_tracks(later.time_s), later)
    assert (grid.known_free() & ~outlined(grid, later)).any() == known
    assert grid.declared.any() == known


def outlined(grid, ego):
    """Cells whose middle lies within the outline, grown by one cell, (rows, cols) bool."""
    rows, cols = grid.shape
    x = grid.corner_xy[0] + (np.arange(cols) + 0.5) * grid.cell_m
    y = grid.corner_xy[1] + (np.arange(rows) + 0.5) * grid.cell_m
    places = np.stack(np.broadcast_arrays(x[None], y[:, None]), axis=-1).reshape(-1, 2)
    return (signed_distance(places, outline_in_scene(TUNING.vehicle, ego.pose)) <= grid.cell_m).reshape(rows, cols)


def test_times_that_cells_cannot_keep_are_refused():
    ego = replace(BASE.ego, time_s=1.7e9)
    with pytest.raises(InputError, match="count from the start of the drive"):
        FreeSpace(TUNING).step([], None, no_tracks(1.7e9), ego)


def test_what_is_missing_is_said_in_words_without_infinite_numbers():
    told = {
        "front_left does not see": replace(BASE, sensors={}),
        "the ultrasonics do not hear": replace(BASE, echoes=None),
        "nothing has been heard of hold-to-run": replace(BASE, hold=replace(BASE.hold, sent_s=math.nan)),
        "the distance of the operator is not known": replace(BASE, hold=replace(BASE.hold, distance_m=math.nan)),
        "own motion is not known": replace(BASE, ego=replace(BASE.ego, time_s=BASE.time_s + 1.0)),
        "the grid is of a time to come": replace(BASE, grid=BASE.grid.at(BASE.time_s + 1.0)),
        "the tracks hold something": replace(
            BASE, tracks=replace(BASE.tracks, extent_m=np.full(len(BASE.tracks), math.nan))
        ),
    }
    for words, situation in told.items():
        why = decide(situation, TUNING).why
        assert why.startswith(f"Halts: {words}")
        assert "inf" not in why
        assert "nan" not in why
