"""A recording as CSV or MDF4 for other programs, with a mapping by which it can be read again.

CSV: one table for all; the column `record` says what a line speaks of (own, scans or returns of a radar, echoes,
tracks), cells that do not belong to it are empty. MDF4: a group for each of these. Text that a spreadsheet would take
for a formula gets an apostrophe in front.
"""

import csv
import os
from pathlib import Path

import numpy as np

from avoidkit.checks import InputError
from avoidkit.logs.mapping import SENSORS, Mapping
from avoidkit.logs.objects import TROUBLE
from avoidkit.logs.scans import HEALTHS
from avoidkit.parameters import validated
from avoidkit.recording.packing import RETURNS
from avoidkit.recording.replay import brings_tracks

RECORD, TIME = "record", "time_s"
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
UNITS = {"m": "_m", "m/s": "_mps", "rad": "_rad", "rad/s": "_radps", "dB": "_db", "s": "_s"}


def export_log(recording, path, *, replace=False):
    """Write a recording as CSV or MDF4, by the ending of the name, and beside it a mapping to read it again.

    Parameters
    ----------
    recording : Recording
    path : path
        Ends with .csv, .mf4 or .mdf; the mapping is PATH with `.mapping.toml` added.
    replace : bool
        Whether files of these names may be replaced.

    Returns
    -------
    (path, path)
        Of the file and of its mapping.

    Raises
    ------
    InputError
        If the ending is another, a file is there already, or it cannot be written.

    Notes
    -----
    Own motion, scans, echoes, hold-to-run, verdicts and tracks are kept to the last bit; paths, grids,
    checkpoints and the truth about people are not in it.
    """
    from avoidkit.logs.mapping import save_mapping

    path = Path(path)
    kind = {".csv": "csv", ".mf4": "mdf", ".mdf": "mdf"}.get(path.suffix.lower())
    if kind is None:
        raise InputError(f"{path}: a name that ends with .csv, .mf4 or .mdf was wanted")
    map_path = path.with_name(f"{path.name}.mapping.toml")
    for one in (path, map_path):
        if one.exists() and not replace:
            raise InputError(f"{one}: is there already; choose another name, or say so if it may be replaced")
    groups = groups_of(recording)
    _written(path, lambda part: (_write_csv if kind == "csv" else _write_mdf)(part, groups))
    save_mapping(mapping_for(recording, kind, groups), map_path)
    return path, map_path


def _written(path, write):
    """Write whole or not at all: under another name first, then renamed."""
    part = path.with_name(f".{path.stem}.{os.getpid()}.tmp{path.suffix}")
    try:
        write(part)
        os.replace(part, path)
    except OSError as error:
        raise InputError(f"{path}: cannot be written: {error.strerror or error}") from None
    finally:
        part.unlink(missing_ok=True)


def groups_of(recording):
    """All that is exported, as {group: {column: (n,) array or list of text}}; each group has a column `time_s`."""
    rows = list(recording.rows)
    groups = {"own": _own(rows)}
    for sensor in SENSORS:
        scans = [scan for row in rows for scan in row.scans if scan.sensor == sensor]
        if scans:
            groups[f"{sensor} scans"] = _scans(scans)
            groups[f"{sensor} returns"] = _returns(scans)
    rounds = {row.echoes.taken_s: row.echoes for row in rows if row.echoes is not None}
    if rounds:
        groups["echoes"] = _rounds(list(rounds.values()))
    if any(len(row.tracks) for row in rows):
        groups["tracks"] = _tracks(rows)
    if brings_tracks(recording):  # when it was read, an empty list was a list, and silence is not
        empty_s = [row.time_s for row in rows if _list_is_empty(row)]
        groups |= {"tracks": _with_empty(_tracks(rows), empty_s)} if empty_s or "tracks" in groups else {}
    return groups


