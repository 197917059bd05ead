"""Rows of a recording to Arrow batches and back, with nothing lost."""

import numpy as np

from avoidkit.recording.columns import schema
from avoidkit.verdict import Memory, Turn

UPPER = np.triu_indices(4)
PATH_ARRAYS = ("s_m", "x_m", "y_m", "yaw_rad", "curvature_1pm", "direction")
RETURNS = ("range_m", "azimuth_rad", "range_rate_mps", "snr_db")
TRACK_NUMBERS = ("existence", "standing", "extent_m", "age_s", "last_seen_s", "standing_for_s", "stood_ago_s", "hits")


class PathBook:
    """Paths of a drive, each once, by a key that counts from 0."""

    def __init__(self):
        self.paths, self._keys = [], {}

    def key(self, path):
        """The key of a path, -1 for None; one not seen before is taken in."""
        if path is None:
            return -1
        content = (path.name, *(np.asarray(getattr(path, name)).tobytes() for name in PATH_ARRAYS))
        known = self._keys.get(content)
        if known is None:
            known = self._keys[content] = len(self.paths)
            self.paths.append(path)
        return known

    def since(self, key):
        """The paths from `key` on, as a list of (key, Path)."""
        return list(enumerate(self.paths))[key:]

    def by_name(self):
        """All paths as {name: Path}; a different path under a name already taken is `name (2)` and so on."""
        named = {}
        for path in self.paths:
            name, n = path.name, 1
            while name in named:
                n += 1
                name = f"{path.name} ({n})"
            named[name] = path
        return named


def path_entry(key, path):
    arrays = {name: np.asarray(getattr(path, name), float) for name in PATH_ARRAYS[:-1]}
    return {"key": key, "name": path.name, **arrays, "direction": np.asarray(path.direction, np.int8)}


def to_batch(cycles, book, metadata=None):
    """An Arrow record batch of rows.

    Parameters
    ----------
    cycles : list of (Row, list of (key, Path) that are new in it, checkpoint bytes or None)
    book : PathBook
        Knows all of these paths.
    """
    import pyarrow as pa

    entries = [_entry(row, new_paths, checkpoint, book) for row, new_paths, checkpoint in cycles]
    fields = schema(metadata)
    columns = [pa.array([entry[field.name] for entry in entries], type=field.type) for field in fields]
    return pa.RecordBatch.from_arrays(columns, schema=fields)


def _entry(row, new_paths, checkpoint, book):
    return {
        **_motion(row),
        **_decided(row.verdict, book),
        "scans": [_scan(scan) for scan in row.scans],
        "echoes": _echoes(row.echoes),
        "tracks_time_s": row.tracks.time_s,
        "tracks": _tracks(row.tracks),
        "people_time_s": row.people.time_s,
        "people": _people(row.people),
        "contacts": list(row.contacts),
        "gap_m": row.gap_m,
        "error": _text(row.error),
        "stages": [{"name": name, "ms": ms} for name, ms in row.stage_ms.items()],
        "grid": _grid(row.grid),
        "new_paths": [path_entry(key, path) for key, path in new_paths],
        "checkpoint": checkpoint,
    }


def _motion(row):
    ego, hold = row.ego, row.hold
    return {
        "time_s": row.time_s,
        "ego": {
            "time_s": ego.time_s,
            "x_m": ego.pose.x_m,
            "y_m": ego.pose.y_m,
            "yaw_rad": ego.pose.yaw_rad,
            "speed_mps": ego.speed_mps,
            "steering_rad": ego.steering_rad,
            "yaw_rate_radps": ego.yaw_rate_radps,
        },
        "hold": {"pressed": bool(hold.pressed), "sent_s": hold.sent_s, "distance_m": hold.distance_m},
        "path": row.path,
        "along_m": row.along_m,
        "reference_along_m": row.reference_along_m,
        "sensors": [{"name": name, "health": str(health), "taken_s": at} for name, (health, at) in row.sensors.items()],
    }


def _decided(verdict, book):
    memory, turn = verdict.memory, verdict.turn
    return {
        "action": str(verdict.action),
        "speed_cap_mps": float(verdict.speed_cap_mps),
        "verdict_path": book.key(verdict.path),
        "settled_by": _text(verdict.settled_by),
        "why": _text(verdict.why),
        "checks": [_check(check) for check in verdict.checks],
        "turn": turn and {**{name: getattr(turn, name) for name in Turn.__slots__}, "becomes": str(turn.becomes)},
        "memory": {**{name: getattr(memory, name) for name in Memory.__slots__}, "action": str(memory.action)},
    }


def _check(check):
    numbers = {"needed": float(check.needed), "found": float(check.found)}
    texts = {name: _text(getattr(check, name)) for name in ("name", "unit", "about")}
    return {**texts, **numbers, "holds": bool(check.holds), "at_most": bool(check.at_most)}


def _text(value):
    """Text as it is; whatever else a replaced stage put there, as text, so that a drive is not lost over it."""
    return value if isinstance(value, str) else "" if value is None else str(value)


def _scan(scan):
    head = {"sensor": scan.sensor, "taken_s": scan.taken_s, "arrives_s": scan.arrives_s, "health": str(scan.health)}
    return head | {name: getattr(scan, name) for name in RETURNS}


def _echoes(echoes):
    if echoes is None:
        return None
    head = {"taken_s": echoes.taken_s, "arrives_s": echoes.arrives_s, "health": str(echoes.health)}
    return head | {"first_m": echoes.first_m}


def _tracks(tracks):
    return [
        {
            "id": int(tracks.ids[i]),
            "stage": int(tracks.stage[i]),
            **dict(zip(("x_m", "y_m", "vx_mps", "vy_mps"), map(float, tracks.state[i]), strict=True)),
            "covariance": _unique(np.asarray(tracks.covariance[i], float)),
            **{name: getattr(tracks, name)[i].item() for name in TRACK_NUMBERS},
        }
        for i in range(len(tracks))
    ]


def _unique(covariance):
    return covariance[UPPER] if np.array_equal(covariance, covariance.T, equal_nan=True) else covariance.ravel()


def _people(people):
    return [
        {
            "name": people.names[i],
            "kind": str(people.kind[i]),
            "x_m": float(people.xy[i, 0]),
            "y_m": float(people.xy[i, 1]),
            "vx_mps": float(people.velocity[i, 0]),
            "vy_mps": float(people.velocity[i, 1]),
            "heading_rad": float(people.heading_rad[i]),
            "walked_m": float(people.walked_m[i]),
            "height_m": float(people.height_m[i]),
            "contact": bool(people.contact[i]),
            "is_operator": bool(people.is_operator[i]),
        }
        for i in range(len(people.names))
    ]


def _grid(picture):
    if picture is None:
        return None
    x, y = map(float, picture.corner_xy)
    where = {"corner_x_m": x, "corner_y_m": y, "cell_m": float(picture.cell_m)}
    return where | {"rows": len(picture.cells), "cells": picture.cells.tobytes()}
