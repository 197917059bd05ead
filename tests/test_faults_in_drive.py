"""A fault in a whole drive: all other sensors give the same bytes for as long as the vehicle is where it was."""

import functools

import pytest

from avoidkit import Tuning
from avoidkit.drive import drive
from avoidkit.sensing.records import Health
from tests.evidence.studies.sensor_faults import court
from tests.test_radar_timing import same

FROM_S, SECONDS = 2.0, 4.0
FAST = ("dead", "stuck", "misaligned 20 deg")
OTHERS = ("blind 0.1", "late 0.2 s", "clock offset -0.2 s", "dropping 0.5", "ghosts 3")


def test_a_radar_whose_clock_is_ahead_counts_as_blind_and_the_vehicle_halts_for_it():
    before, after = [], []
    for row in drive(court("clock offset 0.1 s", 0), Tuning(), seed=0, duration_s=3.0).rows:
        (before if row.time_s < FROM_S else after).append(row)
    assert before[-1].sensors["front_left"][0] == Health.OK
    assert before[-1].ego.speed_mps > 0.5
    assert after[-1].sensors["front_left"][0] == Health.BLIND
    assert after[-1].verdict.settled_by == "age of scan"
    assert after[-1].ego.speed_mps == 0.0


@pytest.mark.parametrize(("late_s", "health"), [(0.3, Health.OK), (0.1, Health.BLIND)])
def test_a_radar_whose_scans_come_too_late_for_the_tracker_counts_as_blind(late_s, health):
    tuning = Tuning().replace({"tracking.late_s": late_s})
    last = drive(court("late 0.2 s", 0), tuning, seed=0, duration_s=3.0).rows[-1]
    assert last.sensors["front_left"][0] == health
    assert last.sensors["front_right"][0] == Health.OK
    assert (last.verdict.settled_by == "age of scan") == (health == Health.BLIND)


@functools.cache
def rows(fault):
    return drive(court(fault, 0), Tuning(), seed=0, duration_s=SECONDS).rows


def other_scans(row):
    return [scan for scan in row.scans if scan.sensor != "front_left"]


@pytest.mark.parametrize("fault", [*FAST, *(pytest.param(kind, marks=pytest.mark.slow) for kind in OTHERS)])
def test_a_fault_leaves_all_other_radars_as_they_were_while_the_pose_is_the_same(fault):
    equal, changed = 0, 0
    for healthy, struck in zip(rows("none"), rows(fault), strict=True):
        if healthy.ego != struck.ego:
            break
        mine, theirs = other_scans(healthy), other_scans(struck)
        assert len(mine) == len(theirs)
        assert all(same(a, b) for a, b in zip(mine, theirs, strict=True))
        equal += 1
        own = [[s for s in row.scans if s.sensor == "front_left"] for row in (healthy, struck)]
        changed += len(own[0]) != len(own[1]) or not all(same(a, b) for a, b in zip(*own, strict=True))
    assert equal > FROM_S / 0.05
    assert changed >= 1  # a radar that is stuck is noticed, and stopped for, after one scan
