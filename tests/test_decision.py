"""The decision as a pure function: its rules one by one, by exact knowledge."""

import math
from dataclasses import replace

import numpy as np
import pytest

from avoidkit.decision import decide, halting, is_sound
from avoidkit.scene import Scene
from avoidkit.sensing.radar import RADARS
from avoidkit.sensing.records import Echoes, Health
from avoidkit.studies.settled import settle, settled_situation
from avoidkit.tuning import Tuning
from avoidkit.verdict import Action, Hold, at_least
from avoidkit.words import sentence

TUNING = Tuning()
LANE = """
name = "lane"
[[walls]]
corners_m = [[-8.0, 3.1], [40.0, 3.1]]
[[walls]]
corners_m = [[-8.0, -3.1], [40.0, -3.1]]
[[path.legs]]
direction = "forward"
segments = [{length_m = 26.0}]
"""
SCENE = Scene.from_toml(LANE)


def lane(*people, **more):
    return settled_situation(SCENE, TUNING, people, **more)


def checks_of(verdict, name):
    return [check for check in verdict.checks if check.name == name]


def test_an_empty_lane_is_driven_at_top_speed():
    verdict = settle(lane(speed_mps=0.8), TUNING)
    assert verdict.action == Action.CONTINUE
    assert verdict.speed_cap_mps == pytest.approx(TUNING.vehicle.top_mps)
    assert all(check.holds for check in verdict.checks)


def test_somebody_standing_right_ahead_means_halt_at_once():
    verdict = decide(lane((4.4, 0.0, 0.0, 0.0)), TUNING)
    assert verdict.action == Action.HALT
    assert verdict.speed_cap_mps == 0.0
    assert verdict.settled_by == "gap to reach"
    assert "before it stands, track" in verdict.why


def test_somebody_who_leaves_room_is_gone_round_after_the_answer_has_settled():
    where = lane((12.0, 0.9, 0.0, 0.0), speed_mps=0.8)
    first = decide(where, TUNING)
    assert first.action == Action.CONTINUE
    assert first.memory.pending == "detour"
    settled = settle(where, TUNING)
    assert settled.action == Action.DETOUR
    assert settled.path.name.startswith("detour")
    waited = checks_of(settled, "detour settled")[0]
    assert waited.found >= TUNING.decision.settle_s - 1e-9


def test_somebody_in_the_middle_who_leaves_no_room_is_approached_and_halted_for():
    far = settle(lane((12.0, 0.0, 0.0, 0.0), speed_mps=0.8), TUNING)
    assert far.action == Action.CONTINUE
    assert not checks_of(far, "detours that fit")[0].holds
    near = settle(lane((5.2, 0.0, 0.0, 0.0)), TUNING)
    assert near.action == Action.HALT


def test_nobody_within_any_required_distance_means_no_halt():
    for y in (2.4, -2.6):
        assert settle(lane((8.0, y, 0.0, 0.0), speed_mps=0.8), TUNING).action == Action.CONTINUE


def test_releasing_the_button_stops_at_once():
    where = replace(lane(speed_mps=1.0), hold=Hold(False, 10.0, 2.0))
    verdict = decide(where, TUNING)
    assert (verdict.action, verdict.speed_cap_mps) == (Action.HALT, 0.0)
    standing = replace(where, ego=replace(where.ego, speed_mps=0.0))
    assert decide(standing, TUNING).action == Action.WAIT


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"hold": Hold(True, 9.0, 2.0)}, "age of hold-to-run"),
        ({"hold": Hold(True, -math.inf, 2.0)}, "age of hold-to-run"),
        ({"hold": Hold(True, math.nan, 2.0)}, "age of hold-to-run"),
        ({"hold": Hold(True, 10.05, 2.0)}, "age of hold-to-run"),  # of a time to come: its clock is wrong
        ({"hold": Hold(True, 10.0, 6.5)}, "distance of operator"),
        ({"hold": Hold(True, 10.0, math.nan)}, "distance of operator"),
        ({"echoes": None}, "age of echoes"),
        ({"echoes": Echoes(10.05, 10.0, np.full(12, math.inf))}, "age of echoes"),
        ({"sensors": {}}, "age of scan"),
        ({"sensors": dict.fromkeys(RADARS, (Health.OK, 10.05))}, "age of scan"),
        ({"sensors": dict.fromkeys(RADARS, (Health.OK, math.nan))}, "age of scan"),
    ],
)
def test_what_is_stale_missing_or_not_a_number_means_halt(change, name):
    verdict = decide(replace(lane(speed_mps=0.5), **change), TUNING)
    assert (verdict.action, verdict.speed_cap_mps, verdict.settled_by) == (Action.HALT, 0.0, name)


