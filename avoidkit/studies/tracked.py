"""Who is to be tracked: the truth of a drive, with who is near, in view and apart from others at each instant.

A tracker is judged by the people whom its radars can tell apart. Who counts: within a distance of the rear axle, in the
field of view of some radar, at least half the body width unhidden, more than 1.2 resolution cells from anybody else in
range, azimuth or range rate, and all that for a second.
"""

import math

import numpy as np

from avoidkit.frames import Pose, compose, to_local
from avoidkit.sensing.radar import behind_own_body
from avoidkit.tracking.diagnostics import Truth

APART = 1.2  # resolution cells between two people in range, azimuth or range rate, for each to count
SETTLED_S = 1.0  # somebody counts once they have been countable for so long
WITHIN_M = 8.0


class Settling:
    """Makes the `Truth` of one instant after another; remembers since when each person has been countable."""

    def __init__(self, tuning, *, within_m=WITHIN_M, edges=None):
        self._tuning, self._within_m, self._edges = tuning, within_m, edges
        self._since = {}

    def truth(self, people, ego):
        """The `Truth` of `People` at an instant; instants must come in order."""
        now_s = people.time_s
        counts = countable(people, ego, self._tuning, within_m=self._within_m, edges=self._edges)
        for name, good in zip(people.names, counts, strict=True):
            self._since[name] = self._since.get(name, now_s) if good else now_s + 1e-9
        settled = np.array([now_s - self._since[name] >= SETTLED_S for name in people.names], bool)
        return Truth(now_s, people.names, people.xy, people.velocity, counts & settled)


def truths_of(recording, *, within_m=WITHIN_M):
    """The `Truth` of each row of a recording: where the scene's people truly were, and who counts.

    Parameters
    ----------
    recording : Recording
    within_m : float
        From the rear axle, m.

    Returns
    -------
    list of Truth

    Examples
    --------
    >>> from avoidkit import Tuning, drive, load_scene, shipped
    >>> scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    >>> truths = truths_of(drive(scene, Tuning(), seed=0, duration_s=0.1))
    >>> [truth.counts.any().item() for truth in truths]  # nobody has been in view for a second yet
    [False, False, False]
    """
    settling = Settling(recording.tuning, within_m=within_m, edges=recording.scene.edges)
    return [settling.truth(row.people, row.ego) for row in recording.rows]


def countable(people, ego, tuning, *, within_m=WITHIN_M, edges=None):
    """Who is near the rear axle and seen by some radar, at least half unhidden and apart from all others, (n,) bool.

    Parameters
    ----------
    people : People
    ego : Ego
    tuning : Tuning
    within_m : float
    edges : Edges or None
        Of the scene, `scene.edges`; None: nothing hides but other people.
    """
    seen = np.zeros(len(people.xy), bool)
    for name in type(tuning.radar.mounts).model_fields:
        seen |= seen_by(people, ego, getattr(tuning.radar.mounts, name), tuning, edges)
    return seen & (np.hypot(*to_local(people.xy, ego.pose).T) <= within_m)


def seen_by(people, ego, mount, tuning, edges=None):
    """Who one radar has in its field of view, at least half unhidden, and apart from all others, (n,) bool."""
    radar = tuning.radar
    pose = compose(ego.pose, Pose(mount.x_m, mount.y_m, math.radians(mount.yaw_deg)))
    local = to_local(people.xy, pose)
    r, azimuth = np.hypot(*local.T), np.arctan2(local[:, 1], local[:, 0])
    away = (people.xy - [pose.x_m, pose.y_m]) / np.maximum(r, 1e-6)[:, None]
    rate = (people.velocity * away).sum(axis=1)
    seen = (np.abs(azimuth) < math.radians(radar.field_of_view_deg / 2 - 2)) & (r > radar.range_min_m + 0.3)
    seen &= ~behind_own_body(mount, tuning.vehicle, azimuth)
    cells = (radar.range_cell_m, math.radians(radar.azimuth_cell_deg), radar.wavelength_m / (2 * radar.coherent_s))
    measures = np.stack([r, azimuth, rate], axis=1) / cells
    for i in np.flatnonzero(seen):
        aside_m = np.abs(_aside(people.xy, pose, away[i]))
        others = np.arange(len(r)) != i
        apart = (np.abs(measures - measures[i]) > APART).any(axis=1)
        covered = (r < r[i]) & (aside_m < radar.occluding_radius_m)
        seen[i] = bool((apart & ~covered)[others].all())
        seen[i] &= edges is None or not crossed(edges, (pose.x_m, pose.y_m), people.xy[i])
    return seen


def _aside(xy, pose, way):
    """How far (n, 2) points lie beside the ray from a pose along a unit vector, m, signed."""
    dx, dy = (xy - [pose.x_m, pose.y_m]).T
    return way[0] * dy - way[1] * dx


def crossed(edges, a, b):
    """Whether the line of sight from a to b is cut by an edge that hides."""
    x = np.asarray(edges.xy)[np.asarray(edges.hides)]
    if not len(x):
        return False
    d, e = np.asarray(b) - a, x[:, 2:] - x[:, :2]
    w = x[:, :2] - a
    den = d[0] * e[:, 1] - d[1] * e[:, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (w[:, 0] * e[:, 1] - w[:, 1] * e[:, 0]) / den
        u = (w[:, 0] * d[1] - w[:, 1] * d[0]) / den
    return bool(np.any((t > 0) & (t < 1) & (u >= 0) & (u <= 1)))
