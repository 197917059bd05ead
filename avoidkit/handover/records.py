"""The kit's records as plain JSON and back, for a pipe to another implementation and for the vectors.

A grid is a string of signs a row, see `SIGNS_OF_CELLS`.
"""

import numpy as np

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.grid import Grid
from avoidkit.handover.wire import finite, flag, number, numbers, one_of, part, short, table, text, whole
from avoidkit.paths import Path
from avoidkit.sensing.records import Echoes, Health, Scan
from avoidkit.tracking.records import Stage, Tracks
from avoidkit.vehicle import Ego
from avoidkit.verdict import Action, Check, Hold, Memory, Situation

SIGNS_OF_CELLS = {
    ".": "known free",
    "e": "known free, but somebody could be there unseen",
    "?": "unknown",
    "v": "unknown, but the operator vouches that nobody is there",
    "#": "occupied",
    "H": "occupied, and somebody could be there unseen",
}
ODDS_OF_CELLS = {".": -4.0, "e": -4.0, "?": 0.0, "v": 0.0, "#": 4.0, "H": 4.0}
PATH_ARRAYS = ("s_m", "x_m", "y_m", "yaw_rad", "curvature_1pm", "direction")
TRACK_NUMBERS = (
    "existence", "standing", "extent_m", "age_s", "last_seen_s", "standing_for_s", "stood_ago_s",
)  # fmt: skip
RETURNS = ("range_m", "azimuth_rad", "range_rate_mps", "snr_db")
MEMORY_NUMBERS = ("since_s", "pending_since_s", "capped_since_s", "search_after_s")
MEMORY_FLAGS = ("halted", "released", "ready")
MOST_CELLS = 1_000_000


def ego_out(ego):
    """Own motion as JSON."""
    pose = ego.pose
    names = ("time_s", "speed_mps", "steering_rad", "yaw_rate_radps")
    return {"x_m": pose.x_m, "y_m": pose.y_m, "yaw_rad": pose.yaw_rad} | {name: getattr(ego, name) for name in names}


def ego_in(value, name="ego"):
    """Own motion of JSON."""
    names = ("time_s", "x_m", "y_m", "yaw_rad", "speed_mps", "steering_rad", "yaw_rate_radps")
    t, x, y, yaw, *rest = (finite(part(value, one, name), f"{name}.{one}") for one in names)
    return Ego(t, Pose(x, y, yaw), *rest)


def tracks_out(tracks):
    """Tracks as JSON: a list of one object each."""
    listed = []
    for k in range(len(tracks)):
        one = {"id": int(tracks.ids[k]), "stage": Stage(int(tracks.stage[k])).name.lower(), "hits": int(tracks.hits[k])}
        one |= {"state": tracks.state[k], "covariance": tracks.covariance[k]}
        listed.append(one | {name: float(getattr(tracks, name)[k]) for name in TRACK_NUMBERS})
    return {"time_s": tracks.time_s, "tracks": listed}


def tracks_in(value, name="tracks"):
    """Tracks of JSON; what is not finite stays so, for whoever decides on it."""
    listed = part(value, "tracks", name)
    if not isinstance(listed, list) or len(listed) > 1000:
        raise InputError(f"{name}.tracks must be a list of at most 1000, got {short(listed)}")
    stages = {stage.name.lower(): stage for stage in Stage}
    rows = {key: [] for key in ("id", "stage", "state", "covariance", "hits", *TRACK_NUMBERS)}
    for k, one in enumerate(listed):
        at = f"{name}.tracks[{k}]"
        rows["state"].append(numbers(part(one, "state", at), f"{at}.state", (4,)))
        rows["covariance"].append(numbers(part(one, "covariance", at), f"{at}.covariance", (4, 4)))
        if part(one, "stage", at) not in stages:
            raise InputError(f"{at}.stage must be one of {', '.join(stages)}, got {short(one['stage'])}")
        rows["stage"].append(int(stages[one["stage"]]))
        for key in ("id", "hits"):
            rows[key].append(whole(part(one, key, at), f"{at}.{key}"))
        for key in TRACK_NUMBERS:
            rows[key].append(number(part(one, key, at), f"{at}.{key}"))
    n = len(listed)
    return Tracks(
        time_s=finite(part(value, "time_s", name), f"{name}.time_s"),
        ids=np.array(rows["id"], np.int64), stage=np.array(rows["stage"], np.int8),
        state=np.array(rows["state"], float).reshape(n, 4), hits=np.array(rows["hits"], np.int64),
        covariance=np.array(rows["covariance"], float).reshape(n, 4, 4),
        **{key: np.array(rows[key], float) for key in TRACK_NUMBERS},
    )  # fmt: skip


