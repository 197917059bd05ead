"""Somebody seen entering a blind wedge is kept there until they or the place are seen again."""

from dataclasses import replace

import numpy as np
import pytest

from avoidkit.frames import Pose
from avoidkit.tracking.records import Stage, exact_tracks, no_tracks
from avoidkit.tracking.wedge import WedgeKeeper
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego

TUNING = Tuning()
HERE = Pose(0.0, 0.0, 0.0)


def ego(t, pose=HERE):
    return Ego(t, pose, 0.0, 0.0, 0.0)


def walked_in():
    """A keeper that saw somebody walk towards the middle of the left flank, and lost them at y = 2.0 m."""
    keeper = WedgeKeeper(TUNING)
    for k in range(20):
        t = 0.05 * k
        keeper.step(exact_tracks(t, [[1.45, 2.95 - t]], [[0.0, -1.0]]), ego(t))
    return keeper, t


def test_the_middle_of_the_flank_is_blind_and_the_corners_are_not():
    keeper = WedgeKeeper(TUNING)
    points = [[1.45, 1.5], [1.45, -1.5], [1.45, 3.6], [4.2, 1.2], [-1.2, 1.2], [1.45, 9.0]]
    assert keeper.blind(points, HERE).tolist() == [True, True, False, False, False, False]


def test_the_depth_of_the_wedge_is_that_of_two_lines_from_the_mounts():
    # Mounts at y 0.85 m, 4.60 m apart, looking 50 degrees outwards with half a view of 80: the inner limits lie 40
    # degrees behind the perpendicular, so they meet 2.30 / tan 40 = 2.741 m out: at y = 3.591 m.
    keeper = WedgeKeeper(TUNING)
    y = np.arange(1.0, 5.0, 0.001)
    blind = keeper.blind(np.column_stack([np.full_like(y, 1.45), y]), HERE)
    assert y[blind].max() == pytest.approx(0.85 + 2.30 / np.tan(np.radians(40)), abs=0.002)


def test_before_a_bumper_the_fields_of_view_leave_a_triangle():
    # Mounts at (3.75, +-0.85) m see to 30 degrees across the middle line: 0.85 / tan 30 = 1.47 m before them,
    # at x = 5.22 m; a body of 0.35 m that reaches into it counts as well. Behind: the same, mirrored.
    keeper = WedgeKeeper(TUNING)
    points = [[4.5, 0.0], [5.5, 0.0], [5.6, 0.0], [4.7, 1.1], [4.5, 1.5], [-1.5, 0.2], [-2.8, 0.0], [1.45, 1.5]]
    assert keeper.before_bumper(points, HERE).tolist() == [True, True, False, False, False, True, False, False]
    turned = Pose(2.0, 1.0, np.pi / 2)  # ahead is now along y
    assert keeper.before_bumper([[2.0, 5.5], [6.5, 1.0]], turned).tolist() == [True, False]
    assert len(keeper.before_bumper(np.zeros((0, 2)), HERE)) == 0


def test_somebody_lost_in_the_wedge_stays_a_coasting_track_there():
    keeper, t = walked_in()
    for k in range(1, 100):
        tracks = keeper.step(no_tracks(t + 0.05 * k), ego(t + 0.05 * k))
        if 0.05 * k > 0.15:
            assert len(tracks) == 1
            assert tracks.stage[0] == Stage.COASTING
            assert np.hypot(tracks.state[0, 0] - 1.45, tracks.state[0, 1] - 2.0) < 0.7
            assert tracks.last_seen_s[0] == pytest.approx(t)


@pytest.mark.parametrize("late_s", [0.0, 0.2, 0.28])
def test_somebody_lost_in_the_wedge_is_held_however_late_the_radar_tells(late_s):
    keeper = WedgeKeeper(TUNING)
    for k in range(20):
        t = 0.05 * k
        tracks = exact_tracks(t, [[1.45, 2.95 - t]], [[0.0, -1.0]])
        keeper.step(replace(tracks, last_seen_s=tracks.last_seen_s - late_s), ego(t))
    for k in range(1, 40):
        tracks = keeper.step(no_tracks(t + 0.05 * k), ego(t + 0.05 * k))
        if 0.05 * k > 0.15:
            assert tracks.stage.tolist() == [Stage.COASTING]
            assert tracks.last_seen_s[0] == pytest.approx(t - late_s)


