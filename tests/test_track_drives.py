"""The tracker on the simulated radars and on open recordings: few drives here, many in the long studies."""

import math
import re

import numpy as np
import pytest

from avoidkit import Scene, load_scene, shipped
from avoidkit.frames import Pose
from avoidkit.scene import standing, walking
from avoidkit.sensing.records import Scan
from avoidkit.tracking import Stage, Tracker
from avoidkit.tracking.diagnostics import (
    diagnose,
    errors_over_time,
    held_share,
    identity_switches,
    pairs_over_time,
    rms,
    tracked_share,
)
from avoidkit.vehicle import Ego
from tests.evidence.studies import kept_identities
from tests.tracked_drives import driven, first_that_fits, tracked, walkers_yard

BELIEVED = (Stage.CONFIRMED, Stage.COASTING)


def open_court(people, duration_s=10.0, **things):
    """A straight way of 20 m and these people and things."""
    path = {"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]}
    return Scene(name="court", duration_s=duration_s, path=path, people=people, **things)


def believed_ids(tracks):
    return {int(number) for now in tracks for number in now.where(np.isin(now.stage, BELIEVED)).ids}


def test_two_who_cross_keep_their_tracks(tuning):
    people = [walking("a", [(0, 2.0, 3.2), (9, 13.7, 3.2)]), walking("b", [(0, 13.7, 4.0), (9, 2.0, 4.0)])]
    scene = open_court(people, 8.0)
    truths, tracks = tracked(driven(scene, tuning, 5, speed_mps=0.3), tuning)
    pairs = pairs_over_time(truths, tracks)
    assert identity_switches(pairs, tracks) == {"a": 0, "b": 0}
    assert min(tracked_share(truths, pairs).values()) >= 0.97


def test_somebody_who_has_stood_from_the_start_is_a_possible_person_until_they_walk(tuning):
    scene = open_court([walking("guest", [(0.0, 7.0, 2.5), (5.0, 7.0, 2.5), (8.0, 7.0, 6.5)])], 8.0)
    truths, tracks = tracked(driven(scene, tuning, 2, speed_mps=0.3), tuning)
    early, late = tracks[80], tracks[-1]
    assert early.stage.tolist() == [Stage.POSSIBLE]
    assert np.hypot(*(early.state[0, :2] - truths[80].xy[0])) < 0.25
    assert early.standing[0] > 0.9
    assert Stage.CONFIRMED in late.stage
    off = tuning.replace({"people.treat_small_still_as_person": False})
    _, without = tracked(driven(scene, tuning, 2, speed_mps=0.3, duration_s=4.0), off)
    assert sum(len(now) for now in without) == 0


def test_somebody_who_stops_in_the_open_stays_one_track(tuning):
    scene = open_court([walking("guest", [(0.0, 8.0, 8.0), (4.0, 8.0, 3.0), (20.0, 8.0, 3.0)])], 9.0)
    truths, tracks = tracked(driven(scene, tuning, 4, speed_mps=0.1), tuning)
    pairs = pairs_over_time(truths, tracks)
    assert identity_switches(pairs, tracks) == {"guest": 0}
    row = pairs[-1]["guest"]
    assert tracks[-1].standing[row] > 0.9
    assert tracks[-1].standing_for_s[row] > 2.0
    assert tracks[-1].stood_ago_s[row] == 0.0


def test_the_ellipse_of_somebody_who_stops_at_a_wall_holds_them(tuning):
    # Their returns are the wall's as well; taken at their word the 95 % ellipse held 3 to 66 % of places (6 seeds).
    wall = [{"corners_m": [(-4.0, -3.6), (14.0, -3.6)]}]
    walk = [(0.0, 6.0, 3.0), (1.0, 6.0, 3.0), (6.0, 6.0, -3.15), (8.0, 6.0, -3.15)]
    for seed in range(3):
        scene = open_court([walking("guest", walk)], 12.0, walls=wall)
        truths, tracks = tracked(driven(scene, tuning, seed, speed_mps=0.0), tuning)
        squared = []
        for truth, now in list(zip(truths, tracks, strict=True))[160:]:
            off = now.state[:, :2] - truth.xy[0]
            k = int(np.argmin(np.hypot(*off.T)))
            assert now.stage[k] == Stage.CONFIRMED
            squared.append(off[k] @ np.linalg.solve(now.covariance[k, :2, :2], off[k]))
        assert np.mean(np.array(squared) <= 5.991) >= 0.9  # chi-square of two, 95 %


def test_an_empty_yard_with_walls_and_parked_cars_has_no_people(tuning):
    scene = load_scene(shipped("scenes") / "park_reverse.toml").replace_people()
    _, tracks = tracked(driven(scene, tuning, 1, speed_mps=0.8, duration_s=12.0), tuning)
    assert believed_ids(tracks) == set()
    shown = [int(number) for now in tracks for number in now.ids]
    longest_s = max((shown.count(number) * 0.05 for number in set(shown)), default=0.0)
    assert longest_s < 2.5  # a corner may be somebody until its edge is made out


def walk_file(open_data):
    file = open_data / "walkers_corridor.txt"
    if not file.is_file():
        pytest.skip("walkers_corridor.txt not found in the open data")
    return file


def figures_of_walkers(file, tuning, seeds):
    """Position and velocity errors, covariances, shares and switches of drives among recorded walkers."""
    from scipy.signal import butter, sosfiltfilt

    low_pass = butter(2, 0.5 / (0.5 / tuning.cycle_s), output="sos")
    position, velocity, covariance, shares, switches, minutes = [], [], [], [], 0, 0.0
    for seed in seeds:
        scene = first_that_fits(lambda k: walkers_yard(file, k), range(100 * seed, 100 * seed + 100))
        truths, tracks = tracked(driven(scene, tuning, seed), tuning, edges=scene.edges)
        smooth = sosfiltfilt(low_pass, np.array([t.velocity for t in truths]), axis=0)
        pairs = pairs_over_time(truths, tracks)
        errors = errors_over_time(truths, tracks, pairs)
        index = {round(t.time_s, 3): k for k, t in enumerate(truths)}
        rows = [(index[round(t, 3)], truths[0].names.index(n)) for t, n in zip(errors.time_s, errors.name, strict=True)]
        raw = np.array([truths[k].velocity[i] - smooth[k, i] for k, i in rows]).reshape(-1, 2)
        position.append(errors.position_m)
        velocity.append(errors.velocity_mps + raw)
        covariance.append(errors.covariance)
        shares += [share for share in tracked_share(truths, pairs).values() if math.isfinite(share)]
        switches += sum(identity_switches(pairs, tracks).values())
        minutes += scene.duration_s / 60
    return np.concatenate(position), np.concatenate(velocity), np.concatenate(covariance), shares, switches / minutes


def test_recorded_walkers_are_tracked_and_their_ellipses_hold_them(open_data, tuning, monkeypatch):
    file = walk_file(open_data)
    monkeypatch.setenv("AVOIDKIT_OPEN_DATA", str(open_data))
    position, velocity, covariance, shares, _ = figures_of_walkers(file, tuning, [1, 2, 3])  # of all drives together
    assert min(shares) >= 0.97
    assert rms(position) <= 0.25
    assert rms(velocity) <= 0.35
    assert held_share(position, covariance[:, :2, :2]) >= 0.90


@pytest.mark.slow
def test_recorded_walkers_over_more_drives(open_data, tuning, monkeypatch):
    file = walk_file(open_data)
    monkeypatch.setenv("AVOIDKIT_OPEN_DATA", str(open_data))
    position, velocity, covariance, shares, _ = figures_of_walkers(file, tuning, range(2, 8))
    assert np.mean(shares) >= 0.97
    assert rms(position) <= 0.25
    assert rms(velocity) <= 0.35
    assert 0.90 <= held_share(position, covariance[:, :2, :2]) <= 0.99


def radar_frames(file):
    """(time, rows of range, azimuth, range rate, dB) of each frame of an open recording; broken blocks are skipped."""
    frames = []
    for block in file.read_text(encoding="utf-8", errors="replace").split("---"):
        found = dict(re.findall(r"(\w+):\s*(-?[\d.eE+]+)\s*$", block, re.M))
        if not {"point_id", "range", "bearing", "velocity", "intensity", "secs", "nsecs"} <= set(found):
            continue
        row = [float(found[key]) for key in ("range", "bearing", "velocity", "intensity")]
        row[1] = math.radians(row[1])
        if int(found["point_id"]) == 0 or not frames:
            frames.append((int(found["secs"]) + 1e-9 * int(found["nsecs"]), []))
        if row[0] > 0.3:  # returns of the radar's own cover
            frames[-1][1].append(row)
    return frames


def test_one_walker_of_an_open_radar_recording_is_one_track_most_of_the_time(open_data, tuning):
    file = open_data / "radar_walk.txt"
    if not file.is_file():
        pytest.skip("radar_walk.txt not found in the open data")
    frames = radar_frames(file)
    start_s = frames[0][0]
    sensor = {  # of the recording's sensor: resolution and place; nothing of the tracker is changed
        "radar.mounts.front_left.x_m": 0.0,
        "radar.mounts.front_left.y_m": 0.0,
        "radar.mounts.front_left.yaw_deg": 0.0,
        "radar.range_cell_m": 0.0436,
        "radar.coherent_s": 0.0039 / 2 / 0.615,
        "radar.range_rate_floor_mps": 0.18,
        "radar.azimuth_cell_deg": 15.0,
        "radar.cycle_s": 0.033,
    }
    tracker, tracks, queue, places = Tracker(tuning.replace(sensor)), [], list(frames), []
    tracker.open_to = {name: np.abs(np.arange(-180, 181)) < 80 for name in tracker.open_to}
    for k in range(round((frames[-1][0] - start_s) / 0.05) + 2):
        scans = []
        while queue and queue[0][0] - start_s <= 0.05 * k:
            taken_s, rows = queue.pop(0)
            columns = np.array(rows, dtype=float).reshape(-1, 4).T
            scans.append(Scan("front_left", taken_s - start_s, taken_s - start_s, *columns))
            moving = columns[:, np.abs(columns[2]) > 0.1]
            if moving.size:
                r, azimuth = np.median(moving[:2], axis=1)
                places.append((k, (r + 0.1) * math.cos(azimuth), (r + 0.1) * math.sin(azimuth)))
        tracks.append(tracker.step(scans, Ego(0.05 * k, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0)))
    followed = []
    for k, x, y in places:
        now = tracks[k].where(np.isin(tracks[k].stage, BELIEVED))
        away = np.hypot(now.state[:, 0] - x, now.state[:, 1] - y)
        followed.append(int(now.ids[np.argmin(away)]) if len(now) and away.min() < 1.0 else 0)
    first = next(k for k, number in enumerate(followed) if number)
    assert np.mean([number > 0 for number in followed[first:]]) >= 0.9
    most = sorted({n: followed.count(n) for n in set(followed) - {0}}.items(), key=lambda item: -item[1])
    assert sum(count for _, count in most[:2]) >= 0.9 * sum(count for _, count in most)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["nobody_there", "trolley_by_wall", "lane_6m", "open_yard", "guest_steps_out"])
