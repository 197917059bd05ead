"""The tracker as a whole: people are found and kept, late scans change nothing, bad input is refused or counted."""

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.sensing.records import Health, Scan
from avoidkit.tracking import Stage, Tracker
from avoidkit.tracking.setmetrics import gospa
from avoidkit.vehicle import Ego
from tests.benchmarks.bench_tracking import KitTracker, cycles
from tests.tracked_yards import RADARS, TUNING, play, scan_of, straight_drive

FIELDS = ("stage", "state", "covariance", "existence", "standing", "extent_m", "age_s", "last_seen_s", "hits")


def two_walkers(t):
    """One walks across ahead of the vehicle, one stands beside it until 2 s and walks off."""
    off = max(t - 2.0, 0.0)
    places = [(8.0, -4.0 + 1.3 * t), (2.0 + 1.2 * off, 5.0)]
    return np.array(places), np.array([(0.0, 1.3), (1.2 if off else 0.0, 0.0)])


def assert_equal_tracks(a, b):
    assert len(a) == len(b)
    a, b = a.where(np.argsort(a.state[:, 0])), b.where(np.argsort(b.state[:, 0]))
    for name in (*FIELDS, "standing_for_s", "stood_ago_s"):
        np.testing.assert_allclose(getattr(a, name), getattr(b, name), rtol=0, atol=1e-9, err_msg=name)


def test_somebody_who_walks_across_is_confirmed_and_followed():
    now_s, tracks = list(play(Tracker(TUNING), two_walkers, straight_drive(0.5), 3.0))[-1]
    first = np.argmin(np.hypot(*(tracks.state[:, :2] - two_walkers(now_s)[0][0]).T))
    assert tracks.stage[first] == Stage.CONFIRMED
    assert np.hypot(*(tracks.state[first, :2] - two_walkers(now_s)[0][0])) < 0.15
    assert np.hypot(*(tracks.state[first, 2:] - [0.0, 1.3])) < 0.35


def hold_back(seed, until):
    """A delay of up to five cycles for one scan in two, none from cycle `until` on; each arrives within 0.3 s."""
    rng, waiting = np.random.default_rng(seed), []

    def reorder(due, k):
        for scan in due:
            waiting.append((k + int(rng.integers(0, 6)) * int(rng.random() < 0.5) * (k < until), scan))
        out = [scan for when, scan in waiting if when <= k]
        waiting[:] = [(when, scan) for when, scan in waiting if when > k]
        rng.shuffle(out)
        return out

    return reorder


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_scans_in_any_order_within_the_time_kept_give_what_they_give_in_order(seed):
    still = [(3.0 + 0.3 * k, -2.5) for k in range(12)]
    drive, late, punctual = straight_drive(0.8, 0.1), Tracker(TUNING), Tracker(TUNING)
    *_, (_, last_in_order) = play(punctual, two_walkers, drive, 4.0, still_xy=still)
    *_, (_, last_shuffled) = play(late, two_walkers, drive, 4.0, still_xy=still, reorder=hold_back(seed, until=74))
    assert sum(late.dropped.values()) == 0
    assert_equal_tracks(last_in_order, last_shuffled)


def test_scans_that_cannot_be_used_are_counted_by_reason():
    tracker = Tracker(TUNING)
    empty = np.zeros(0)

    def scan(radar, taken_s):
        return Scan(radar, taken_s, taken_s, empty, empty, empty, empty)

    tracker.step([scan("front_left", 0.9)], Ego(1.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0))
    tracker.step(
        [scan("front_left", 0.9), scan("front_left", 0.7), scan("rear_left", 2.0), scan("roof", 1.0)],
        Ego(1.05, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0),
    )
    assert tracker.dropped == {"late": 1, "repeated": 1, "future": 1, "unknown": 1, "stuck": 0}


def test_time_that_does_not_grow_is_refused():
    tracker = Tracker(TUNING)
    tracker.step([], Ego(1.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0))
    with pytest.raises(InputError, match=r"^ego.time_s must grow, got 1.0 after 1.0$"):
        tracker.step([], Ego(1.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0))