def grid_out(grid):
    """A grid as JSON: corner, edge of a cell, and a string of signs a row."""
    free, occupied = grid.known_free(), grid.occupied()
    unknown = ~(free | occupied)
    signs = np.full(grid.shape, "?", "U1")
    signs[free] = "."
    signs[free & grid.exposed] = "e"
    signs[unknown & grid.vouched & ~grid.exposed] = "v"
    signs[occupied] = "#"
    signs[occupied & grid.exposed] = "H"
    cells = ["".join(row) for row in signs]
    middle = {"corner_xy": grid.corner_xy, "cell_m": grid.cell_m, "vehicle_xy": grid.vehicle_xy}
    return middle | {"time_s": grid.time_s, "cells": cells}


def grid_in(value, name="grid"):
    """A grid of JSON. Its log-odds are those of a sure state: what decides is free, occupied or unknown."""
    cells = part(value, "cells", name)
    good = (
        isinstance(cells, list) and cells and all(isinstance(row, str) and len(row) == len(cells[0]) for row in cells)
    )
    if not good or not 0 < len(cells) * len(cells[0]) <= MOST_CELLS:
        raise InputError(f"{name}.cells must be strings of one length, at most {MOST_CELLS} cells, got {short(cells)}")
    strange = sorted(set("".join(cells)) - set(SIGNS_OF_CELLS))
    if strange:
        raise InputError(f"{name}.cells must hold {' '.join(SIGNS_OF_CELLS)} only, got {strange[0]!r}")
    signs = np.array([list(row) for row in cells])
    odds = np.zeros(signs.shape, np.float32)
    for sign, value_of in ODDS_OF_CELLS.items():
        odds[signs == sign] = value_of
    return Grid(
        corner_xy=numbers(part(value, "corner_xy", name), f"{name}.corner_xy", (2,)),
        cell_m=finite(part(value, "cell_m", name), f"{name}.cell_m"), log_odds=odds,
        last_seen_s=np.zeros(signs.shape, np.float32), exposed=np.isin(signs, ("e", "H")), vouched=signs == "v",
        vehicle_xy=numbers(part(value, "vehicle_xy", name), f"{name}.vehicle_xy", (2,)),
        time_s=finite(part(value, "time_s", name), f"{name}.time_s"),
    )  # fmt: skip


def path_out(path):
    """A path as JSON."""
    return {"name": path.name} | {name: getattr(path, name) for name in PATH_ARRAYS}


def path_in(value, name="path"):
    """A path of JSON; it is checked as every path is."""
    arrays = {one: numbers(part(value, one, name), f"{name}.{one}", (None,)) for one in PATH_ARRAYS}
    if not np.isin(arrays["direction"], (-1.0, 1.0)).all():
        raise InputError(f"{name}.direction must be 1 or -1 everywhere")
    arrays["direction"] = arrays["direction"].astype(np.int8)
    return Path(text(part(value, "name", name), f"{name}.name", 80), **arrays)


def scan_out(scan):
    """A scan as JSON."""
    head = {"sensor": scan.sensor, "taken_s": scan.taken_s, "arrives_s": scan.arrives_s, "health": scan.health}
    return head | {name: getattr(scan, name) for name in RETURNS}


def scan_in(value, name="scan"):
    """A scan of JSON."""
    times = [finite(part(value, one, name), f"{name}.{one}") for one in ("taken_s", "arrives_s")]
    arrays = [numbers(part(value, one, name), f"{name}.{one}", (None,)) for one in RETURNS]
    health = one_of(part(value, "health", name), Health, f"{name}.health")
    return Scan(text(part(value, "sensor", name), f"{name}.sensor", 80), *times, *arrays, health)


