"""Another tracker on recorded scans, and the plain one to compare with."""

import numpy as np
import pytest

from avoidkit import Scene, Tracker, drive
from avoidkit.scene import walking
from avoidkit.studies.retracked import FIGURES, PlainTracker, compare_trackers, retracked
from avoidkit.tracking.records import Stage, Tracks


@pytest.fixture(scope="module")
def recording(tuning):
    path = {"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]}
    guest = walking("Ottilie", [(0.0, 6.5, 3.8), (6.0, 6.0, -3.5)])
    return drive(Scene(name="court", path=path, people=[guest]), tuning, seed=3, duration_s=4.0)


def test_the_kits_own_tracker_gives_again_what_was_recorded(recording):
    for row, now in zip(recording.rows, retracked(recording), strict=True):
        np.testing.assert_array_equal(now.state, row.tracks.state)
        np.testing.assert_array_equal(now.stage, row.tracks.stage)


def test_the_plain_tracker_follows_a_walker_in_an_open_court(recording):
    tracks = retracked(recording, PlainTracker)
    last, people = tracks[-1], recording.rows[-1].people
    assert all(isinstance(now, Tracks) for now in tracks)
    believed = last.where(last.stage == Stage.CONFIRMED)
    assert np.linalg.norm(believed.state[:, :2] - people.xy[0], axis=1).min() < 0.3


def test_both_are_compared_by_the_same_figures_given_as_makers_or_as_tracks(recording):
    plain = retracked(recording, PlainTracker)
    table = compare_trackers(recording, {"kit": Tracker, "made": PlainTracker, "given": plain})
    assert table.columns.tolist() == list(FIGURES)
    assert table.loc["made"].equals(table.loc["given"])
    assert table.loc["kit", "false_mean"] <= table.loc["made", "false_mean"]
    assert table.loc["kit", "position_rms_m"] < 0.25
