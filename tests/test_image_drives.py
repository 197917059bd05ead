"""Drives past images of people in smooth walls: they are reported, and stop nothing."""

import numpy as np
import pytest

from avoidkit import Scene, drive
from avoidkit.scene import standing
from avoidkit.views.figures import returns_in_scene

LEFT_M, ACROSS_M = 3.6, 27.0  # faces of the walls: along the way, and beyond its end


def court():
    """A way of 20 m along one smooth wall and up to another; a guest stands clear of the way, 2 m from the outline."""
    return Scene(
        name="court",
        duration_s=24.0,
        path={"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]},
        walls=[{"corners_m": [(-8.0, LEFT_M), (ACROSS_M, LEFT_M), (ACROSS_M, -8.0)]}],
        people=[standing("guest", 14.0, 3.0)],
    )


def seen_behind_walls(recording, tuning):
    """Returns of a drive that lie at least a metre behind a wall's face, where nothing is."""
    count = 0
    for row in recording.rows:
        xy = np.asarray(returns_in_scene(row.scans, tuning, row.ego.pose)).reshape(-1, 2)
        count += int(np.count_nonzero((xy[:, 1] > LEFT_M + 1.0) | (xy[:, 0] > ACROSS_M + 1.0)))
    return count


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_images_of_somebody_behind_walls_are_reported_and_stop_nothing(seed, tuning):
    with_images = drive(court(), tuning, seed=seed)
    without = drive(court(), tuning.replace({"radar.ghosts": False}), seed=seed)
    assert seen_behind_walls(with_images, tuning) > seen_behind_walls(without, tuning) + 20  # false returns beside them
    for recording in (with_images, without):
        summary = recording.summary()
        assert summary["reached_end"]
        assert summary["stops"] == []