@pytest.mark.parametrize(("aside_m", "halts"), [(0.25, False), (0.35, True)])
def test_a_vehicle_that_has_left_its_path_halts(aside_m, halts):
    where = lane(speed_mps=0.5)
    pose = replace(where.ego.pose, y_m=where.ego.pose.y_m + aside_m)
    verdict = decide(replace(where, ego=replace(where.ego, pose=pose)), TUNING)
    assert (verdict.action == Action.HALT, verdict.settled_by == "offset from path") == (halts, halts)


def test_a_track_with_a_nan_means_halt():
    where = lane((12.0, 2.5, 0.0, 0.0))
    where.tracks.state[0, 1] = math.nan
    verdict = decide(where, TUNING)
    assert (verdict.action, verdict.settled_by) == (Action.HALT, "tracks are numbers")


@pytest.mark.parametrize("name", ["standing", "existence", "last_seen_s", "standing_for_s", "stood_ago_s", "extent_m"])
def test_a_nan_anywhere_in_the_tracks_means_halt(name):
    where = lane((6.5, 0.0, 0.0, 0.0))
    getattr(where.tracks, name)[0] = math.nan
    assert decide(where, TUNING).settled_by == "tracks are numbers"


def test_tracks_of_another_instant_mean_halt():
    where = lane()
    stale = replace(where, tracks=replace(where.tracks, time_s=where.time_s - 0.4))
    assert decide(stale, TUNING).settled_by == "age of tracks"


def test_a_blind_radar_in_the_direction_of_travel_means_halt_and_one_behind_does_not():
    where = lane(speed_mps=0.5)
    for name, action in (("front_left", Action.HALT), ("rear_left", Action.CONTINUE)):
        sensors = {**where.sensors, name: (Health.BLIND, where.time_s)}
        assert decide(replace(where, sensors=sensors), TUNING).action == action


def test_no_detour_is_planned_on_a_side_that_a_radar_no_longer_sees():
    where = lane((12.0, 0.9, 0.0, 0.0), speed_mps=0.8)  # room on the right only
    sensors = {**where.sensors, "rear_right": (Health.BLIND, where.time_s)}
    assert settle(replace(where, sensors=sensors), TUNING).action != Action.DETOUR


def test_an_unexplained_echo_at_the_bumper_halts_and_an_explained_one_does_not():
    where = lane(speed_mps=0.4)
    first = np.full(12, np.inf)
    first[2] = 0.22
    near = replace(where, echoes=Echoes(where.time_s, where.time_s, first))
    assert decide(near, TUNING).settled_by == "ultrasonic echo"
    behind = np.full(12, np.inf)
    behind[8] = 0.22
    assert decide(replace(where, echoes=Echoes(where.time_s, where.time_s, behind)), TUNING).action == Action.CONTINUE