def _own(rows):
    pick = {
        TIME: lambda row: row.time_s,
        "x_m": lambda row: row.ego.pose.x_m,
        "y_m": lambda row: row.ego.pose.y_m,
        "yaw_rad": lambda row: row.ego.pose.yaw_rad,
        "speed_mps": lambda row: row.ego.speed_mps,
        "steering_rad": lambda row: row.ego.steering_rad,
        "yaw_rate_radps": lambda row: row.ego.yaw_rate_radps,
        "motion_known": lambda row: not row.error.startswith("log:"),
        "hold_pressed": lambda row: row.hold.pressed,
        "hold_sent_s": lambda row: row.hold.sent_s,
        "hold_distance_m": lambda row: row.hold.distance_m,
        "speed_cap_mps": lambda row: row.verdict.speed_cap_mps,
    }
    columns = {name: np.array([of(row) for row in rows], dtype=float) for name, of in pick.items()}
    texts = {"action": [str(row.verdict.action) for row in rows], "why": [row.verdict.why for row in rows]}
    return columns | texts


def _scans(scans):
    return {
        TIME: np.array([scan.taken_s for scan in scans]),
        "arrives_s": np.array([scan.arrives_s for scan in scans]),
        "health": np.array([HEALTHS.index(scan.health) for scan in scans], dtype=float),
        "returns": np.array([len(scan) for scan in scans], dtype=float),
    }


def _returns(scans):
    if not any(len(scan) for scan in scans):  # a group without a line could not be read: one line without a return
        return {TIME: np.array([scans[0].taken_s])} | {name: np.array([np.nan]) for name in RETURNS}
    columns = {name: np.concatenate([getattr(scan, name) for scan in scans]).astype(float) for name in RETURNS}
    return {TIME: np.concatenate([np.full(len(scan), scan.taken_s) for scan in scans])} | columns


def _rounds(rounds):
    first = np.array([one.first_m for one in rounds], dtype=float)
    return {
        TIME: np.array([one.taken_s for one in rounds]),
        "arrives_s": np.array([one.arrives_s for one in rounds]),
        "health": np.array([HEALTHS.index(one.health) for one in rounds], dtype=float),
    } | {f"first_{k}_m": first[:, k] for k in range(12)}


def _tracks(rows):
    def column(of):
        return np.concatenate([np.asarray(of(row.tracks), dtype=float) for row in rows])

    names = ("x_m", "y_m", "vx_mps", "vy_mps")
    return (
        {TIME: np.concatenate([np.full(len(row.tracks), row.time_s) for row in rows])}
        | {"id": column(lambda t: t.ids), "stage": column(lambda t: t.stage)}
        | {name: column(lambda t, k=k: t.state[:, k]) for k, name in enumerate(names)}
        | {name: column(lambda t, n=name: getattr(t, n)) for name in ("existence", "standing", "extent_m")}
    )


def _list_is_empty(row):
    return not len(row.tracks) and not row.error.startswith(TROUBLE)


def _with_empty(columns, empty_s):
    """The table with a column `there`, and a row in which it is 0 for each list without objects."""
    times = np.concatenate([columns[TIME], empty_s])
    order = np.argsort(times, kind="stable")
    none = np.full(len(empty_s), np.nan)
    there = np.concatenate([np.ones(len(columns[TIME])), np.zeros(len(empty_s))])
    rest = {name: np.concatenate([values, none]) for name, values in columns.items() if name != TIME}
    return {TIME: times[order]} | {name: values[order] for name, values in (rest | {"there": there}).items()}


def _write_mdf(path, groups):
    from avoidkit.logs.mdf import write_mdf

    plain = {}
    for name, columns in groups.items():
        numbers = {key: (values, unit_of(key)) for key, values in columns.items() if _is_numbers(key, values)}
        plain[name] = (columns[TIME], {f"{name} {key}": value for key, value in numbers.items()})
    write_mdf(path, plain)


def _is_numbers(key, values):
    return key != TIME and isinstance(values, np.ndarray)


def unit_of(column):
    """The unit that a column's name carries.

    Examples
    --------
    >>> unit_of("speed_mps"), unit_of("health")
    ('m/s', '')
    """
    fitting = [unit for unit, ending in UNITS.items() if column.endswith(ending)]
    return max(fitting, key=lambda unit: len(UNITS[unit]), default="")


