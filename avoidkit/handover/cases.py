"""Inputs of the vectors: for each function plain cases and edge cases, with what has to be refused among them."""

import math
from dataclasses import replace

import numpy as np

from avoidkit.drive import drive
from avoidkit.frames import Pose
from avoidkit.handover.gridcases import beside_limits
from avoidkit.handover.limits import SIDES, limits, told_apart
from avoidkit.handover.records import echoes_out, ego_out, scan_out, situation_out, tracks_out
from avoidkit.handover.situations import NOW_S, made, situations
from avoidkit.handover.wire import plain
from avoidkit.scene import Scene, standing
from avoidkit.sensing.records import Health
from avoidkit.tracking.border import BORDER_RAD
from avoidkit.tracking.records import Stage, exact_tracks, no_tracks
from avoidkit.vehicle import Ego

MOST_CELLS = 40  # rows and columns of a grid in the vectors
TIMES_S = (0.0, 0.05, 0.2, 0.5, 1.0, 2.0)


def changes_for(name, tuning):
    """Changes of the tuning for the vectors of a function: a coarser, smaller grid where its own is too large."""
    space = tuning.freespace
    if name != "grid_update" or round(space.size_m / space.cell_m) <= MOST_CELLS:
        return {}
    return {"freespace.cell_m": 0.3, "freespace.size_m": 12.0}


def inputs_for(name, tuning):
    """The inputs of one function as {name of the case: plain JSON}."""
    return {case: plain(value) for case, value in _CASES[name](tuning).items()}


def _stops(tuning):
    v = tuning.vehicle
    own = {"latency_s": v.latency_s, "build_up_s": v.brake_build_up_s, "brake_mps2": v.brake_mps2}
    edge = 0.5 * v.brake_mps2 * v.brake_build_up_s  # from here on the brake builds up fully
    speeds = (0.0, 1e-6, 0.05, v.creep_mps, edge, edge * (1 - 1e-9), edge * (1 + 1e-9), 0.7, v.top_mps, 2.77)
    out = {f"{speed:.9g} m/s": own | {"speed_mps": speed} for speed in speeds}
    base = own | {"speed_mps": 1.0}
    odd = {
        "no build-up": {"build_up_s": 0.0}, "no latency": {"latency_s": 0.0},
        "neither": {"latency_s": 0, "build_up_s": 0},
        "weak brake": {"brake_mps2": 0.5}, "strong brake": {"brake_mps2": 9.0}, "slow build-up": {"build_up_s": 1.0},
        "refused: speed below 0": {"speed_mps": -0.1}, "refused: speed not a number": {"speed_mps": math.nan},
        "refused: infinite speed": {"speed_mps": math.inf}, "refused: no brake": {"brake_mps2": 0.0},
        "refused: latency below 0": {"latency_s": -0.1}, "refused: build-up not a number": {"build_up_s": math.nan},
    }  # fmt: skip
    return out | {name: base | change for name, change in odd.items()}


def _reaches(tuning):
    people = tuning.people
    walks = [(4.0, 1.0, 1.2, 0.3), (0.0, -2.0, 0.0, 0.0), (5.0, 5.0, 0.4, -0.4), (-3.0, 0.5, 2.9, 1.6)]
    rows = np.array(walks)
    some = exact_tracks(0.0, rows[:, :2], rows[:, 2:], seen_ago_s=tuning.radar.latency_s, sigma_m=0.1, sigma_mps=0.2)
    one = some.where(np.array([0]))
    slanted = one.covariance.copy()
    slanted[0, :2, 2:] = [[0.02, 0.01], [-0.01, 0.015]]
    cases = {
        "nobody": no_tracks(0.0),
        "four": some,
        "not seen for 0.6 s": replace(some, last_seen_s=np.full(4, -0.6)),
        "not seen for longer than counts": replace(some, last_seen_s=np.full(4, -people.unseen_s - 2.0)),
        "seen in the future": replace(one, last_seen_s=np.array([0.1])),
        "stood a moment ago": replace(one, stood_ago_s=np.array([people.after_standing_s - 1e-3])),
        "stood long enough ago": replace(one, stood_ago_s=np.array([people.after_standing_s])),
        "walks at the limit": replace(one, state=np.array([[0.0, 0.0, people.walking_from_mps, 0.0]])),
        "may be a person": replace(one, stage=np.array([Stage.POSSIBLE], np.int8)),
        "a group": replace(one, extent_m=np.array([0.9])),
        "smaller than a body": replace(one, extent_m=np.array([0.05])),
        "position and velocity hang together": replace(one, covariance=slanted),
        "refused: a state is not a number": replace(one, state=np.array([[math.nan, 0, 0, 0]])),
        "refused: infinite covariance": replace(one, covariance=np.full((1, 4, 4), math.inf)),
        "refused: last seen at no time": replace(one, last_seen_s=np.array([math.nan])),
    }
    out = {name: {"tracks": tracks_out(tracks), "times_s": TIMES_S} for name, tracks in cases.items()}
    for side, factor in SIDES.items():
        for name, (velocity, arrays) in told_apart(people, factor).items():
            arrays = {key: np.array(value, float) for key, value in arrays.items()}
            arrays["last_seen_s"] -= NOW_S
            tracks = replace(one, state=np.array([[4.0, 1.0, *velocity]]), **arrays)
            out[f"{side} {name}"] = {"tracks": tracks_out(tracks), "times_s": TIMES_S}
    out["no instants"] = {"tracks": tracks_out(one), "times_s": []}
    out["refused: a time below 0"] = {"tracks": tracks_out(one), "times_s": [-0.1]}
    out["refused: a time that is none"] = {"tracks": tracks_out(one), "times_s": [math.nan]}
    return out


