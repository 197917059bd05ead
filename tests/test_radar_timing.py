"""When scans are taken and arrive, and that a seed gives the same bytes."""

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.sensing import Sensors
from avoidkit.sensing.radar import RADARS
from avoidkit.tuning import Tuning
from tests.sensing_yard import ahead_of, even_motion, people, yard

NAMES = ("range_m", "azimuth_rad", "range_rate_mps", "snr_db")
THINGS = {"walls": [{"corners_m": [[-6.0, 6.0], [18.0, 6.0]]}], "parked": [{"x_m": 10.0, "y_m": -4.0}]}


def play(changes=None, *, seed=7, until_s=2.0, step_s=0.05, group=None, scene=None, **fields):
    """All scans and rounds that arrive, as ([(when, scan)], [(when, echoes)])."""
    scene = scene or yard(**{**THINGS, **fields})
    sensors = Sensors(scene, Tuning().replace(changes or {}), seed)
    history = even_motion(until_s)
    group = people(ahead_of("front_left", 5.0), ahead_of("front_right", 7.0)) if group is None else group
    scans, rounds = [], []
    for k in range(round(until_s / step_s) + 1):
        now = k * step_s
        arrived, echoes = sensors.step(now, group.at(now), history)
        scans += [(now, scan) for scan in arrived]
        rounds += [] if echoes is None else [(now, echoes)]
    return scans, rounds


def same(a, b):
    """Whether two scans are equal to the last bit."""
    stamps = (a.sensor, a.taken_s, a.arrives_s, a.health) == (b.sensor, b.taken_s, b.arrives_s, b.health)
    return stamps and all(getattr(a, n).tobytes() == getattr(b, n).tobytes() for n in NAMES)


def test_the_four_radars_take_turns_a_quarter_cycle_apart():
    scans, _ = play()
    for index, name in enumerate(RADARS):
        taken = np.array([s.taken_s for _, s in scans if s.sensor == name])
        np.testing.assert_allclose(taken, 0.0125 * index + 0.05 * np.arange(len(taken)), atol=1e-9)
        assert len(taken) >= 38


def test_each_scan_is_handed_out_once_in_the_first_step_after_it_arrived():
    scans, _ = play()
    for now, scan in scans:
        assert scan.arrives_s <= now + 1e-9
        assert scan.arrives_s > now - 0.05 - 1e-9
        assert 0.03 <= scan.arrives_s - scan.taken_s <= 0.045
    assert len({(s.sensor, s.taken_s) for _, s in scans}) == len(scans)


def test_scans_arrive_out_of_the_order_in_which_they_were_taken():
    taken = [s.taken_s for _, s in play({"radar.jitter_s": 0.03})[0]]
    assert (np.diff(taken) < 0).sum() > 3
    assert (np.diff([s.taken_s for _, s in play({"radar.jitter_s": 0.0})[0]]) > 0).all()


def test_rounds_of_the_ring_arrive_every_tenth_of_a_second():
    rounds = play()[1]
    np.testing.assert_allclose([e.taken_s for _, e in rounds], 0.1 * np.arange(len(rounds)), atol=1e-9)
    assert len(rounds) == 20
    assert all(e.arrives_s == pytest.approx(e.taken_s + 0.03) for _, e in rounds)


def test_coarser_steps_get_the_same_scans():
    fine, coarse = play(step_s=0.05)[0], play(step_s=0.2)[0]
    found = {(s.sensor, round(s.taken_s, 6)): s for _, s in fine}
    assert len(coarse) > 100
    for _, scan in coarse:
        assert same(scan, found[scan.sensor, round(scan.taken_s, 6)])


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not():
    a, b, c = (play(seed=seed)[0] for seed in (7, 7, 8))
    assert all(same(x, y) for (_, x), (_, y) in zip(a, b, strict=True))
    assert not all(len(x) == len(y) for (_, x), (_, y) in zip(a, c, strict=True))


def test_two_sets_of_sensors_stepped_in_turn_do_not_disturb_each_other():
    scene, tuning, group, history = yard(**THINGS), Tuning(), people((6.0, 2.0)), even_motion(1.0)
    alone = Sensors(scene, tuning, 3)
    expected = [scan for k in range(20) for scan in alone.step(0.05 * k, group.at(0.05 * k), history)[0]]
    one, other = Sensors(scene, tuning, 3), Sensors(scene, tuning, 4)
    found = []
    for k in range(20):
        other.step(0.05 * k, group.at(0.05 * k), history)
        found += one.step(0.05 * k, group.at(0.05 * k), history)[0]
    assert all(same(x, y) for x, y in zip(expected, found, strict=True))


def test_jitter_switched_off_changes_when_scans_arrive_and_nothing_in_them():
    late, prompt = ({(s.sensor, s.taken_s): s for _, s in play({"radar.jitter_s": j})[0]} for j in (0.015, 0.0))
    for key in late.keys() & prompt.keys():
        assert all(getattr(late[key], n).tobytes() == getattr(prompt[key], n).tobytes() for n in NAMES)
    assert len(late.keys() & prompt.keys()) > 140


def test_nobody_and_nothing_is_fine():
    scans, rounds = play({"radar.false_alarms_per_scan": 0.0}, group=people(), walls=[], parked=[])
    assert sum(len(s) for _, s in scans) == 0
    assert all(np.isinf(e.first_m).all() for _, e in rounds)


def test_time_that_stands_still_is_refused():
    sensors = Sensors(yard(), Tuning(), 1)
    sensors.step(0.0, people(), even_motion(1.0))
    with pytest.raises(InputError, match=r"^time_s must grow, got 0\.0 after 0\.0$"):
        sensors.step(0.0, people(), even_motion(1.0))


def test_a_mount_outside_the_outline_is_refused_by_name():
    tuning = Tuning().replace({"radar.mounts.rear_left.x_m": -1.5})
    message = (
        r"^tuning: radar\.mounts\.rear_left: a place within the outline \(x -0\.95 to 3\.85, y -0\.93 to 0\.93 m\) "
        r"was wanted, got x_m = -1\.5, y_m = 0\.85$"
    )
    with pytest.raises(InputError, match=message):
        Sensors(yard(), tuning, 1)


@pytest.mark.parametrize(("field", "value"), [("field_of_view_deg", 0.0), ("range_min_m", -0.1), ("range_max_m", -5.0)])
def test_impossible_fields_of_view_and_ranges_are_refused_by_name(field, value):
    with pytest.raises(
        InputError, match=rf"^tuning: radar\.{field}: input should be greater than or equal to .*, got {value}$"
    ):
        Tuning().replace({f"radar.{field}": value})
