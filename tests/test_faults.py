"""Each fault does what it says, to one sensor, for its time, and to nothing else."""

import math

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.scene import load_scene
from avoidkit.sensing.faults import NOTICE_S, FaultBook
from avoidkit.sensing.radar import RADARS
from avoidkit.sensing.records import Health, Scan
from avoidkit.sensing.repeats import Repeats
from tests.sensing_yard import ahead_of, people, yard
from tests.test_radar_timing import NAMES, play, same

FROM_S, TO_S, UNTIL_S = 0.6, 3.1, 3.6
AMOUNTS = {"misaligned": 6.0, "late": 0.3, "clock_offset": -0.2, "dropping": 0.5, "ghosts": 4.0}
KINDS = ("dead", "blind", "stuck", *AMOUNTS)
GROUP = people((*ahead_of("front_right", 4.0), 0.0, 0.3), ahead_of("front_left", 6.0))


def fault(kind, sensor="front_right", **more):
    out = {"sensor": sensor, "kind": kind, "from_s": FROM_S, "to_s": TO_S, **more}
    if kind in AMOUNTS:
        out.setdefault("amount", AMOUNTS[kind])
    return out


@pytest.fixture(scope="module")
def healthy():
    return play(until_s=UNTIL_S, group=GROUP)


@pytest.fixture(scope="module")
def struck():
    """What arrives with each kind of fault on the front right radar."""
    return {kind: play(until_s=UNTIL_S, group=GROUP, faults=[fault(kind)]) for kind in KINDS}


def by_taken(scans, sensor):
    return {round(s.taken_s, 6): s for _, s in scans if s.sensor == sensor}


def during(time_s):
    return FROM_S <= time_s < TO_S


@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_leaves_all_other_sensors_as_they_were(kind, healthy, struck):
    for name in RADARS:
        if name == "front_right":
            continue
        a, b = ([s for _, s in scans if s.sensor == name] for scans in (healthy[0], struck[kind][0]))
        assert all(same(x, y) for x, y in zip(a, b, strict=True))
    for (_, x), (_, y) in zip(healthy[1], struck[kind][1], strict=True):
        assert x.first_m.tobytes() == y.first_m.tobytes()


@pytest.mark.parametrize("kind", KINDS)
def test_a_fault_leaves_its_sensor_as_it_was_before_and_after(kind, healthy, struck):
    outside = [s for _, s in healthy[0] if s.sensor == "front_right" and not during(s.taken_s)]
    found = {s.arrives_s: s for _, s in struck[kind][0] if s.sensor == "front_right"}
    assert len(outside) > 20
    assert all(same(s, found[s.arrives_s]) for s in outside)


def test_a_dead_radar_says_nothing(struck):
    assert not [t for t in by_taken(struck["dead"][0], "front_right") if during(t)]


def test_a_blind_radar_sees_next_to_nothing_and_knows_after_a_while(healthy, struck):
    seen = by_taken(struck["blind"][0], "front_right")
    inside = [t for t in seen if during(t)]
    lost = sum(len(seen[t]) for t in inside) / sum(len(by_taken(healthy[0], "front_right")[t]) for t in inside)
    assert lost < 0.35
    for t in inside:
        assert seen[t].health == (Health.OK if t < FROM_S + NOTICE_S else Health.BLIND)


def test_a_misaligned_radar_reports_everything_turned_and_does_not_know():
    changes = {
        "radar.noise": False,
        "radar.fluctuation": False,
        "radar.limbs": False,
        "radar.false_alarms_per_scan": 0.0,
    }
    group = people(ahead_of("front_right", 5.0, 10.0))
    scans, _ = play(changes, group=group, until_s=2.0, walls=[], parked=[], faults=[fault("misaligned")])
    for t, scan in by_taken(scans, "front_right").items():
        turned = 6.0 if during(t) else 0.0  # looking farther to the left, it sees things farther to the right
        assert np.degrees(scan.azimuth_rad) == pytest.approx(10.0 - turned, abs=1e-4)
        assert scan.health == Health.OK


def test_a_late_radar_is_late_by_the_amount(healthy, struck):
    a, b = by_taken(healthy[0], "front_right"), by_taken(struck["late"][0], "front_right")
    inside = [t for t in a if during(t) and t in b]
    assert len(inside) >= 48
    for t in inside:
        assert b[t].arrives_s - a[t].arrives_s == pytest.approx(0.3)
        assert all(getattr(a[t], n).tobytes() == getattr(b[t], n).tobytes() for n in NAMES)


def test_a_clock_that_is_off_changes_the_stamp_and_not_the_arrival(healthy, struck):
    truth = {round(s.arrives_s, 9): s for _, s in healthy[0] if s.sensor == "front_right"}
    scans = [s for _, s in struck["clock_offset"][0] if s.sensor == "front_right"]
    shifts = np.array([s.taken_s - truth[round(s.arrives_s, 9)].taken_s for s in scans])
    true_taken = np.array([truth[round(s.arrives_s, 9)].taken_s for s in scans])
    inside = (true_taken >= FROM_S) & (true_taken < TO_S)
    np.testing.assert_allclose(shifts[inside], -0.2, atol=1e-9)
    np.testing.assert_allclose(shifts[~inside], 0.0, atol=1e-9)