def test_somebody_who_stood_when_the_passing_vehicle_lost_sight_of_them_is_kept_as_possibly_there():
    keeper = WedgeKeeper(TUNING)
    for k in range(20):
        keeper.step(exact_tracks(0.05 * k, [[5.0, 2.2]], [[0.0, 0.0]]), ego(0.05 * k))
    for k in range(20, 40):
        pose = Pose(3.5, 0.0, 0.0)  # beside them now
        kept = keeper.step(no_tracks(0.05 * k), ego(0.05 * k, pose))
    assert kept.stage.tolist() == [Stage.POSSIBLE]
    assert kept.state[0, :2] == pytest.approx([5.0, 2.2])


def test_a_track_that_drifts_on_without_measurements_is_held_where_it_went_in():
    keeper, t = walked_in()
    for k in range(1, 40):
        now = t + 0.05 * k
        drifting = exact_tracks(now, [[1.45, 2.0 - 0.05 * k]], [[0.0, -1.0]], seen_ago_s=0.05 * k)
        tracks = keeper.step(drifting, ego(now))
    assert len(tracks) == 1
    assert tracks.state[0, 1] > 1.0


def unseen(keeper, t, cycles=19):
    for k in range(1, cycles + 1):
        keeper.step(no_tracks(t + 0.05 * k), ego(t + 0.05 * k))
    return t + 0.05 * cycles


def test_who_is_seen_walking_out_for_a_second_is_held_no_longer():
    keeper, t = walked_in()
    t = unseen(keeper, t)
    held = [len(walking_out(keeper, t, k)) == 2 for k in range(1, 31)]
    assert held == [True] * 19 + [False] * 11


def walking_out(keeper, t, k, name=1, **more):
    """Cycle `k` of somebody who walks out of the wedge at 1 m/s from (1.45, 3.7) m."""
    now = t + 0.05 * k
    track = exact_tracks(now, [[1.45, 3.7 + 0.05 * k]], [[0.0, 1.0]], **more)
    return keeper.step(replace(track, ids=np.array([name]), age_s=np.array([0.05 * k])), ego(now))


def test_a_gap_of_two_fifths_of_a_second_does_not_begin_the_second_anew_and_one_of_three_fifths_does():
    for gap, held in ((8, 1), (12, 2)):
        keeper, t = walked_in()
        t = unseen(keeper, t)
        for k in range(1, 26 + gap):
            unseen_s = 0.05 * (k - 10) if 10 < k <= 10 + gap else 0.0
            tracks = walking_out(keeper, t, k, seen_ago_s=unseen_s)
        assert len(tracks) == held


def test_a_new_track_that_began_beside_the_wedge_and_stays_in_sight_for_a_second_is_who_was_held():
    keeper, t = walked_in()
    t = unseen(keeper, t)
    held = [len(walking_out(keeper, t, k, name=7)) == 2 for k in range(1, 31)]
    assert held == [True] * 19 + [False] * 11


def test_false_places_that_stay_for_half_a_second_beside_the_wedge_do_not_free_who_is_in_it():
    keeper, t = walked_in()
    for k in range(1, 200):
        now, name, since = t + 0.05 * k, 100 + k // 12, k % 12
        false = exact_tracks(now, [[1.45, 3.7 + 0.05 * since]], [[0.0, 1.0]])
        false = replace(false, ids=np.array([name]), age_s=np.array([0.05 * since])) if since < 10 else no_tracks(now)
        tracks = keeper.step(false, ego(now))
        assert 1 in tracks.ids or k * 0.05 < 0.15