def _situations(tuning):
    out = {name: situation_out(one) for name, one in (situations(tuning) | limits(tuning)).items()}
    whole = situation_out(made(tuning))
    out["refused: an unknown path"] = whole | {"path": "elsewhere"}
    out["refused: a time that is none"] = whole | {"time_s": math.nan}
    out["refused: signs that no grid has"] = whole | {"grid": whole["grid"] | {"cells": ["..x", "..."]}}
    out["refused: a stage that is none"] = situation_out(made(tuning, [(9.0, 0.0, 0.0, 0.0)]))
    out["refused: a stage that is none"]["tracks"]["tracks"][0]["stage"] = "gone"
    return out


def _updates(tuning):
    stands, walks = _track(8.0, 1.0, 0.0, 0.0, 0.97), _track(6.0, -2.0, 1.1, 0.5, 0.05)
    near = _track(0.03, 0.01, 0.1, 0.0, 0.5)
    aside = _track(-5.0, 0.05, -0.4, 0.3, 0.4)
    seen = {"sensor": [0.5, 0.2, 0.3], "variances": [[0.01, 0.0012, 0.01], [0.01, 0.0015, 0.04]]}
    ahead = seen | {"polar": [7.6, -0.16, 0.1]}
    walking = seen | {"polar": [5.95, -0.65, 0.8]}
    behind = seen | {"sensor": [0.0, 0.0, 0.0], "polar": [5.02, -math.pi + 0.01, 0.5]}
    rim = math.radians(tuning.radar.field_of_view_deg / 2) - BORDER_RAD  # he is at a bearing of -0.38 rad
    border = seen | {"sensor": [0.5, 0.2, -0.38 - rim], "polar": [5.95, rim + 0.005, 0.8]}
    return {
        "stands, 50 ms": stands | {"dt_s": 0.05, "measurement": ahead},
        "walks, 50 ms": walks | {"dt_s": 0.05, "measurement": walking},
        "no time goes by": walks | {"dt_s": 0.0, "measurement": walking},
        "not measured": walks | {"dt_s": 0.05, "measurement": None},
        "not measured for 2 s": walks | {"dt_s": 2.0, "measurement": None},
        "nothing at all": walks | {"dt_s": 0.0, "measurement": None},
        "far from where it was expected": walks | {"dt_s": 0.1, "measurement": seen | {"polar": [8.5, -0.1, -1.5]}},
        "a leg's range rate": walks | {"dt_s": 0.05, "measurement": seen | {"polar": [5.95, -0.65, 2.6]}},
        "behind the radar, across half a turn": aside | {"dt_s": 0.05, "measurement": behind},
        "at the radar": near | {"dt_s": 0.05, "measurement": behind | {"polar": [0.1, 0.2, 0.0]}},
        "at the border of the field of view": walks | {"dt_s": 0.05, "measurement": border},
        "surely stands": stands | {"modes": [1.0, 0.0], "dt_s": 0.05, "measurement": ahead},
        "surely walks": walks | {"modes": [0.0, 1.0], "dt_s": 0.05, "measurement": walking},
        "refused: a state that is none": walks | {"states": [[math.nan] * 4] * 2, "dt_s": 0.1, "measurement": None},
        "refused: time goes back": walks | {"dt_s": -0.05, "measurement": None},
        "refused: a variance of 0": walks | {"dt_s": 0.1, "measurement": walking | {"variances": [[0.0] * 3] * 2}},
        "refused: a measurement that is none": walks | {"dt_s": 0, "measurement": seen | {"polar": [math.nan, 0, 0]}},
    }