def play(where, seconds, tuning=TUNING, hold=lambda t: True):
    """Decide for some time on a situation whose world may be replaced; returns verdicts."""
    memory, verdicts = where.memory, []
    from avoidkit.studies.settled import _at

    for k in range(round(seconds / tuning.cycle_s)):
        now = where.time_s + k * tuning.cycle_s
        one = _at(where, now, memory)
        one = replace(one, hold=Hold(hold(now - where.time_s), now, 2.0))
        verdicts.append(decide(one, tuning))
        memory = verdicts[-1].memory
    return verdicts


def test_a_cap_of_nought_for_less_than_half_a_second_is_a_brake_and_resumes_alone_after_its_least_time():
    brake = play(lane((4.4, 0.0, 0.0, 0.0)), 0.4)[-1]
    assert not brake.memory.halted
    held = play(replace(lane(time_s=10.4), memory=brake.memory), TUNING.decision.least_brake_s - 0.5)
    assert {one.action for one in held} == {Action.HALT}
    assert not held[-1].memory.halted
    assert held[-1].why == "Halts: time of braking is 1.35 s, 1.50 s needed."
    free = decide(replace(lane(time_s=10.0 + TUNING.decision.least_brake_s), memory=held[-1].memory), TUNING)
    assert free.action == Action.CONTINUE


def flickering(fits, count):
    """Verdicts of cycles in which a way round fits where `fits(k)`, and none does elsewhere; until one is taken."""
    round_it, none = lane((12.0, 0.9, 0.0, 0.0), speed_mps=0.8), lane((12.0, 0.0, 0.0, 0.0), speed_mps=0.8)
    memory, verdicts = round_it.memory, []
    for k in range(count):
        now = 10.0 + k * TUNING.cycle_s
        one = replace(round_it if fits(k) else none, time_s=now, memory=memory)
        one = replace(
            one,
            tracks=replace(one.tracks, time_s=now, last_seen_s=one.tracks.last_seen_s + now - 10.0),
            echoes=replace(one.echoes, taken_s=now, arrives_s=now),
            grid=one.grid.at(now),
            hold=Hold(True, now, 2.0),
            ego=replace(one.ego, time_s=now),
            sensors={name: (health, now) for name, (health, _) in one.sensors.items()},
        )
        verdicts.append(decide(one, TUNING))
        memory = verdicts[-1].memory
        if verdicts[-1].action == Action.DETOUR:
            break
    return verdicts


@pytest.mark.parametrize(
    ("fits", "taken_s"),
    [
        (lambda k: True, 0.40),  # nine cycles: the first adds nothing
        (lambda k: k != 4, 0.45 + 0.025),  # one cycle without: adds nothing and takes half a cycle back
        (lambda k: k % 3 != 2, 0.80),  # each three cycles add one and a half
    ],
)
def test_a_way_round_that_comes_and_goes_settles_by_what_speaks_for_it_less_half_of_what_speaks_against(fits, taken_s):
    verdicts = flickering(fits, 60)
    assert verdicts[-1].action == Action.DETOUR
    assert (len(verdicts) - 1) * TUNING.cycle_s == pytest.approx(taken_s, abs=TUNING.cycle_s)
    assert {one.action for one in verdicts[:-1]} == {Action.CONTINUE}
    for_it = [checks_of(one, "detour settled")[0].found for one in verdicts if checks_of(one, "detour settled")]
    assert for_it[-1] >= TUNING.decision.settle_s - 1e-9 > max(for_it[:-1])


def test_a_way_round_that_fits_in_one_cycle_of_three_never_settles():
    assert {one.action for one in flickering(lambda k: k % 3 == 0, 120)} == {Action.CONTINUE}


def test_what_spoke_for_a_way_round_is_forgotten_once_it_is_taken_or_as_much_spoke_against_it():
    verdicts = flickering(lambda k: k < 4, 20)
    assert [one.memory.pending for one in verdicts[:4]] == ["detour"] * 4
    held = [one.memory.pending for one in verdicts].index("")
    assert 0 < held - 4 <= 6
    assert not any(one.memory.pending for one in verdicts[held:])


