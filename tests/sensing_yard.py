"""Small yards for the tests of sensing: edges by hand, people by hand, a vehicle that moves evenly."""

import math
from types import SimpleNamespace

import numpy as np

from avoidkit.frames import Pose
from avoidkit.parameters import validated
from avoidkit.scene import KINDS, Edges, People, Scene
from avoidkit.sensing.corner import CornerRadar, surroundings_of
from avoidkit.sensing.equation import from_db
from avoidkit.sensing.radar import RADARS
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego, EgoHistory

STILL = Ego(0.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0)
QUIET = {
    "radar.false_alarms_per_scan": 0.0,
    "radar.interference_per_minute": 0.0,
    "radar.ghosts": False,
    "radar.jitter_s": 0.0,
}
PLAIN = QUIET | {
    "radar.glint": False,
    "radar.ground_db": -80.0,
    "radar.noise": False,
    "radar.fluctuation": False,
    "radar.limbs": False,
    "radar.front_of_body_m": 0.0,
}


def edges(*rows):
    """`Edges` from (x0, y0, x1, y1, kind, reflectivity_dbsm) rows, each a thing of its own."""
    n = len(rows)
    kind = np.array([KINDS.index(row[4]) for row in rows], dtype=int)
    return Edges(
        np.array([row[:4] for row in rows], dtype=float).reshape(n, 4),
        np.array([row[5] for row in rows], dtype=float),
        np.array([row[4] == "parked" for row in rows], dtype=bool),
        np.arange(n),
        kind,
        np.array([row[4] not in ("kerb", "fence") for row in rows], dtype=bool),
    )


def people(*rows, time_s=0.0, kind="adult", walked_m=0.0):
    """`People` from (x, y) or (x, y, vx, vy) rows."""
    full = np.array([(*row, 0.0, 0.0)[:4] for row in rows], dtype=float).reshape(-1, 4)
    n = len(full)
    no = np.zeros(n, dtype=bool)
    return People(
        time_s,
        tuple(f"guest {k}" for k in range(n)),
        full[:, :2],
        full[:, 2:],
        np.arctan2(full[:, 3], full[:, 2]),
        (kind,) * n,
        np.full(n, float(walked_m)),
        np.full(n, 1.7),
        no,
        no,
    )


def radar(changes=None, *, things=(), sensor="front_left", seed=7):
    """A `CornerRadar` and its tuning in a yard of `things` (rows as for `edges`)."""
    tuning = Tuning().replace(changes or {})
    around = surroundings_of(edges(*things), tuning.radar)
    return CornerRadar(RADARS.index(sensor), around, tuning, seed), tuning


def ahead_of(sensor, distance_m, azimuth_deg=0.0, ego=STILL):
    """The place (x, y) at a distance and azimuth from a radar's boresight, for the baseline's mounts."""
    mount = getattr(Tuning().radar.mounts, sensor)
    angle = ego.pose.yaw_rad + math.radians(mount.yaw_deg + azimuth_deg)
    cos, sin = math.cos(ego.pose.yaw_rad), math.sin(ego.pose.yaw_rad)
    x = ego.pose.x_m + cos * mount.x_m - sin * mount.y_m
    y = ego.pose.y_m + sin * mount.x_m + cos * mount.y_m
    return x + distance_m * math.cos(angle), y + distance_m * math.sin(angle)


def yard(**fields):
    """A scene with a path of 12 m and whatever else is given."""
    path = {"legs": [{"direction": "forward", "segments": [{"length_m": 12.0}]}]}
    return validated(Scene, {"name": "test yard", "path": path, **fields}, "yard")


def stand_in(*things, temperature_deg_c=20.0, faults=()):
    """What sensing looks at of a scene, with things that a scene would refuse, such as a wall at the bumper."""
    return SimpleNamespace(edges=edges(*things), faults=tuple(faults), temperature_deg_c=temperature_deg_c)


def even_motion(until_s, speed_mps=0.0, yaw_rate_radps=0.0, dt_s=0.05):
    """An `EgoHistory` of even motion along x from the origin (short times: the turn of the place is left out)."""
    history = EgoHistory(keep_s=1000.0)
    for k in range(round(until_s / dt_s) + 1):
        t = k * dt_s
        history.add(Ego(t, Pose(speed_mps * t, 0.0, yaw_rate_radps * t), speed_mps, 0.0, yaw_rate_radps))
    return history


def reflectivity_for(snr_db, range_m, radar_tuning):
    """The level, dBsm, at which a point at boresight has a signal to noise."""
    from avoidkit.sensing.equation import boresight_budget, to_db

    return float(to_db(from_db(snr_db) * range_m**4 / boresight_budget(radar_tuning)))