def _track(x, y, vx, vy, stands):
    """One track under both models, a little apart, with correlated covariances."""
    P = np.array([[0.04, 0.01, 0.015, 0.0], [0.01, 0.06, 0.0, 0.02], [0.015, 0.0, 0.09, 0.02], [0.0, 0.02, 0.02, 0.12]])
    states = [[x, y, 0.2 * vx, 0.2 * vy], [x + 0.05, y - 0.03, vx, vy]]
    return {"states": states, "covariances": [0.8 * P, P], "modes": [stands, 1.0 - stands]}


def _cycles(tuning):
    driven = _driven(tuning)
    blind = [cycle | {"scans": [scan | {"health": str(Health.BLIND)} for scan in cycle["scans"]]} for cycle in driven]
    weak = [cycle | {"scans": [scan | {"health": str(Health.DEGRADED)} for scan in cycle["scans"]]} for cycle in driven]
    quiet = [cycle | {"scans": [], "echoes": None} for cycle in driven]
    lost = [cycle | {"tracks": _lost(cycle["ego"])} for cycle in driven]
    strange = [driven[0] | {"scans": [driven[1]["scans"][0] | {"sensor": "roof"}]}]
    return {
        "the first cycle": {"cycles": driven[:1]},
        "four cycles": {"cycles": driven[:4]},
        "twelve cycles": {"cycles": driven},
        "radars that say they are blind": {"cycles": blind[:4]},
        "radars that say they are degraded": {"cycles": weak[:4]},
        "nothing is heard": {"cycles": quiet[:2]},
        "nothing is heard any more": {"cycles": driven[:6] + _standing_still(driven[5], 2.0, 8)},
        "the grid moves on": {"cycles": driven[:3] + _rolling(driven[2], 1.0, 6)},
        "somebody is not seen any more": {"cycles": lost[:6]},
        **beside_limits(tuning.replace(changes_for("grid_update", tuning))),
        "refused: no cycles": {"cycles": []},
        "refused: time does not grow": {"cycles": [driven[0], driven[0]]},
        "refused: a radar without a mount": {"cycles": strange},
    }


def _driven(tuning, cycles=12):
    """Cycles of a short drive: somebody stands ahead, a wall is beside."""
    legs = [{"direction": "forward", "segments": [{"length_m": 9.0}]}]
    walls = [{"name": "wall", "corners_m": ((-2.0, 2.6), (9.0, 2.6))}]
    scene = Scene(name="vectors", duration_s=2.0, path={"legs": legs}, walls=walls)
    scene = scene.replace_people(standing("Ada", 7.2, -0.4))
    rows = drive(scene, tuning, seed=1, duration_s=(cycles - 1) * tuning.cycle_s).rows
    return [
        plain({"ego": ego_out(row.ego), "scans": [scan_out(scan) for scan in row.scans],
               "echoes": echoes_out(row.echoes), "tracks": tracks_out(row.tracks)})
        for row in rows
    ]  # fmt: skip


def _standing_still(cycle, seconds, steps):
    """Cycles in which nothing is heard and nothing moves."""
    ego = cycle["ego"]
    times = [ego["time_s"] + seconds * (k + 1) / steps for k in range(steps)]
    return [_silent(ego | {"time_s": t}) for t in times]


def _rolling(cycle, speed_mps, steps):
    """Cycles half a second apart in which the vehicle rolls on along x and nothing is heard."""
    ego, out = cycle["ego"], []
    for k in range(1, steps + 1):
        moved = {"time_s": ego["time_s"] + 0.5 * k, "x_m": ego["x_m"] + 0.5 * k * speed_mps, "speed_mps": speed_mps}
        out.append(_silent(ego | moved))
    return out


def _silent(ego):
    return {"ego": ego, "scans": [], "echoes": None, "tracks": tracks_out(no_tracks(ego["time_s"]))}


def _lost(ego):
    """Somebody beside the vehicle whom nobody has seen for a second."""
    own = Ego(ego["time_s"], Pose(ego["x_m"], ego["y_m"], ego["yaw_rad"]), 0.0, 0.0, 0.0)
    at = [[own.pose.x_m + 5.0, own.pose.y_m - 1.5]]
    tracks = exact_tracks(own.time_s, at, [[0.0, 0.0]], seen_ago_s=1.0)
    return tracks_out(replace(tracks, stage=np.array([Stage.COASTING], np.int8)))


_CASES = {
    "stop_distance": _stops,
    "reach": _reaches,
    "speed_cap": _situations,
    "check_path": _situations,
    "verdict": _situations,
    "track_update": _updates,
    "grid_update": _cycles,
}