def test_a_track_that_began_in_the_open_does_not_free_who_is_in_the_wedge():
    keeper, t = walked_in()
    t = unseen(keeper, t)
    for k in range(1, 60):  # walks past from behind, beside the wedge
        now = t + 0.05 * k
        other = exact_tracks(now, [[-1.15 + 0.1 * k, 4.3]], [[2.0, 0.0]])  # 3.6 m from where they went in
        tracks = keeper.step(replace(other, ids=np.array([9]), age_s=np.array([0.05 * k])), ego(now))
    assert 1 in tracks.ids


def test_for_a_moment_the_own_track_of_somebody_lost_in_the_wedge_says_where_they_are_and_then_their_hold_does():
    keeper, t = walked_in()
    places = {}
    for k in range(1, 10):
        now = t + 0.05 * k
        coasting = exact_tracks(now, [[1.45, 2.0 - 0.05 * k]], [[0.0, -1.0]], seen_ago_s=0.05 * k)
        tracks = keeper.step(coasting, ego(now))
        assert len(tracks) == 1
        places[k] = (tracks.state[0, 1], tracks.state[0, 3])
    assert places[5] == (pytest.approx(1.75), -1.0)
    assert places[8] == places[9] == (pytest.approx(1.75, abs=0.1), 0.0)  # the first unseen place on their way


def test_who_is_held_is_known_less_well_with_time_as_far_as_a_third_of_a_metre():
    keeper, t = walked_in()
    sigma_m = []
    for k in range(1, 40):
        tracks = keeper.step(no_tracks(t + 0.05 * k), ego(t + 0.05 * k))
        sigma_m += [float(np.sqrt(tracks.covariance[0, 0, 0]))] if len(tracks) else []
    assert sigma_m[0] < 0.15
    assert np.all(np.diff(sigma_m) >= 0)
    assert sigma_m[-1] == pytest.approx(0.35)


def test_who_is_seen_again_after_a_fifth_of_a_second_is_held_no_longer():
    keeper, t = walked_in()
    t = unseen(keeper, t, cycles=4)
    again = keeper.step(exact_tracks(t + 0.05, [[1.45, 1.75]], [[0.0, -1.0]]), ego(t + 0.05))
    assert again.state[:, 1].tolist() == [1.75]


def test_one_stray_return_is_not_somebody_coming_out():
    keeper, t = walked_in()
    t = unseen(keeper, t)
    stray = keeper.step(exact_tracks(t + 0.05, [[1.45, 3.8]], [[0.0, 1.0]]), ego(t + 0.05))
    assert stray.state[:, 1].min() < 2.5


@pytest.mark.parametrize("speed_mps", [0.0, 0.8])
def test_a_name_that_goes_over_to_a_wall_does_not_free_who_is_in_the_wedge(speed_mps):
    # The filter's place jumps to a wall's end and stays there, whether it takes itself for walking or not.
    keeper, t = walked_in()
    t = unseen(keeper, t)
    for k in range(1, 41):
        both = keeper.step(exact_tracks(t + 0.05 * k, [[1.45, 3.8]], [[0.0, speed_mps]]), ego(t + 0.05 * k))
    assert sorted(both.state[:, 1])[0] < 2.5
    assert len(set(both.ids.tolist())) == 2  # the wall's track is listed beside them, under a number of its own


def test_a_double_that_ends_beside_somebody_in_sight_is_not_held():
    keeper = WedgeKeeper(TUNING)
    here = [[1.45, 2.95], [1.45, 3.2]]
    for k in range(20):
        keeper.step(exact_tracks(0.05 * k, here, [[0.0, -1.0]] * 2), ego(0.05 * k))
    for k in range(20, 24):
        left = keeper.step(exact_tracks(0.05 * k, here[:1], [[0.0, -1.0]]), ego(0.05 * k))
    assert len(left) == 1


