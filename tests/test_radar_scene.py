"""What a radar sees of people and surroundings: occlusion, limbs, own motion, ghosts."""

import math

import numpy as np
import pytest

from avoidkit.frames import Pose
from avoidkit.scene import KINDS
from avoidkit.sensing import kernels, scatter
from avoidkit.sensing.equation import beam, boresight_budget, from_db
from avoidkit.sensing.ghosts import ghosts
from avoidkit.sensing.look import Sight
from avoidkit.sensing.radar import RADARS, passing_shares, polar_from, still_range_rate
from avoidkit.tuning import Mount, Tuning
from avoidkit.vehicle import Ego
from tests.sensing_yard import PLAIN, QUIET, STILL, ahead_of, edges, people, radar, reflectivity_for

NAMES = ("range_m", "azimuth_rad", "range_rate_mps", "snr")
STEADY = PLAIN | {"radar.surroundings": False}


def level(snr_db, range_m):
    """Changes that give every adult a signal to noise at a range."""
    dbsm = reflectivity_for(snr_db, range_m, Tuning().radar)
    return {"radar.adult_low_dbsm": dbsm, "radar.adult_high_dbsm": dbsm}


def test_edge_codes_are_those_of_the_scene():
    codes = (scatter.WALL, scatter.PARKED, scatter.TROLLEY, scatter.PILLAR, scatter.KERB, scatter.FENCE)
    assert tuple(KINDS[code] for code in codes) == ("wall", "parked", "trolley", "pillar", "kerb", "fence")


def test_a_steady_point_is_reported_where_it_is():
    one, _ = radar(STEADY)
    seen = one.returns(0, 0.0, people(ahead_of("front_left", 6.0, 25.0)), STILL)
    assert len(seen) == 1
    assert seen.range_m[0] == pytest.approx(6.0, abs=1e-9)
    assert math.degrees(seen.azimuth_rad[0]) == pytest.approx(25.0, abs=1e-7)
    assert seen.range_rate_mps[0] == pytest.approx(0.0, abs=1e-9)


def test_range_rate_grows_with_distance_and_shrinks_when_somebody_comes():
    one, _ = radar(STEADY)
    x, y = ahead_of("front_left", 6.0)
    away = np.array([math.cos(math.radians(50)), math.sin(math.radians(50))])
    for speed in (1.2, -1.2):
        seen = one.returns(0, 0.0, people((x, y, *(speed * away))), STILL)
        assert seen.range_rate_mps[0] == pytest.approx(speed, abs=1e-6)


def test_what_stands_shows_own_motion_as_worked_out_elsewhere():
    # Kellner et al. 2013 (idea): v 1 m/s, 0.2 rad/s, sensor (3.6, 0.8), ray at 45 deg in the vehicle's frame.
    mount = Mount(x_m=3.6, y_m=0.8, yaw_deg=45.0)
    assert still_range_rate(1.0, 0.2, mount, 0.0) == pytest.approx(-1.1031, abs=0.00005)
    changes = {f"radar.mounts.front_left.{key}": value for key, value in mount.model_dump().items()}
    one, _ = radar(STEADY | changes)
    ego = Ego(0.0, Pose(2.0, -1.0, 0.6), 1.0, 0.0, 0.2)
    ray = 0.6 + math.radians(45)
    cos, sin = math.cos(0.6), math.sin(0.6)
    x, y = 2.0 + cos * 3.6 - sin * 0.8 + 5.0 * math.cos(ray), -1.0 + sin * 3.6 + cos * 0.8 + 5.0 * math.sin(ray)
    seen = one.returns(0, 0.0, people((x, y)), ego)
    assert seen.range_rate_mps[0] == pytest.approx(-1.1031, abs=0.00005)
    assert seen.range_m[0] == pytest.approx(5.0, abs=1e-9)


