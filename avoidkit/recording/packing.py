"""Rows of a recording to Arrow batches and back, with nothing lost."""

from itertools import pairwise

import numpy as np

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.paths import Path
from avoidkit.recording.columns import schema
from avoidkit.recording.rows import GridPicture, Row
from avoidkit.sensing.records import Echoes, Health, Scan
from avoidkit.tracking.records import Tracks
from avoidkit.vehicle import Ego
from avoidkit.verdict import Action, Check, Hold, Memory, Turn, Verdict

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


# ---- and back ----


def values_of(array):
    """The cells of an Arrow array: numbers as a NumPy array, text as a list, lists as a list of their parts.

    A list of records comes as one dict of columns per cell, a record as a dict of columns for all cells.
    """
    import pyarrow as pa

    kind = array.type
    if pa.types.is_list(kind):
        inside, lengths = values_of(array.flatten()), array.value_lengths().fill_null(0).to_numpy()
        ends = np.concatenate([[0], np.cumsum(lengths)]).astype(int)
        return [_slice(inside, a, b) for a, b in pairwise(ends)]
    if pa.types.is_struct(kind):
        parts = dict(zip((field.name for field in kind), array.flatten(), strict=True))
        return {name: values_of(part) for name, part in parts.items()}
    if pa.types.is_boolean(kind) or pa.types.is_string(kind) or pa.types.is_binary(kind):
        return array.to_pylist()
    if pa.types.is_integer(kind):
        array = array.fill_null(0)  # below an empty record; NumPy would make floats of it
    return array.to_numpy(zero_copy_only=False)


def _slice(inside, a, b):
    return {name: part[a:b] for name, part in inside.items()} if isinstance(inside, dict) else inside[a:b]


def book_of(column):
    """From the whole column `new_paths`: a `PathBook`, and {row index: keys that are new in it}."""
    book, new_at = PathBook(), {}
    for i, cell in enumerate(values_of(column)):
        for k, key in enumerate(cell["key"]):
            path = Path(cell["name"][k], *(cell[name][k] for name in PATH_ARRAYS))
            if book.key(path) != key:
                raise InputError(f"new_paths.key must count from 0, got {key} for path {path.name!r}")
            new_at.setdefault(i, []).append(int(key))
    return book, new_at


def to_rows(batch, book):
    """The rows of an Arrow record batch (or of a table of one chunk), as a list."""
    columns = {}
    for field in schema():
        if field.name in ("new_paths", "checkpoint"):
            continue
        array = batch.column(field.name)
        columns[field.name] = array if not hasattr(array, "combine_chunks") else array.combine_chunks()
    empty = {name: ~columns[name].is_valid().to_numpy(zero_copy_only=False) for name in ("echoes", "turn", "grid")}
    cells = {name: values_of(array) for name, array in columns.items()}
    return [_row(cells, empty, i, book.paths) for i in range(batch.num_rows)]


def _row(cells, empty, i, paths):
    ego, hold = _record(cells["ego"], i), _record(cells["hold"], i)
    pose = Pose(ego.pop("x_m"), ego.pop("y_m"), ego.pop("yaw_rad"))
    stages = cells["stages"][i]
    return Row(
        time_s=float(cells["time_s"][i]),
        ego=Ego(pose=pose, **ego),
        hold=Hold(**hold),
        people=_people_back(cells["people"][i], float(cells["people_time_s"][i])),
        scans=_scans_back(cells["scans"][i]),
        echoes=None if empty["echoes"][i] else _echoes_back(_record(cells["echoes"], i)),
        tracks=_tracks_back(cells["tracks"][i], float(cells["tracks_time_s"][i])),
        verdict=_verdict_back(cells, empty, i, paths),
        along_m=float(cells["along_m"][i]),
        path=cells["path"][i],
        reference_along_m=float(cells["reference_along_m"][i]),
        sensors=_sensors_back(cells["sensors"][i]),
        contacts=tuple(cells["contacts"][i]),
        gap_m=float(cells["gap_m"][i]),
        error=cells["error"][i],
        stage_ms=dict(zip(stages["name"], map(float, stages["ms"]), strict=True)),
        grid=None if empty["grid"][i] else _grid_back(_record(cells["grid"], i)),
    )


def _record(columns, i):
    """Cell `i` of a record column as a dict of plain values."""
    return {name: part[i].item() if isinstance(part[i], np.generic) else part[i] for name, part in columns.items()}


def _verdict_back(cells, empty, i, paths):
    key, checks = int(cells["verdict_path"][i]), cells["checks"][i]
    memory = _record(cells["memory"], i)
    turn = None
    if not empty["turn"][i]:
        turn = _record(cells["turn"], i)
        turn = Turn(**turn | {"becomes": Action(turn["becomes"])})
    if key >= len(paths):
        raise InputError(f"verdict_path {key} names no path")
    return Verdict(
        action=Action(cells["action"][i]),
        path=paths[key] if key >= 0 else None,
        speed_cap_mps=float(cells["speed_cap_mps"][i]),
        memory=Memory(**memory | {"action": Action(memory["action"])}),
        checks=tuple(Check(**_record(checks, k)) for k in range(len(checks["name"]))),
        settled_by=cells["settled_by"][i],
        why=cells["why"][i],
        turn=turn,
    )


def _sensors_back(cell):
    states = zip(map(Health, cell["health"]), map(float, cell["taken_s"]), strict=True)
    return dict(zip(cell["name"], states, strict=True))


def _scans_back(cell):
    return tuple(
        Scan(
            cell["sensor"][k],
            float(cell["taken_s"][k]),
            float(cell["arrives_s"][k]),
            *(cell[name][k] for name in RETURNS),
            health=Health(cell["health"][k]),
        )
        for k in range(len(cell["sensor"]))
    )


def _echoes_back(cell):
    return Echoes(cell["taken_s"], cell["arrives_s"], cell["first_m"], Health(cell["health"]))


def _tracks_back(cell, time_s):
    n = len(cell["id"])
    covariance = np.zeros((n, 4, 4))
    for i, entries in enumerate(cell["covariance"]):
        if len(entries) == 16:
            covariance[i] = entries.reshape(4, 4)
        else:
            covariance[i][UPPER] = entries
            covariance[i].T[UPPER] = entries
    state = np.stack([cell[name] for name in ("x_m", "y_m", "vx_mps", "vy_mps")], axis=-1)
    numbers = {name: cell[name] for name in TRACK_NUMBERS}
    return Tracks(time_s=time_s, ids=cell["id"], stage=cell["stage"], state=state, covariance=covariance, **numbers)


def _people_back(cell, time_s):
    from avoidkit.people import People

    return People(
        time_s=time_s,
        names=tuple(cell["name"]),
        xy=np.stack([cell["x_m"], cell["y_m"]], axis=-1),
        velocity=np.stack([cell["vx_mps"], cell["vy_mps"]], axis=-1),
        heading_rad=cell["heading_rad"],
        kind=tuple(cell["kind"]),
        walked_m=cell["walked_m"],
        height_m=cell["height_m"],
        contact=np.array(cell["contact"], bool),
        is_operator=np.array(cell["is_operator"], bool),
    )


def _grid_back(cell):
    cells = np.frombuffer(cell["cells"], np.uint8).reshape(cell["rows"], -1)
    return GridPicture(np.array([cell["corner_x_m"], cell["corner_y_m"]]), cell["cell_m"], cells)