def test_a_stuck_radar_sends_its_last_returns_with_new_stamps(healthy, struck):
    seen = by_taken(struck["stuck"][0], "front_right")
    last = max(t for t in seen if t < FROM_S)
    for t in (t for t in seen if during(t)):
        assert all(getattr(seen[t], n).tobytes() == getattr(seen[last], n).tobytes() for n in NAMES)
        assert seen[t].health == Health.OK


def test_a_dropping_radar_loses_the_share(healthy, struck):
    inside = sum(during(t) for t in by_taken(struck["dropping"][0], "front_right"))
    n = sum(during(t) for t in by_taken(healthy[0], "front_right"))
    assert inside / n == pytest.approx(0.5, abs=3 * math.sqrt(0.25 / n))


def test_a_haunted_radar_adds_returns_that_stay_for_half_a_second(healthy, struck):
    a, b = by_taken(healthy[0], "front_right"), by_taken(struck["ghosts"][0], "front_right")
    added = {}
    for t in (t for t in a if during(t)):
        n = len(a[t])
        assert b[t].range_m[:n].tobytes() == a[t].range_m.tobytes()
        added.setdefault(t // 0.5, []).append(b[t].range_m[n:].tobytes())
    assert all(len(set(group)) == 1 for group in added.values())
    numbers = [len(group[0]) / 4 for group in added.values()]
    assert np.mean(numbers) == pytest.approx(4.0, abs=3 * math.sqrt(4.0 / len(numbers)))


def ring(kind, **more):
    """First echoes by time with a fault of the ring; somebody stands 1 m before the bumper."""
    rounds = play(until_s=UNTIL_S, group=people((4.85, 0.0)), faults=[fault(kind, "ultrasonic", **more)])[1]
    return {round(e.taken_s, 6): e for _, e in rounds}


def test_faults_of_the_ring():
    plain = {round(e.taken_s, 6): e for _, e in play(until_s=UNTIL_S, group=people((4.85, 0.0)))[1]}
    dead, blind, stuck, haunted = ring("dead"), ring("blind"), ring("stuck"), ring("ghosts")
    inside = [t for t in plain if during(t)]
    assert not [t for t in dead if during(t)]
    assert all(np.isinf(blind[t].first_m).all() for t in inside)
    assert {blind[t].health for t in inside if t > FROM_S + NOTICE_S} == {Health.BLIND}
    assert np.isfinite(plain[2.0].first_m).any()
    assert len({stuck[t].first_m.tobytes() for t in inside}) == 1
    assert all((haunted[t].first_m <= plain[t].first_m).all() for t in inside)
    assert any((haunted[t].first_m < plain[t].first_m).any() for t in inside)


def test_a_fault_holds_from_its_start_until_just_before_its_end():
    book = FaultBook(yard(faults=[fault("misaligned")]).faults, 1)
    assert [book.turned_deg("front_right", t) for t in (0.599, 0.6, 3.099, 3.1)] == [0.0, 6.0, 6.0, 0.0]
    assert book.turned_deg("front_left", 2.0) == 0.0


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        ({"sensor": "front_middle"}, "faults.0.sensor"),
        ({"amount": 90.0}, "faults.0"),
        ({"to_s": 0.5}, "faults.0"),
    ],
)
def test_a_fault_that_cannot_be_is_refused_by_field(tmp_path, wrong, message):
    from avoidkit.scene import save_scene

    file = tmp_path / "yard.toml"
    save_scene(yard(), file)
    text = "\n".join(f"{k} = {v!r}" for k, v in {**fault("misaligned"), **wrong}.items()).replace("'", '"')
    lines = [line for line in file.read_text(encoding="utf-8").splitlines() if not line.startswith("faults")]
    file.write_text("\n".join(lines) + "\n\n[[faults]]\n" + text + "\n", encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_scene(file)
    assert message in str(caught.value)


def test_two_faults_of_one_sensor_at_one_time_are_refused():
    with pytest.raises(ValueError, match="times apart from the other fault of 'front_right'"):
        yard(faults=[fault("misaligned"), fault("dead")])


def test_too_many_empty_scans_in_a_row_are_a_radar_that_is_stuck_where_false_alarms_should_have_come():
    def after(noisy, false_per_scan, empties=200):
        watch, empty = Repeats(noisy, false_per_scan), Scan("front_left", 0.0, 0.05, [], [], [], [])
        told = [watch.seen(empty, Pose(0.0, 0.0, 0.0)) for _ in range(empties)]
        return told.index(True) if any(told) else None

    assert after(True, 0.5) == 41  # at the 42nd: exp(-0.5 n) < 1e-9 from n = 42 on
    assert after(True, 0.0) is None
    assert after(False, 0.5) is None


def test_a_return_between_them_begins_the_row_of_empty_scans_anew():
    watch = Repeats(True, 0.5)
    empty = Scan("front_left", 0.0, 0.05, [], [], [], [])
    some = Scan("front_left", 0.0, 0.0, [5.0], [0.1], [0.0], [20.0])
    told = [watch.seen(some if k % 40 == 39 else empty, Pose(0.0, 0.0, 0.0)) for k in range(400)]
    assert not any(told)


def test_empty_scans_that_stand_in_for_a_list_of_objects_are_never_too_many():
    watch, empty = Repeats(True, 0.5), Scan("front_left", 0.0, 0.0, [], [], [], [])
    assert not any(watch.seen(empty, Pose(0.0, 0.0, 0.0)) for _ in range(400))