def _write_csv(path, groups):
    names = list(dict.fromkeys(name for columns in groups.values() for name in columns if name != TIME))
    with open(path, "w", encoding="utf-8", newline="") as file:
        lines = csv.writer(file, lineterminator="\n")
        lines.writerow([RECORD, TIME, *names])
        for group, columns in groups.items():
            cells = [_cells(columns[name]) if name in columns else None for name in (TIME, *names)]
            for k in range(len(columns[TIME])):
                lines.writerow([group, *("" if column is None else column[k] for column in cells)])


def _cells(values):
    if isinstance(values, np.ndarray):
        return [repr(number) for number in values.tolist()]
    return [harmless(text) for text in values]


def harmless(text):
    """Text for a cell that no spreadsheet takes for a formula.

    Examples
    --------
    >>> harmless("=1+1"), harmless("Halts: near")
    ("'=1+1", 'Halts: near')
    """
    return f"'{text}" if text.startswith(FORMULA_STARTS) else text


def mapping_for(recording, kind, groups):
    """The `Mapping` by which an exported recording is read again."""

    def channel(group, name):
        text = name if kind == "csv" else f"{group} {name}"
        unit = unit_of(name)
        return {"channel": text, "group": group} | ({"unit": unit} if unit else {})

    def own(name):
        return channel("own", name)

    motion = {"x": "x_m", "y": "y_m", "yaw": "yaw_rad", "speed": "speed_mps", "steering": "steering_rad",
              "yaw_rate": "yaw_rate_radps"}  # fmt: skip
    gap_s = min(max(1.5 * recording.tuning.cycle_s, 0.01), 10.0)
    plain = {
        "name": "".join(c for c in recording.scene.name if c.isalnum() or c in " -_()").strip()[:40] or "recording",
        "format": kind,
        "own": {key: own(name) for key, name in motion.items()} | {"known": own("motion_known"), "gap_s": gap_s},
        "hold": {"pressed": own("hold_pressed"), "sent": own("hold_sent_s"), "distance": own("hold_distance_m")},
        "radars": [_radar(recording, sensor, channel) for sensor in SENSORS if f"{sensor} scans" in groups],
    }
    if kind == "csv":
        plain |= {"time": [{"channel": TIME, "unit": "s"}], "table": {"group_column": RECORD}}
    if "echoes" in groups:
        first = [channel("echoes", f"first_{k}_m") for k in range(12)]
        ring = {name: channel("echoes", column) for name, column in (("arrives", "arrives_s"), ("health", "health"))}
        plain["ultrasonic"] = {"first": first} | ring
    if brings_tracks(recording) and "tracks" in groups:
        plain["objects"] = _objects(channel, recording.log["mapping"]["objects"])
    plain["free_space"] = (recording.log or {}).get("free_space", "from_returns")
    return validated(Mapping, plain, "mapping of the export")


def _radar(recording, sensor, channel):
    returns, scans = f"{sensor} returns", f"{sensor} scans"
    names = {"range": "range_m", "azimuth": "azimuth_rad", "range_rate": "range_rate_mps", "snr": "snr_db"}
    return {
        "sensor": sensor,
        "layout": "rows",
        "mount": getattr(recording.tuning.radar.mounts, sensor).model_dump(mode="json"),
        "marks": {"arrives": channel(scans, "arrives_s"), "health": channel(scans, "health")},
        **{key: channel(returns, name) for key, name in names.items()},
    }


def _objects(channel, before):
    names = {"x": "x_m", "y": "y_m", "vx": "vx_mps", "vy": "vy_mps", "extent": "extent_m"}
    own = {"id": "id", "existence": "existence", "used": "there"}
    kept = {
        key: before[key] for key in ("radars", "sigma_m", "sigma_mps", "stands_below_mps", "keep_s") if key in before
    }
    columns = {key: channel("tracks", name) for key, name in (names | own).items()}
    return {"layout": "rows", "place": "scene", "relative": False, **columns, **kept}
