"""Logs of our own invention, in the Quarry Mill yard: an object list of 32 slots, written from a drive of the kit.

`python -m tests.made_logs FOLDER` writes both files and their mappings for 100 s.
"""

import csv
import math
import sys
from pathlib import Path

import numpy as np

from avoidkit import Tuning, load_scene, shipped
from avoidkit.drive import Loop, drive
from avoidkit.frames import rotation, to_local
from avoidkit.logs import Mapping
from avoidkit.parameters import validated
from avoidkit.tracking import no_tracks
from avoidkit.verdict import Action, Memory, Verdict

SLOTS, NOTHING, SIGHT_M = 32, 655.35, 20.0
COLUMNS = ("Tag", "Ahead", "Left", "Closing", "Sliding", "Sure")


class Unsensed(Loop):
    """The loop without sensors, tracker and grid: only who walks where, and where the vehicle goes."""

    def _perceive(self, now, ego, people, errors, clock):
        return [], None, no_tracks(now), None


def onward(situation, tuning):
    """Along the path at 0.6 m/s, whoever is there: this is for writing logs, not a decision."""
    return Verdict(Action.CONTINUE, situation.path, 0.6, Memory(action=Action.CONTINUE))


def rows_of_a_drive(duration_s=100.0, scene="guest_crosses"):
    """Rows of such a drive in the yard of the Quarry Mill, 20 a second."""
    yard = load_scene(shipped("scenes") / f"{scene}.toml")
    options = {"decide": onward, "loop": Unsensed, "stop_at_end": False}
    return drive(yard, Tuning(), seed=3, duration_s=duration_s, **options).rows


def channels_of(rows):
    """The log's channels as {name: (n,) array}: own motion, hold-to-run, and the slots of the object list."""
    table = {name: np.array(values) for name, values in _own(rows).items()}
    slots = {f"{name}_{k:d}": np.full(len(rows), NOTHING) for k in range(SLOTS) for name in COLUMNS}
    here = {f"Here_{k:d}": np.zeros(len(rows)) for k in range(SLOTS)}
    names = sorted({name for row in rows for name in row.people.names})
    for i, row in enumerate(rows):
        for name, values in _seen(row, names):
            k = (7 * names.index(name) + i // 200) % SLOTS  # moves to another slot every ten seconds
            here[f"Here_{k:d}"][i] = 1
            for column, value in zip(COLUMNS, values, strict=True):
                slots[f"{column}_{k:d}"][i] = value
    return table | here | slots


def _own(rows):
    return {
        "Clock": [round(row.time_s * 1000, 3) for row in rows],
        "Pace": [round(abs(row.ego.speed_mps) * 3.6, 2) for row in rows],
        "Lever": [2.0 if row.ego.speed_mps < 0 else 1.0 for row in rows],
        "Swing": [round(math.degrees(row.ego.yaw_rate_radps), 2) for row in rows],
        "Thumb": [float(row.hold.pressed) for row in rows],
        "Away": [round(100 * min(row.hold.distance_m, 50.0)) for row in rows],
    }


def _seen(row, names):
    """(name, values of the columns) of everybody in sight, in the vehicle's frame and relative to it."""
    people, pose = row.people, row.ego.pose
    local = to_local(people.xy, pose)
    velocity = people.velocity @ rotation(pose.yaw_rad)
    for k, name in enumerate(people.names):
        x, y = local[k]
        if math.hypot(x, y) <= SIGHT_M:
            rate = row.ego.yaw_rate_radps
            relative = velocity[k] - [row.ego.speed_mps - rate * y, rate * x]
            yield name, (names.index(name) + 40, *np.round([x, y, *relative], 2), 0.9)


def mapping(kind, **changes):
    """The `Mapping` of such a log."""
    slot = {"invalid": [NOTHING]}
    plain = {
        "name": "yard list",
        "format": kind,
        "free_space": "assume_free_in_view",
        "ultrasonic_silent": True,
        "own": {
            "speed": {"channel": "Pace", "unit": "km/h"},
            "yaw_rate": {"channel": "Swing", "unit": "deg/s"},
            "gear": {"channel": "Lever", "reverse": [2]},
        },
        "hold": {"pressed": {"channel": "Thumb"}, "distance": {"channel": "Away", "unit": "cm"}},
        "objects": {
            "layout": "slots",
            "slots": SLOTS,
            "radars": ["front_left", "front_right", "rear_left", "rear_right"],
            "relative": True,
            "used": {"channel": "Here_{slot}"},
            "id": {"channel": "Tag_{slot}"} | slot,
            "x": {"channel": "Ahead_{slot}", "unit": "m"} | slot,
            "y": {"channel": "Left_{slot}", "unit": "m"} | slot,
            "vx": {"channel": "Closing_{slot}", "unit": "m/s"} | slot,
            "vy": {"channel": "Sliding_{slot}", "unit": "m/s"} | slot,
            "existence": {"channel": "Sure_{slot}"} | slot,
        },
    }
    if kind == "csv":
        plain["time"] = [{"channel": "Clock", "unit": "ms"}]
    return validated(Mapping, plain | changes, "made mapping")


def write_csv(path, channels):
    """The log as a table."""
    with open(path, "w", newline="", encoding="utf-8") as file:
        lines = csv.writer(file)
        lines.writerow(channels)
        lines.writerows(zip(*(map(repr, values.tolist()) for values in channels.values()), strict=True))


def write_mdf(path, channels):
    """The same log as MDF4, by asammdf alone."""
    import asammdf

    time_s = channels["Clock"] * 0.001
    signals = [
        asammdf.Signal(values.astype(float), time_s, name=name) for name, values in channels.items() if name != "Clock"
    ]
    mdf = asammdf.MDF(version="4.10")
    mdf.append(signals, comment="objects and own motion", common_timebase=True)
    mdf.save(path, overwrite=True)
    mdf.close()


if __name__ == "__main__":
    from avoidkit.logs import save_mapping

    folder = Path(sys.argv[1])
    made = channels_of(rows_of_a_drive())
    write_csv(folder / "yard_list.csv", made)
    write_mdf(folder / "yard_list.mf4", made)
    for kind in ("csv", "mdf"):
        save_mapping(mapping(kind), folder / f"yard_list.{kind}.toml")
