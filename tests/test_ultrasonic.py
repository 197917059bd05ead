"""The ultrasonic ring: speed of sound, lateration, cones, first echoes, cross-echoes, soft clothing."""

import math

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.sensing.ultrasonic import (
    echo_paths,
    first_echoes,
    laterate,
    neighbours,
    ring_things,
    speed_of_sound,
    ultrasonic_mounts,
)
from avoidkit.tuning import Tuning
from avoidkit.vehicle import box
from tests.sensing_yard import edges, people, stand_in
from tests.test_radar_timing import play

CLEAN = {
    "ultrasonic.noise": False,
    "ultrasonic.fading_db": 0.0,
    "ultrasonic.cross_echoes": False,
    "ultrasonic.soft_share": 0.0,
}
NOBODY = people()


@pytest.mark.parametrize(("celsius", "printed"), [(-20, 318.94), (0, 331.30), (20, 343.21), (40, 354.73)])
def test_speed_of_sound_matches_the_printed_values(celsius, printed):
    # 331.3 sqrt(1 + T / 273.15), standard texts, printed with two decimals
    assert speed_of_sound(float(celsius)) == pytest.approx(printed, abs=0.005)


def test_one_metre_takes_5_827_ms_there_and_back_at_20_degrees():
    assert 2.0 / speed_of_sound(20.0) == pytest.approx(5.827e-3, abs=0.0005e-3)


def test_lateration_of_two_sensors_matches_the_worked_case():
    # Two sensors 0.5 m apart, ranges 1.0 and 1.1 m: the point is (0.0400, 0.9992) m from the first.
    x, y = laterate(1.0, 1.1, 0.5)
    assert (x + 0.25, y) == (pytest.approx(0.0400, abs=0.00005), pytest.approx(0.9992, abs=0.00005))
    assert math.isnan(laterate(1.0, 2.0, 0.5)[1])


def wall_ahead(gap_m, half_m=3.0, temperature_deg_c=20.0):
    """A wall across the way, so far before the bumper."""
    x = box(Tuning().vehicle)[0] + gap_m
    return stand_in((x, -half_m, x, half_m, "wall", 5.0), temperature_deg_c=temperature_deg_c)


def first(changes=None, *, group=NOBODY, scene=None):
    """First echoes of one round without errors."""
    rounds = play(CLEAN | (changes or {}), group=group, until_s=0.1, scene=scene or stand_in())[1]
    return rounds[0][1].first_m


def test_mounts_sit_on_the_outline_and_look_outward_in_order():
    tuning = Tuning()
    front, rear, half = box(tuning.vehicle)
    x, y, yaw = ultrasonic_mounts(tuning).T
    assert (np.diff(y[:6]) < 0).all()
    assert (np.diff(y[6:]) < 0).all()
    assert (np.abs(y) <= half).all()
    assert (x[1:5] == front).all()
    assert (x[7:11] == rear).all()
    assert (np.cos(yaw[:6]) > 0).all()
    assert (np.cos(yaw[6:]) < 0).all()
    assert (np.sin(yaw) * y >= 0).all()


def test_a_temperature_error_of_40_kelvin_shifts_ranges_by_the_published_share():
    # Reading taken at -20 C with 20 C assumed: +7.61 %.
    true, shifted = (first(scene=wall_ahead(2.0, temperature_deg_c=t))[2] for t in (20.0, -20.0))
    assert true == pytest.approx(2.0, abs=1e-5)
    assert shifted / true - 1 == pytest.approx(0.0761, abs=0.00005)


def test_the_body_is_measured_to_its_surface():
    front = box(Tuning().vehicle)[0]
    x, y, _ = ultrasonic_mounts(Tuning())[2]
    assert first(group=people((front + 1.2, y)))[2] == pytest.approx(x + 1.2 - front - 0.13, abs=1e-5)


def test_what_is_nearer_than_the_least_or_farther_than_the_greatest_range_is_not_heard():
    assert np.isinf(first(scene=wall_ahead(0.14))[2])
    assert first(scene=wall_ahead(0.16))[2] == pytest.approx(0.16, abs=1e-6)
    assert np.isinf(first(scene=wall_ahead(4.1))[:6]).all()
    longer = {"ultrasonic.range_max_m": 5.0, "ultrasonic.reserve_db": 50.0}
    assert first(longer, scene=wall_ahead(4.1))[2] == pytest.approx(4.1, abs=1e-6)


