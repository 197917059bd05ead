"""Arrow batches of a recording, also of older versions of its format, back to rows."""

from itertools import pairwise

import numpy as np

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.paths import Path
from avoidkit.recording.columns import FORMAT_VERSION, columns_since, schema
from avoidkit.recording.packing import PATH_ARRAYS, RETURNS, TRACK_NUMBERS, UPPER, PathBook
from avoidkit.recording.rows import GridPicture, Row
from avoidkit.sensing.records import Echoes, Health, Scan
from avoidkit.tracking.records import Tracks
from avoidkit.vehicle import Ego
from avoidkit.verdict import Action, Check, Hold, Memory, Turn, Verdict


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


def to_rows(batch, book, version=FORMAT_VERSION):
    """The rows of an Arrow record batch or table in a version of the format, as a list."""
    columns = {}
    for field in schema(version=version):
        if field.name not in ("new_paths", "checkpoint"):
            array = batch.column(field.name)
            columns[field.name] = array if not hasattr(array, "combine_chunks") else array.combine_chunks()
    empty = {name: ~columns[name].is_valid().to_numpy(zero_copy_only=False) for name in ("echoes", "turn", "grid")}
    cells = {name: values_of(array) for name, array in columns.items()}
    for column in columns_since(version):
        _fill(cells, column, batch.num_rows)
    return [_row(cells, empty, i, book.paths) for i in range(batch.num_rows)]


def _fill(cells, column, n):
    """Put a column that an older file does not have into the cells, with the value it then stands for."""
    *outer, name = column.name.split(".")
    if not outer:
        cells[name] = [column.absent] * n
        return
    inside = cells[outer[0]]
    for record in [inside] if isinstance(inside, dict) else inside:
        length = len(next(iter(record.values())))
        record[name] = [column.absent] * length if isinstance(column.absent, str) else np.full(length, column.absent)


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