def test_yards_without_people_breed_none(name, tuning):
    scene = load_scene(shipped("scenes") / f"{name}.toml").replace_people()
    _, tracks = tracked(driven(scene, tuning, 3, speed_mps=0.8, duration_s=25.0), tuning)
    assert believed_ids(tracks) == set()


def test_figures_of_a_drive_come_in_one_call(tuning):
    scene = open_court([walking("guest", [(0.0, 7.0, 5.0), (6.0, 7.0, -2.0)]), standing("other", 12.0, 6.0)], 4.0)
    truths, tracks = tracked(driven(scene, tuning, 1, speed_mps=0.2), tuning)
    figures = diagnose(truths, tracks)
    assert figures["position_rms_m"] < 0.25
    assert figures["time_to_confirm_s"] <= 0.3
    assert set(figures) >= {"gospa_m", "ospa_m", "missed_mean", "false_mean", "switches_per_minute", "nees_position"}


@pytest.mark.slow
@pytest.mark.parametrize("seed", [26, 63])
def test_somebody_who_stops_by_a_wall_is_held_by_a_track_or_by_cells_in_every_cycle(seed):
    # Two of the eight seeds, of 100 in `kept_identities`, in which the returns of who walked off again were taken for
    # the track that had stayed at the wall, so that for one to three cycles nothing held them.
    row = kept_identities.run({"case": "stop_by_a_wall", "seed": seed})
    assert (row["unheld_cycles"], row["freed_cycles"]) == (0, 0)