@pytest.mark.parametrize("sensor", RADARS)
@pytest.mark.parametrize(("speed", "yaw_rate"), [(1.0, 0.0), (-0.8, 0.0), (0.0, 0.4), (1.1, -0.3)])
def test_walls_and_posts_show_own_motion_at_every_mount_also_while_yawing(sensor, speed, yaw_rate):
    ego = Ego(0.0, Pose(1.0, 2.0, -0.4), speed, 0.0, yaw_rate)
    x, y = ahead_of(sensor, 7.0, -30.0, ego)
    u, w = ahead_of(sensor, 8.0, 35.0, ego)
    one, tuning = radar(PLAIN, things=[(x, y, u, w, "wall", 5.0)], sensor=sensor)
    seen = one.returns(0, 0.0, people(), ego)
    assert len(seen) >= 3
    mount = getattr(tuning.radar.mounts, sensor)
    expected = still_range_rate(speed, yaw_rate, mount, seen.azimuth_rad)
    np.testing.assert_allclose(seen.range_rate_mps, expected, atol=1e-9)


def test_the_torso_is_seen_at_the_front_of_the_body():
    # Open recording: the front of a body is 0.10 to 0.13 m nearer than its middle.
    one, _ = radar(STEADY | {"radar.front_of_body_m": 0.115})
    seen = one.returns(0, 0.0, people(ahead_of("front_left", 6.0)), STILL)
    assert seen.range_m[0] == pytest.approx(6.0 - 0.115, abs=1e-9)


def leg_rates(pace):
    """Range rates of both legs over a whole stride of somebody who walks straight away from the eye."""
    changes = Tuning().radar
    out = []
    for walked in np.linspace(0.0, 1.4, 200):
        group = people((5.0, 0.0, pace, 0.0), walked_m=walked)
        points = scatter.of_people(group, (0.0, 0.0), np.array([0.1]), changes)
        out.append(polar_from(Pose(0, 0, 0), np.zeros(2), points.xy, points.velocity)[2][3:])
    return np.array(out)


def test_legs_go_from_rest_to_three_times_the_walking_speed():
    rates = leg_rates(1.3)
    assert rates.max() == pytest.approx(3 * 1.3, rel=0.02)
    assert rates.min() == pytest.approx(0.0, abs=0.1)
    assert rates.mean() == pytest.approx(1.3, rel=0.01)


def test_the_place_of_a_leg_is_the_integral_of_its_speed():
    phase = np.linspace(0, 2 * math.pi, 2001)
    speed, place = np.transpose([kernels.swing(p) for p in phase])
    np.testing.assert_allclose(np.gradient(place, phase)[1:-1], speed[1:-1], atol=1e-4)


def test_legs_stand_under_one_who_stands():
    assert leg_rates(0.0) == pytest.approx(0.0, abs=1e-12)


def test_reflectivity_of_a_body_is_the_same_with_and_without_limbs():
    group = people((5.0, 0.0, 1.0, 0.0))
    for limbs in (True, False):
        tuning = Tuning().replace({"radar.limbs": limbs}).radar
        assert scatter.of_people(group, (0, 0), np.array([0.2]), tuning).reflectivity_m2.sum() == pytest.approx(0.2)


def seen_behind(kind, **changes):
    """Number of returns of somebody 8 m away with a thing 4 m wide half way between."""
    x, y = ahead_of("front_left", 4.0)
    side = np.array([-math.sin(math.radians(50)), math.cos(math.radians(50))])
    ends = np.concatenate([np.array([x, y]) - 2 * side, np.array([x, y]) + 2 * side])
    extra = {f"radar.{key}": value for key, value in changes.items()}
    one, _ = radar(STEADY | {"radar.limbs": True} | extra, things=[(*ends, kind, 5.0)])
    return len(one.returns(0, 0.0, people(ahead_of("front_left", 8.0)), STILL))


@pytest.mark.parametrize(
    ("kind", "sees"),
    [("wall", False), ("parked", True), ("pillar", False), ("trolley", False), ("kerb", True), ("fence", True)],
)
def test_things_hide_people_but_kerbs_and_fences_do_not_and_parked_vehicles_are_seen_under(kind, sees):
    assert (seen_behind(kind) > 0) == sees


def test_under_a_parked_vehicle_only_if_that_is_switched_on():
    assert seen_behind("parked", see_under=False) == 0
    assert seen_behind("parked", under_loss_db=60.0) == 0
    assert seen_behind("wall", occlusion=False) > 0


def test_an_open_vehicle_passes_low_power_twice_at_half_the_loss_each():
    high, low = passing_shares(
        edges((0, 0, 1, 0, "parked", 10.0)), Tuning().replace({"radar.under_loss_db": 12.0}).radar
    )
    assert high[0] == 0.0
    assert low[0] == pytest.approx(10**-0.6)