def test_five_thousand_returns_at_once_are_worked_in():
    rng = np.random.default_rng(5)
    scan = Scan(
        "front_left",
        0.0,
        0.0,
        rng.uniform(1, 25, 5000),
        rng.uniform(-1.3, 1.3, 5000),
        rng.normal(size=5000),
        np.full(5000, 15.0),
    )
    tracks = Tracker(TUNING).step([scan], Ego(0.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0))
    assert len(tracks) == 0  # nothing is believed of one scan


def test_a_restored_tracker_goes_on_as_if_nothing_had_been_between():
    drive, one, other = straight_drive(0.8, 0.1), Tracker(TUNING), None
    scans_seen, saved = [], None
    for now_s, _ in play(one, two_walkers, drive, 2.0, reorder=lambda due, k: scans_seen.append(due) or due):
        if saved is None and now_s > 0.99:
            saved, at = one.checkpoint(), len(scans_seen)
    other = Tracker(TUNING)
    other.restore(saved)
    for k in range(at, len(scans_seen)):
        tracks = other.step(scans_seen[k], drive(k * 0.05))
    final = one._tracks_now()
    assert_equal_tracks(tracks, final)
    np.testing.assert_array_equal(tracks.ids, final.ids)


def test_a_radar_that_repeats_itself_while_the_vehicle_moves_feeds_no_track():
    tracker, n = Tracker(TUNING), 12
    taken = [0.05 * k for k in range(n)]
    for t in taken:
        scan = Scan("front_left", t, t, [8.0], [0.2], [-1.5], [25.0])  # the same returns, bit for bit
        tracker.step([scan], Ego(t + 0.01, Pose(1.0 * t, 0.0, 0.0), 1.0, 0.0, 0.0))
    assert tracker.dropped["stuck"] == n - 1
    assert len(tracker.bank.life) <= 1


def test_people_behind_one_another_in_a_crowd_are_tracked():
    kit, distances = KitTracker(), []
    for now_s, scans, places in cycles(60, 3.0):
        distance = gospa(places, kit.step(now_s, scans), cutoff_m=1.0).total_m
        if now_s >= 2.0:
            distances.append(distance)
    assert np.mean(distances) < 0.71  # one of 60 missed all the time is sqrt(1 / 2) m


@pytest.mark.parametrize("said", [Health.BLIND, Health.DEGRADED, Health.OK])
def test_the_silence_of_a_radar_that_does_not_see_well_ends_no_track(said):
    def now(t):
        return np.array([(8.0, -4.0 + 1.3 * min(t, 2.0))]), np.array([(0.0, 1.3 if t < 2.0 else 0.0)])

    left, heard = {}, {}
    for name, silent in (("blind", True), ("gone", False)):
        tracker = Tracker(TUNING)
        now_s, _ = list(play(tracker, now, straight_drive(), 2.0))[-1]
        for k in range(1, 41):
            t = now_s + 0.05 * k
            scans = [Scan(radar, t - 0.03, t, [], [], [], [], said) for radar in RADARS] if silent else []
            tracks = tracker.step(scans, straight_drive()(t))
        left[name], heard[name] = len(tracks), tracks.existence.max(initial=0.0)
    assert left["gone"] == 1  # with no scan at all they are waited for
    assert (left["blind"] == 1) == (said != Health.OK)
    assert heard["blind"] < 0.5 or said != Health.OK


def test_scans_that_have_thinned_out_speak_against_nobody():
    wall = np.stack([np.full(40, 12.0), np.linspace(-6.0, 6.0, 40)], axis=1)
    here, rng, left = straight_drive(), np.random.default_rng(4), {}
    for name in ("wall and nobody", "nothing"):
        tracker = Tracker(TUNING)
        for k in range(80):
            t = 0.05 * k
            gone = t > 2.5
            person = np.zeros((0, 2)) if gone else np.array([(8.0, -2.0 + 1.3 * t)])
            still = np.zeros((0, 2)) if gone and name == "nothing" else wall
            scans = [
                scan_of(radar, t, here(t), person, np.tile((0.0, 1.3), (len(person), 1)), rng, still_xy=still)
                for radar in RADARS
            ]
            tracks = tracker.step(scans, here(t + 0.03))
        near = np.hypot(*(tracks.state[:, :2] - [8.0, 3.1]).T) < 1.0
        left[name] = tracks.existence[near].max(initial=0.0)
    assert left["wall and nobody"] < 0.4
    assert left["nothing"] > 0.9
