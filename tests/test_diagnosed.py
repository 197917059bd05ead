"""How good the tracks of a recorded drive are: truth out of the recording, figures over time, picture, command line."""

import os

import matplotlib.pyplot as plt
import numpy as np
import pytest

from avoidkit import Scene, drive, save_scene
from avoidkit.checks import InputError
from avoidkit.cli import main
from avoidkit.scene import standing, walking
from avoidkit.studies.diagnosed import LAGS, diagnosis_lines, diagnosis_of, switch_times
from avoidkit.studies.exact import ExactLoop
from avoidkit.studies.innovations import innovations_of, pooled_whiteness
from avoidkit.studies.tracked import SETTLED_S, countable, seen_by, truths_of
from avoidkit.tracking import filters
from avoidkit.tracking.diagnostics import chi_square_band, gospa, whiteness
from avoidkit.tracking.records import Stage, exact_tracks
from avoidkit.vehicle import Ego
from avoidkit.views import diagnosis_png, show_diagnosis

PATH = {"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]}


def court(people, **things):
    return Scene(name="court", duration_s=6.0, path=PATH, people=people, **things)


@pytest.fixture(scope="module")
def recording(tuning):
    """A guest walks about in an open court before a vehicle that nobody lets go."""
    guest = walking("Ottilie", [(0.0, 6.5, 3.8), (6.0, 6.0, -3.5)])
    return drive(court([guest, standing("Jakob", -20.0, 15.0)]), tuning, seed=3, duration_s=5.0)


@pytest.fixture(scope="module")
def found(recording):
    return diagnosis_of(recording)


# ---- who counts ----


def test_somebody_counts_only_after_a_second_in_view_and_only_nearby(recording):
    truths = truths_of(recording)
    first = next(truth.time_s for truth in truths if truth.counts[0])
    assert first == pytest.approx(SETTLED_S, abs=0.05)
    assert not any(truth.counts[1] for truth in truths)  # Jakob is 25 m away
    assert len(truths) == len(recording)


def people_of(scene, tuning, now_s=0.0):
    from avoidkit.scene import people_at

    ego = Ego(now_s, scene.start_pose, 0.0, 0.0, 0.0)
    return people_at(scene, now_s), ego


def test_who_is_behind_a_wall_or_behind_somebody_or_too_near_to_somebody_does_not_count(tuning):
    alone, ego = people_of(court([standing("a", 6.0, 4.0)]), tuning)
    assert countable(alone, ego, tuning).tolist() == [True]
    walled = court([standing("a", 6.0, 4.0)], walls=[{"name": "wall", "corners_m": [(-2.0, 2.5), (12.0, 2.5)]}])
    assert countable(alone, ego, tuning, edges=walled.edges).tolist() == [False]
    mount = tuning.radar.mounts.front_left
    near, far = ((mount.x_m + r, mount.y_m + 0.5 * r) for r in (3.0, 5.0))  # one ray of this radar
    lined_up, ego = people_of(court([standing("near", *near), standing("far", *far)]), tuning)
    assert seen_by(lined_up, ego, mount, tuning).tolist() == [True, False]
    beside, ego = people_of(court([standing("a", 7.0, 0.0), standing("b", 7.0, 0.4)]), tuning)
    assert countable(beside, ego, tuning).tolist() == [False, False]
    assert countable(alone, ego, tuning, within_m=5.0).tolist() == [False]


# ---- innovations ----


def test_a_filter_whose_noise_is_matched_has_nis_in_its_band_and_white_innovations(tuning, monkeypatch):
    """Measurements drawn by the model itself: a walker in place of which the filter's own noise is drawn."""
    from avoidkit.studies.innovations import Listening
    from avoidkit.tracking.association import gate
    from avoidkit.tracking.bank import LIFE, Bank
    from avoidkit.tracking.cluster import Clusters
    from avoidkit.tracking.engines import CompiledFilter
    from avoidkit.tracking.settings import LIMB_SHARE, MODE_TRUST, SWAY_MPS, settings_of

    rng, settings = np.random.default_rng(5), settings_of(tuning, gate(0.99, 3))
    settings[LIMB_SHARE], settings[MODE_TRUST], settings[SWAY_MPS] = 1e-9, 0.0, 0.2
    R = np.array([0.05, 0.02, 0.1]) ** 2
    listener = Listening(CompiledFilter())
    P = np.diag([0.04, 0.04, 0.09, 0.09])
    truth = np.array([6.0, 1.0, 0.3, 0.8])
    start = truth + rng.multivariate_normal(np.zeros(4), P)
    life = np.zeros((1, LIFE))
    bank = Bank(0.0, np.tile(start, (1, 2, 1)), np.tile(P, (1, 2, 1, 1)), np.array([[1e-6, 1 - 1e-6]]), life)
    walk = settings.copy()
    from avoidkit.tracking.settings import ACCEL_PSD, START_PER_S, STOP_PER_S

    settings[STOP_PER_S] = settings[START_PER_S] = walk[STOP_PER_S] = walk[START_PER_S] = 0.0
    f, q = filters.walking_step(0.05, settings[ACCEL_PSD])
    F, Q = filters.spread_to_plane(f), filters.spread_to_plane(q)
    for k in range(1, 600):
        truth = F @ truth + rng.multivariate_normal(np.zeros(4), Q)
        listener.advance(bank, 0.05 * k, settings)
        z, _ = filters.expected(truth, np.array([-3.0, 0.0, 0.0]))
        z = (z + np.sqrt(R) * rng.standard_normal(3))[None]
        none = np.zeros(1)
        clusters = Clusters(
            np.array([-3.0, 0.0, 0.0]), z, np.tile(R, (1, 2, 1)), truth[None, :2], none, none, none, none, none,
            np.zeros((0, 2)), none, none,
        )  # fmt: skip
        listener.update(bank, np.array([0]), clusters, settings)
    rows = np.array([row for notes in listener.notes.values() for row in notes])
    low, high = chi_square_band(len(rows), 3, level=0.99)
    assert low < rows[:, 2].mean() < high
    correlation, bound = whiteness(rows[:, 3], lags=20)
    assert np.mean(np.abs(correlation) < bound) >= 0.85


def test_listening_to_the_filter_changes_no_track(recording):
    from avoidkit.studies.innovations import Listening
    from avoidkit.tracking import Tracker

    tracker = Tracker(recording.tuning)
    tracker.filter = Listening(tracker.filter)
    for row in recording.rows:
        now = tracker.step(row.scans, row.ego)
        np.testing.assert_array_equal(now.state, row.tracks.state)
        np.testing.assert_array_equal(now.ids, row.tracks.ids)


def test_white_parts_square_to_the_normalised_innovation_and_come_in_order(recording):
    told = innovations_of(recording)
    np.testing.assert_allclose((told.white**2).sum(axis=1), told.nis, rtol=1e-9)
    assert (np.diff(told.taken_s) >= 0).all()
    assert set(np.unique(told.track)) - {0} <= {int(n) for row in recording.rows for n in row.tracks.ids}


def test_pooled_whiteness_of_one_series_is_its_whiteness_and_does_not_join_two():
    rng = np.random.default_rng(4)
    one = rng.standard_normal(300)
    both, alone = pooled_whiteness([one], 8), whiteness(one, 8)
    np.testing.assert_allclose(both[0], alone[0])
    assert both[1] == pytest.approx(alone[1])
    ends = [np.r_[np.zeros(50), 5.0], np.r_[5.0, np.zeros(50)]]  # joined they would show +0.5 at lag 1
    assert pooled_whiteness(ends, 1)[0] == pytest.approx([0.0])
    assert np.isnan(pooled_whiteness([], 3)[0]).all()
    with pytest.raises(InputError, match=r"^lags must be at least 1, got 0$"):
        pooled_whiteness([one], 0)


# ---- all figures of a drive ----


def test_a_walker_in_an_open_court_is_tracked_well_and_every_figure_is_there(found, recording):
    s = found.summary
    assert s["people"] == 1
    assert s["tracked_share"] > 0.97
    assert s["position_rms_m"] < 0.25
    assert s["velocity_rms_mps"] < 0.6
    assert len(found.nees) == len(found.errors) == s["instants"]
    assert found.whiteness.shape == (3, LAGS)
    assert 0 < s["nis"] < 6
    assert s["possible_share"] >= s["tracked_share"]
    assert len(found.times_s) == len(found.gospa_m) == len(recording)


def test_parts_of_gospa_add_up_to_its_square(found):
    np.testing.assert_allclose(found.gospa_parts.sum(axis=1), found.gospa_m**2, atol=1e-12)
    worked = gospa([(0.0, 0.0), (5.0, 0.0)], [(0.3, 0.4)], cutoff_m=1.0, order=2.0)
    assert (worked.localisation, worked.missed) == pytest.approx((0.25, 0.5))  # by hand: 0.5^2 and half of 1^2


def test_switches_are_told_with_their_times_and_gaps_do_not_count():
    steps = [exact_tracks(0.05 * k, [(0, 0), (5, 0)], [(0, 0), (0, 0)]) for k in range(5)]
    pairs = [{"a": 0, "b": 1}, {"b": 1}, {"a": 0, "b": 1}, {"a": 1, "b": 0}, {"a": 1}]
    assert switch_times(pairs, steps) == {"a": [pytest.approx(0.15)], "b": [pytest.approx(0.15)]}


def test_each_figure_has_its_line(found):
    text = "\n".join(diagnosis_lines(found))
    for word in ("NIS", "NEES", "innovations", "OSPA", "GOSPA", "missed", "false", "switches", "confirmed", "m/s RMS"):
        assert word in text


def test_a_drive_by_exact_knowledge_has_no_scans_and_says_so(tuning):
    scene = court([walking("Ottilie", [(0.0, 7.0, 5.0), (6.0, 6.0, -3.0)])])
    found = diagnosis_of(drive(scene, tuning, seed=0, duration_s=2.0, loop=ExactLoop))
    assert "NIS          no scans were recorded" in diagnosis_lines(found)
    assert found.summary["position_rms_m"] == pytest.approx(0.0, abs=1e-9)
    diagnosis_png(found, dpi=20)


def test_a_yard_without_people_is_nothing_to_judge(tuning):
    found = diagnosis_of(drive(court([]), tuning, seed=0, duration_s=0.5))
    assert diagnosis_lines(found) == [
        "tracks       nobody ever counts: near, in view and apart for a second; nothing to judge"
    ]
    assert diagnosis_png(found, dpi=20).startswith(b"\x89PNG")


# ---- the picture ----


def test_every_panel_has_a_title_and_units(found):
    figure = plt.figure(figsize=(17, 20))
    axes = show_diagnosis(figure, found)
    titles = [ax.get_title(loc="left") for ax in axes]
    assert len(titles) == 9
    assert all(titles)
    for ax in axes[:6]:
        assert ax.get_xlabel() == "time (s)"
        assert "(" in ax.get_ylabel()
    plt.close(figure)


def test_a_possible_person_is_drawn_pale_and_a_switch_as_a_tick(found):
    from dataclasses import replace

    from avoidkit.views.diagnosed import draw_identities

    changed = [now.where(slice(None)) for now in found.tracks]
    for k, now in enumerate(changed):
        now.ids.setflags(write=True)
        now.stage[:] = Stage.POSSIBLE if k < 60 else Stage.CONFIRMED
    figure, ax = plt.subplots()
    artists = draw_identities(ax, replace(found, tracks=changed, switches={"Ottilie": [3.0]}))
    alphas = {a.get_alpha() for a in artists if hasattr(a, "get_width")}
    assert alphas == {0.4, 1.0}
    assert any(getattr(a, "get_linewidth", lambda: 0)() == 3.5 for a in artists)
    plt.close(figure)


# ---- the command line ----


def test_the_command_line_says_and_draws_how_good_the_tracks_are(tmp_path, capsys):
    picture = tmp_path / "tracks.png"
    guest = walking("Ottilie", [(0.0, 7.0, 5.0), (6.0, 6.0, -3.0)])
    save_scene(court([guest]), tmp_path / "court.toml")
    command = ["drive", str(tmp_path / "court.toml"), "--duration", "2", "--quiet", "--diagnose"]
    assert main([*command, str(picture)]) == 0
    out = capsys.readouterr().out
    assert "GOSPA" in out
    assert f"picture      {picture}" in out
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert main([*command, str(picture)]) == 2
    assert capsys.readouterr().err.startswith(f"avoidkit drive: {picture}: is there already")
    assert sorted(os.listdir(tmp_path)) == ["court.toml", "tracks.png"]


@pytest.mark.parametrize(
    ("name", "message"),
    [
        ("tracks.jpg", "tracks.jpg: --diagnose draws a PNG, so its name must end with .png"),
        ("nowhere/tracks.png", "nowhere/tracks.png: there is no folder nowhere"),
    ],
)
def test_a_picture_that_cannot_be_is_refused_before_anything_is_driven(name, message, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["drive", "guest_stands_room", "--diagnose", name]) == 2
    assert capsys.readouterr().err == f"avoidkit drive: {message}\n"