def test_after_a_halt_the_vehicle_waits_until_the_operator_releases_and_presses_anew():
    halted = play(lane((4.4, 0.0, 0.0, 0.0)), 0.8)[-1]
    assert halted.memory.halted
    free = replace(lane(time_s=10.8), memory=halted.memory)
    waiting = play(free, 2.0)
    assert {v.action for v in waiting} == {Action.HALT, Action.WAIT}
    assert waiting[3].why == "Halts: the way has been free again for 0.15 s of 0.40 s."
    assert [v.memory.ready for v in waiting] == [False] * 8 + [True] * 32
    assert waiting[-1].settled_by == "renewal by operator"
    renewed = play(free, 2.0, hold=lambda t: not 0.5 <= t < 0.8)
    assert renewed[-1].action == Action.CONTINUE


COMING = (6.0, 0.5, -1.4, 0.0)  # walks at the van: in a second 0.75 m before its bumper at 3.85 m


def test_a_vehicle_at_rest_does_not_set_off_for_somebody_who_would_halt_it_within_a_second():
    rests, rolls = lane(COMING), lane(COMING, speed_mps=0.8)
    waits = decide(rests, TUNING)
    assert (waits.action, waits.settled_by, waits.memory.halted) == (Action.HALT, "gap foreseen", False)
    assert waits.why.startswith("Halts: in 0.75 s it would have to stand again: track 1 could then be 0.14 m")
    assert decide(rests, TUNING.replace({"decision.foresee_s": 0.0})).action == Action.CONTINUE
    assert decide(rolls, TUNING).action == Action.CONTINUE  # under way rule 1 alone counts
    assert decide(lane((6.0, 0.5, 1.4, 0.0)), TUNING).action == Action.CONTINUE  # walks away
    assert decide(lane((6.0, 0.5, 0.0, 0.0)), TUNING).action == Action.CONTINUE  # stands
    leaves = checks_of(decide(lane((6.0, 0.5, 1.4, 0.0)), TUNING), "gap foreseen")
    assert [check.holds for check in leaves] == [True]  # asked, and shown
    stays = play(rests, 3.0)
    assert {one.action for one in stays} == {Action.HALT}
    assert not stays[-1].memory.halted  # so that it goes on by itself
    assert play(replace(lane(time_s=13.0), memory=stays[-1].memory), 0.1)[-1].action == Action.CONTINUE


YARD = Scene.from_toml("""
name = "yard"
[[path.legs]]
direction = "forward"
segments = [{length_m = 26.0}]
""")


def taken_beside(person, from_m):
    """A yard with one person, all of it taken farther than `from_m` beside the path."""
    where = settled_situation(YARD, TUNING, [person], speed_mps=0.8)
    log_odds, grid = where.grid.log_odds.copy(), where.grid
    y_m = grid.corner_xy[1] + (np.arange(len(log_odds)) + 0.5) * grid.cell_m
    log_odds[np.abs(y_m) > from_m] = 5.0
    return replace(where, grid=replace(grid, log_odds=log_odds))


@pytest.mark.parametrize(
    ("x_m", "cap_mps"),
    [  # of the bumper, 3.85 m before the rear axle; by hand from 2 * 0.5 m/s^2 times what is left to 3 m
        (7.0, 0.30),  # blocked 2.3 m ahead: creeps
        (8.0, math.sqrt(0.3)),  # 3.3 m
        (9.0, math.sqrt(1.4)),  # 4.4 m
        (6.5, math.sqrt(1.1)),  # 1.9 m, and no way round whatever the cells: as near as the standoff of 0.8 m
    ],
)
def test_where_a_way_round_lacks_only_known_cells_the_vehicle_leaves_room_for_it(x_m, cap_mps):
    verdict = decide(taken_beside((x_m, 0.0, 0.0, 0.0), 1.3), TUNING)
    assert (verdict.action, verdict.settled_by) == (Action.CONTINUE, "way ahead")
    assert verdict.speed_cap_mps == pytest.approx(cap_mps, abs=1e-6)