def test_somebody_in_front_hides_whoever_is_behind_over_the_width_of_the_body():
    one, _ = radar(STEADY)
    front = ahead_of("front_left", 4.0)
    assert len(one.returns(0, 0.0, people(front, ahead_of("front_left", 8.0)), STILL)) == 1
    assert len(one.returns(0, 0.0, people(front, ahead_of("front_left", 8.0, 2.0)), STILL)) == 1  # 0.14 m aside at 4 m
    one, _ = radar(STEADY | {"radar.merging": False})
    assert len(one.returns(0, 0.0, people(front, ahead_of("front_left", 8.0, 5.0)), STILL)) == 2  # 0.35 m aside


def test_nothing_is_reported_outside_the_field_of_view_and_the_ranges():
    one, tuning = radar(STEADY)
    half = tuning.radar.field_of_view_deg / 2
    for azimuth, distance, count in ((half - 1, 5.0, 1), (half + 1, 5.0, 0), (0.0, 0.15, 0), (0.0, 25.5, 0)):
        strong = STEADY | level(30.0, 25.0)
        one, _ = radar(strong)
        assert len(one.returns(0, 0.0, people(ahead_of("front_left", distance, azimuth)), STILL)) == count


def test_the_vehicle_itself_hides_what_is_on_its_other_side():
    turned = {"radar.mounts.front_left.yaw_deg": -90.0}
    one, _ = radar(STEADY | turned)
    behind = people((3.75, -3.0))  # seen through the front of the vehicle from the left front corner
    assert len(one.returns(0, 0.0, behind, STILL)) == 0
    ahead = people((6.0, -1.0))
    assert len(one.returns(0, 0.0, ahead, STILL)) == 1


def test_a_wall_returns_most_at_its_foot_and_at_its_ends():
    one, _ = radar(PLAIN | {"radar.merging": False}, things=[(-8, 6, 15, 6, "wall", 5.0)])
    seen = one.returns(0, 0.0, people(), STILL)
    strongest = np.argmax(seen.snr)
    height = 6 - Tuning().radar.mounts.front_left.y_m
    assert seen.range_m[strongest] == pytest.approx(height, abs=0.02)  # facets are 0.3 m apart
    slanting = seen.snr[np.abs(seen.range_m - 1.5 * height) < 0.3].max()
    assert 10 * np.log10(seen.snr[strongest] / slanting) > 15.0


def test_returns_along_a_wall_are_thinned_to_resolution_cells():
    things = [(-8, 3, 15, 3, "wall", 5.0)]
    apart, _ = radar(PLAIN | {"radar.merging": False}, things=things)
    merged, _ = radar(PLAIN, things=things)
    all_points, seen = (r.returns(0, 0.0, people(), STILL) for r in (apart, merged))
    assert 3 < len(seen) < len(all_points)
    near_range = np.abs(np.subtract.outer(seen.range_m, seen.range_m)) < 0.15
    near_azimuth = np.abs(np.subtract.outer(seen.azimuth_rad, seen.azimuth_rad)) < math.radians(12)
    np.testing.assert_array_equal(near_range & near_azimuth, np.eye(len(seen), dtype=bool))


def test_somebody_close_to_a_parked_vehicle_melts_into_it():
    x, y = ahead_of("front_left", 6.0)
    side = np.array([-math.sin(math.radians(50)), math.cos(math.radians(50))])
    away = np.array([math.cos(math.radians(50)), math.sin(math.radians(50))])
    ends = np.concatenate([np.array([x, y]) + 0.1 * away - 1.5 * side, np.array([x, y]) + 0.1 * away + 1.5 * side])
    one, _ = radar(PLAIN, things=[(*ends, "parked", 10.0)])
    alone, together = (len(one.returns(0, 0.0, people(*rows), STILL)) for rows in ((), ((x, y),)))
    assert together == alone
    one, _ = radar(PLAIN)
    assert len(one.returns(0, 0.0, people((x, y)), STILL)) == 1