def echoes_out(echoes):
    """A round of ultrasonics as JSON; null where there was none yet."""
    if echoes is None:
        return None
    names = ("taken_s", "arrives_s", "health", "first_m")
    return {name: getattr(echoes, name) for name in names}


def echoes_in(value, name="echoes"):
    """A round of ultrasonics of JSON."""
    if value is None:
        return None
    times = [finite(part(value, one, name), f"{name}.{one}") for one in ("taken_s", "arrives_s")]
    first = numbers(part(value, "first_m", name), f"{name}.first_m", (12,))
    return Echoes(*times, first, one_of(part(value, "health", name), Health, f"{name}.health"))


def memory_out(memory):
    """The memory of a decision as JSON."""
    return {name: getattr(memory, name) for name in Memory.__slots__}


def memory_in(value, name="memory"):
    """The memory of a decision of JSON."""
    return Memory(
        action=one_of(part(value, "action", name), Action, f"{name}.action"),
        pending=text(part(value, "pending", name), f"{name}.pending", 80),
        **{one: number(part(value, one, name), f"{name}.{one}") for one in MEMORY_NUMBERS},
        **{one: flag(part(value, one, name), f"{name}.{one}") for one in MEMORY_FLAGS},
    )


def check_out(check):
    """A check as JSON."""
    return {name: getattr(check, name) for name in Check.__slots__}


def check_in(value, name="check"):
    """A check of JSON."""
    words = {one: text(part(value, one, name), f"{name}.{one}") for one in ("name", "unit", "about")}
    sums = {one: number(part(value, one, name), f"{name}.{one}") for one in ("needed", "found")}
    return Check(
        **words, **sums, **{one: flag(part(value, one, name), f"{name}.{one}") for one in ("holds", "at_most")}
    )


def situation_out(situation, known=()):
    """A situation as JSON.

    Parameters
    ----------
    situation : Situation
    known : collection of str
        Names of paths that the other side has been told; the others come along in `paths`.
    """
    paths = {path.name: path for path in (situation.reference, situation.path)}
    sensors = {name: {"health": str(h), "taken_s": taken} for name, (h, taken) in situation.sensors.items()}
    hold = situation.hold
    return {
        "time_s": situation.time_s, "ego": ego_out(situation.ego),
        "path": situation.path.name, "along_m": situation.along_m,
        "reference": situation.reference.name, "reference_along_m": situation.reference_along_m,
        "paths": [path_out(path) for name, path in paths.items() if name not in known],
        "tracks": tracks_out(situation.tracks), "grid": grid_out(situation.grid),
        "echoes": echoes_out(situation.echoes), "sensors": sensors,
        "hold": {"pressed": hold.pressed, "sent_s": hold.sent_s, "distance_m": hold.distance_m},
        "memory": memory_out(situation.memory),
    }  # fmt: skip


def situation_in(value, known=None):
    """A situation of JSON; the paths that come along are added to `known`, {name: Path}."""
    known = {} if known is None else known
    name, get = "situation", table(value, "situation").get
    for k, path in enumerate(part(value, "paths", name)):
        found = path_in(path, f"paths[{k}]")
        known[found.name] = found
    paths = [known.get(get(one)) if isinstance(get(one), str) else None for one in ("path", "reference")]
    if None in paths:
        raise InputError(f"{name}.path and .reference must name a path that was sent, got {short(get('path'))}")
    hold, sensors = table(get("hold"), "hold"), table(get("sensors"), "sensors")
    pressed = flag(hold.get("pressed"), "hold.pressed")
    return Situation(
        finite(get("time_s"), "time_s"), ego_in(get("ego")), paths[0], finite(get("along_m"), "along_m"), paths[1],
        finite(get("reference_along_m"), "reference_along_m"), tracks_in(get("tracks")), grid_in(get("grid")),
        echoes_in(get("echoes")), Hold(pressed, number(hold.get("sent_s"), "hold.sent_s"),
        number(hold.get("distance_m"), "hold.distance_m")),
        {one: _radar(sensors[one], f"sensors.{one}") for one in sensors}, memory_in(get("memory")),
    )  # fmt: skip


def _radar(value, name):
    return one_of(part(value, "health", name), Health, f"{name}.health"), number(part(value, "taken_s", name), name)