def test_a_renewal_is_not_offered_before_the_way_has_been_free_for_a_while_without_a_break():
    memory = play(lane((4.4, 0.0, 0.0, 0.0)), 0.8)[-1].memory
    for k in range(6):  # free for 0.3 s, not free for one cycle
        free = play(replace(lane(time_s=10.8 + 0.35 * k), memory=memory), 0.3)
        assert not any(one.memory.ready for one in free)
        memory = play(replace(lane((4.4, 0.0, 0.0, 0.0), time_s=11.1 + 0.35 * k), memory=free[-1].memory), 0.05)[
            -1
        ].memory
    assert play(replace(lane(time_s=12.9), memory=memory), 0.45)[-1].memory.ready


def test_a_vehicle_at_rest_foresees_who_walks_on_to_where_no_radar_looks():
    beside = lane((4.5, 2.5, -1.4, 0.0))  # in a second or two beside the flank, 1.6 m from it and unseen
    no_wedge = TUNING.replace({"radar.field_of_view_deg": 179.0})
    unseen, seen = decide(beside, TUNING), decide(beside, no_wedge)
    assert (unseen.action, unseen.settled_by) == (Action.HALT, "gap foreseen")
    assert seen.action == Action.CONTINUE
    assert decide(lane((4.5, 2.5, 1.4, 0.0)), TUNING).action == Action.CONTINUE  # walks out ahead, in view


def test_a_vehicle_at_rest_foresees_where_it_will_have_come_itself():
    crosses = lane((6.0, 4.4, 0.0, -1.4))  # 2.1 m ahead of the bumper, and there in three seconds
    assert decide(crosses, TUNING.replace({"vehicle.accel_mps2": 0.1})).action == Action.CONTINUE
    assert decide(crosses, TUNING).settled_by == "gap foreseen"


def test_a_renewal_is_not_offered_while_somebody_walks_at_the_vehicle():
    halted = play(lane((4.4, 0.0, 0.0, 0.0)), 0.8)[-1].memory
    coming = play(replace(lane(COMING, time_s=10.8), memory=halted), 0.5)
    assert {one.action for one in coming} == {Action.HALT}
    assert not coming[-1].memory.ready
    assert coming[-1].memory.halted
    assert play(replace(lane(time_s=11.3), memory=coming[-1].memory), 0.5)[-1].memory.ready


@pytest.mark.parametrize("broken", [np.nan, np.inf])
def test_a_walker_whose_velocity_is_not_a_number_is_not_driven_off_beside(broken):
    where = lane(COMING)
    state = where.tracks.state.copy()
    state[0, 2] = broken
    assert decide(replace(where, tracks=replace(where.tracks, state=state)), TUNING).action == Action.HALT


def test_without_the_rule_of_renewal_a_halt_ends_by_itself():
    tuning = TUNING.replace({"decision.renew_after_halt": False})
    halted = play(lane((4.4, 0.0, 0.0, 0.0)), 0.8, tuning)[-1]
    assert play(replace(lane(time_s=10.8), memory=halted.memory), 0.8, tuning)[-1].action == Action.CONTINUE


def test_the_end_of_the_path_means_wait():
    verdict = decide(lane(along_m=26.0), TUNING)
    assert (verdict.action, verdict.settled_by) == (Action.WAIT, "way left")


def test_equal_situations_give_equal_verdicts():
    where = lane((12.0, 0.9, 0.0, 0.0), speed_mps=0.8)
    one, two = decide(where, TUNING), decide(where, TUNING)
    assert one.checks == two.checks
    assert repr(one.memory) == repr(two.memory)  # NaN equals NaN here
    assert one.why == two.why