def test_a_place_that_comes_into_view_and_is_empty_is_given_up():
    keeper, t = walked_in()
    for k in range(1, 20):
        keeper.step(no_tracks(t + 0.05 * k), ego(t + 0.05 * k))
    for k in range(20, 36):
        now = t + 0.05 * k
        left = keeper.step(no_tracks(now), ego(now, Pose(-6.0, 0.0, 0.0)))
    assert len(left) == 0


def test_who_walked_in_beside_the_border_is_held_though_that_border_is_then_seen_empty():
    # The rear left radar sees to 50 degrees: from (-0.85, 0.85) m the border is y = 0.85 + tan 50 (x + 0.85), 2.7 m out
    # at x = 0.70 m. Lost at 0.75 m with 1.5 m/s and held 0.3 s ahead, at 1.20 m; 0.6 m farther on that is in view.
    keeper = WedgeKeeper(TUNING)
    for k in range(20):
        t = 0.05 * k
        keeper.step(exact_tracks(t, [[0.75 - 1.5 * (0.95 - t), 2.7]], [[1.5, 0.0]]), ego(t))
    for k in range(1, 60):
        now = t + 0.05 * k
        kept = keeper.step(no_tracks(now), ego(now, Pose(0.0 if k < 6 else 0.6, 0.0, 0.0)))
    assert not keeper.blind(kept.state[:, :2], Pose(0.6, 0.0, 0.0)).any()  # empty for nearly 3 s, but they walked on
    assert kept.stage.tolist() == [Stage.COASTING]


def test_who_stood_beside_the_border_is_given_up_when_their_place_is_seen_empty():
    keeper = WedgeKeeper(TUNING)
    for k in range(20):
        keeper.step(exact_tracks(0.05 * k, [[0.75, 2.7]], [[0.0, 0.0]]), ego(0.05 * k, Pose(-0.2, 0.0, 0.0)))
    for k in range(20, 60):
        kept = keeper.step(no_tracks(0.05 * k), ego(0.05 * k, Pose(0.0, 0.0, 0.0) if k < 40 else Pose(0.2, 0.0, 0.0)))
        assert len(kept) == (k < 51) or k < 40
    assert len(kept) == 0


def test_somebody_lost_in_the_open_is_none_of_its_business():
    keeper = WedgeKeeper(TUNING)
    for k in range(20):
        keeper.step(exact_tracks(0.05 * k, [[9.0, 0.05 * k]], [[0.0, 1.0]]), ego(0.05 * k))
    assert len(keeper.step(no_tracks(1.5), ego(1.5))) == 0


def test_a_checkpoint_goes_on_alike():
    keeper, t = walked_in()
    keeper.step(no_tracks(t + 0.3), ego(t + 0.3))
    other = WedgeKeeper(TUNING)
    other.restore(keeper.checkpoint())
    one, two = (k.step(no_tracks(t + 0.35), ego(t + 0.35)) for k in (keeper, other))
    assert one.state.tolist() == two.state.tolist()
    assert one.ids.tolist() == two.ids.tolist()


def test_a_checkpoint_of_an_older_version_without_the_last_column_is_read():
    keeper, t = walked_in()
    unseen(keeper, t)
    saved = keeper.checkpoint()
    other = WedgeKeeper(TUNING)
    other.restore({**saved, "held": saved["held"][:, :12]})
    assert len(other.step(no_tracks(t + 1.0), ego(t + 1.0))) == 1


def test_a_place_that_no_radar_looks_at_is_not_seen_empty():
    for awake, left in ((np.ones(4, bool), 0), (np.zeros(4, bool), 1)):
        keeper, t = walked_in()
        for k in range(1, 60):
            now = t + 0.05 * k
            tracks = keeper.step(no_tracks(now), ego(now, HERE if k < 20 else Pose(-6.0, 0.0, 0.0)), awake)
        assert len(tracks) == left


def test_one_late_cycle_does_not_make_a_place_empty():
    keeper, t = walked_in()
    t = unseen(keeper, t)
    tracks = keeper.step(no_tracks(t + 2.0), ego(t + 2.0, Pose(-6.0, 0.0, 0.0)))
    assert len(tracks) == 1