def test_cones_weaken_to_the_side():
    mounts = np.array([[0.0, 0.0, 0.0]])
    ring = Tuning().ultrasonic
    angles = np.radians([0.0, ring.beam_deg / 2, 100.0])
    group = people(*np.stack([np.cos(angles), np.sin(angles)], axis=1))
    _, level, half = echo_paths(mounts, Pose(0, 0, 0), ring_things(edges(), ring), group, np.zeros(3), ring)
    assert half[0, 0] - half[0, 1] == pytest.approx(3.0)
    assert level[0, 0] - level[0, 1] == pytest.approx(6.0)
    assert level[0, 2] < -100


def test_a_wall_hides_whoever_is_behind_it_and_a_kerb_does_not():
    front = box(Tuning().vehicle)[0]
    group = people((front + 1.5, 0.0))
    slanting = (front + 0.8, -0.6, front + 1.0, 3.0)  # met at a slant, its foot aside of the cones that see the person
    alone = first(group=group)
    behind_kerb = first(group=group, scene=stand_in((*slanting, "kerb", -15.0)))
    behind_wall = first(group=group, scene=stand_in((*slanting, "wall", 5.0)))
    person = 1.5 - 0.13
    assert np.isclose(alone[:6], person, atol=0.1).any()
    assert np.isclose(behind_kerb[:6], person, atol=0.1).any() or (behind_kerb[:6] < person).any()
    assert (behind_wall[:6][np.isfinite(behind_wall[:6])] < 1.2).all()


@pytest.mark.parametrize("kind", ["kerb", "fence", "pillar"])
def test_kerbs_fences_and_pillars_are_heard_less_far_than_walls(kind):
    front = box(Tuning().vehicle)[0]

    def heard(kind, gap_m):
        line = (front + gap_m, -3.0, front + gap_m, 3.0, kind, 0.0)
        return np.isfinite(first(scene=stand_in(line))[2])

    assert heard(kind, 1.0)
    assert heard("wall", 3.5)
    assert not heard(kind, 3.5)


def test_soft_clothing_returns_little():
    front = box(Tuning().vehicle)[0]
    group = people((front + 1.8, 0.0))
    hard, soft = (first({"ultrasonic.soft_share": share}, group=group)[:6] for share in (0.0, 1.0))
    assert np.isfinite(hard).sum() > np.isfinite(soft).sum()


def test_a_neighbour_is_heard_half_way_between_both_distances():
    ring = Tuning().replace({"ultrasonic.noise": False, "ultrasonic.fading_db": 0.0}).ultrasonic
    distance = np.full((12, 1), math.inf)
    distance[2], distance[3] = 1.1, 1.0
    level, half = np.full((12, 1), -50.0), np.full((12, 1), -25.0)
    level[3], half[3], level[2], half[2] = 20.0, 0.0, -5.0, -12.0  # too weak for sensor 2 alone
    heard = first_echoes(distance, level, half, np.random.default_rng(0), 1.0, ring)
    assert heard[2] == pytest.approx(1.05)
    assert heard[3] == pytest.approx(1.0)
    alone = ring.model_copy(update={"cross_echoes": False})
    assert np.isinf(first_echoes(distance, level, half, np.random.default_rng(0), 1.0, alone)[2])


def test_neighbours_are_side_by_side_on_one_end():
    assert len(neighbours()) == 20
    assert (5, 6) not in neighbours()
    assert all(abs(a - b) == 1 for a, b in neighbours())


def test_range_errors_have_the_set_deviation():
    rounds = play(CLEAN | {"ultrasonic.noise": True}, group=NOBODY, until_s=30.0, scene=wall_ahead(1.0))[1]
    errors = np.array([e.first_m[2] - 1.0 for _, e in rounds])
    assert len(errors) > 290
    assert errors.std() == pytest.approx(0.01, rel=0.13)  # standard error 0.00041


@pytest.mark.parametrize("celsius", [-300.0, math.nan])
def test_impossible_temperatures_are_refused(celsius):
    with pytest.raises(InputError, match="temperature_deg_c must be"):
        speed_of_sound(celsius)