def test_every_check_says_what_was_needed_and_what_was_found():
    verdict = settle(lane((9.0, 1.6, 0.0, 0.0), speed_mps=0.8), TUNING)
    assert len(verdict.checks) >= 10
    for check in verdict.checks:
        assert check.name
        assert check.unit
        compared = check.found <= check.needed if check.at_most else check.found >= check.needed
        assert check.holds == compared or check.name in ("gap to reach", "distance to shadow")


def test_a_failed_stage_means_halt_with_its_reason():
    verdict = halting(lane(), "decision: ValueError: oops")
    assert (verdict.action, verdict.speed_cap_mps) == (Action.HALT, 0.0)
    assert "oops" in verdict.why


@pytest.mark.parametrize("cap", [math.nan, math.inf, -1.0, None, "fast"])
def test_a_verdict_that_cannot_be_followed_is_not_sound(cap):
    verdict = decide(lane(), TUNING)
    assert is_sound(verdict)
    assert not is_sound(replace(verdict, speed_cap_mps=cap))
    assert not is_sound(None)
    assert not is_sound("halt")


@pytest.mark.parametrize(("echo_m", "least", "most"), [(0.36, 0.0, 0.0), (0.42, 0.3, 0.5), (0.9, 1.2, 1.2)])
def test_an_echo_beyond_the_guard_leaves_just_the_speed_from_which_the_vehicle_stands_before_it(echo_m, least, most):
    # By hand for 0.42 m: 0.12 m of room; v (0.05 + 0.15 + 0.10/2) + v^2/8 - 4 * 0.10^2/24 is 0.118 m at 0.40 m/s,
    # 0.122 m at 0.41 m/s.
    where = lane()
    first = np.full(12, np.inf)
    first[2] = echo_m
    verdict = decide(replace(where, echoes=Echoes(where.time_s, where.time_s, first)), TUNING)
    assert least <= verdict.speed_cap_mps <= most
    if echo_m == 0.42:
        assert verdict.speed_cap_mps == pytest.approx(0.40, abs=1e-9)


def test_a_stage_that_fails_for_long_leaves_a_halt_that_waits_for_renewal():
    where = lane(speed_mps=0.0)
    for k in range(12):
        now = where.time_s + 0.05
        verdict = halting(where, "decision: silent", rules=TUNING.decision)
        assert verdict.memory.halted == (k >= 10)
        where = replace(where, time_s=now, memory=verdict.memory)
    fresh = play(replace(lane(speed_mps=0.0), memory=verdict.memory), TUNING.decision.settle_s + 0.1)
    assert [one.action for one in (fresh[0], fresh[-1])] == [Action.HALT, Action.WAIT]


@pytest.mark.parametrize(
    ("check", "said"),
    [
        (at_least("gap to reach", -0.52, 0.2, "m", "track 5"),
         "Halts: before it stands, track 5 could be 0.52 m into its way; 0.20 m needed between them."),
        (at_least("gap to reach", 0.14, 0.2, "m", "track 5"),
         "Halts: before it stands, track 5 could come to 0.14 m from it; 0.20 m needed."),
        (at_least("way ahead", 0.5, 0.8, "m", "track 5 stands"),
         "Halts: track 5 stands in the way, 0.50 m ahead; 0.80 m needed."),
        (at_least("way ahead", 0.5, 0.8, "m", "occupied cells"),
         "Halts: occupied cells lie in the way, 0.50 m ahead; 0.80 m needed."),
        (at_least("known free ahead", 0.03, 0.08, "m", "unknown cell"),
         "Halts: the way ahead is known free for 0.03 m, then comes an unknown cell; 0.08 m needed."),
        (at_least("ultrasonic echo", 0.22, 0.3, "m", "ultrasonic 3"),
         "Halts: ultrasonic 3 hears something at 0.22 m; 0.30 m needed."),
    ],
)  # fmt: skip
def test_a_reason_is_a_sentence_that_can_be_read_aloud(check, said):
    assert sentence(Action.HALT, (check,), check.name, 0.0) == said