def test_ghosts_stand_at_the_mirror_point():
    # Mirror point in the wall: Remote Sensing 2024, 16(4), 621 (principle). Radar (0, 0), person (4, 0), wall
    # y = 2: bearing 45 deg, 5.657 m twice reflected, 4.828 m once.
    tuning = Tuning().radar
    places, draw = ghosts_in((4.0, 0.0, 0.0, 1.0), [(-1.0, 2.0, 9.0, 2.0)])
    assert draw.tolist() == [0, 1, 2]  # twice, once by the wall, once arriving direct
    range_m, azimuth, rate, snr = places.T
    assert range_m == pytest.approx([5.657, 4.828, 4.828], abs=0.0005)
    assert np.degrees(azimuth) == pytest.approx([45.0, 45.0, 0.0], abs=1e-9)
    # walking towards the wall at 1 m/s the image comes down at 1 m/s: -sin 45 deg
    assert rate == pytest.approx([-math.sqrt(0.5), -math.sqrt(0.5) / 2, -math.sqrt(0.5) / 2])
    loss, direct = from_db(-tuning.bounce_loss_db), 0.15 * boresight_budget(tuning) / 4.0**4
    side = beam(math.radians(45.0), tuning)
    assert snr[0] == pytest.approx(direct * loss**2 * side**2 * (4.0 / 5.657) ** 4, rel=1e-3)
    assert snr[1] == snr[2] == pytest.approx(direct * loss * side * (4.0 / 5.657) ** 2, rel=1e-3)


def ghosts_in(person, walls):
    """Ghosts of one person in the first of several walls, for a radar at the origin that looks along x."""
    tuning = Tuning().radar
    walls = np.array(walls, dtype=float)
    sight = Sight(
        0, 0, 0, 0, 0, math.pi / 2, 26.0, 0, 0, 0, 0.1, -1.0, 1.0, 9.0, boresight_budget(tuning), math.radians(60)
    )
    sight = Sight(*(float(v) for v in sight))
    return ghosts(sight, people(person), np.array([0.15]), walls, np.array([0]), np.zeros(len(walls)), tuning)


def test_there_is_no_ghost_beyond_the_end_of_a_wall_or_behind_something():
    person = (4.0, 0.0)
    assert len(ghosts_in(person, [(-1, 2, 9, 2)])[1]) == 3
    assert len(ghosts_in(person, [(2.5, 2, 9, 2)])[1]) == 0  # the way would meet the wall at x = 2
    assert len(ghosts_in(person, [(-1, 2, 9, 2), (1.0, 0.5, 1.0, 1.5)])[1]) == 0  # a post stands in the way there


def test_ghosts_and_false_alarms_leave_all_other_returns_as_they_were():
    things = [(-8, 5, 15, 5, "wall", 5.0)]
    group = people(ahead_of("front_left", 4.0, -20.0), ahead_of("front_left", 3.0, 10.0))
    quiet = {"radar.false_alarms_per_scan": 0.0, "radar.ghosts": False, "radar.merging": False}
    bare, _ = radar(quiet, things=things)
    haunted, _ = radar(quiet | {"radar.ghosts": True, "radar.false_alarms_per_scan": 3.0}, things=things)
    more = 0
    for k in range(20):
        a, b = (
            set(zip(*(getattr(r.returns(k, 0.05 * k, group, STILL), n) for n in NAMES), strict=True))
            for r in (bare, haunted)
        )
        assert a <= b
        more += len(b) - len(a)
    assert more > 20


def test_switching_noise_off_leaves_what_is_detected_as_it_was():
    group = people(ahead_of("front_left", 17.0), ahead_of("front_left", 18.0, 30.0))
    noisy, clean = (radar(QUIET | {"radar.noise": on})[0] for on in (True, False))
    counts = [[len(r.returns(k, 0.05 * k, group, STILL)) for k in range(200)] for r in (noisy, clean)]
    assert counts[0] == counts[1]
    assert np.mean(counts[0]) > 0


def test_interference_costs_range():
    burst = {"radar.interference_per_minute": 120.0, "radar.interference_s": 10.0, "radar.interference_db": 12.0}
    group = people(ahead_of("front_left", 14.0))
    quiet, hit = radar(QUIET), radar(QUIET | burst)
    seen = [sum(len(r.returns(k, 20.0 + 0.05 * k, group, STILL)) > 0 for k in range(300)) for r in (quiet[0], hit[0])]
    assert seen[0] > 250
    assert seen[1] < 0.7 * seen[0]
