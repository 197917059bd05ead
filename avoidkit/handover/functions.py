"""The functions that are handed over: each takes and gives plain JSON, given a tuning.

`FUNCTIONS` is the list; the vectors are made with it, and `serve` answers with it. What an input is refused for is an
`InputError`, which is an answer as well.
"""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.caps import safety_caps, way_ahead
from avoidkit.checks import InputError, require_not_negative
from avoidkit.clearway import cells_of, free_along
from avoidkit.decision import decide
from avoidkit.freespace import FreeSpace
from avoidkit.handover.records import check_out, echoes_in, ego_in, scan_in, situation_in, tracks_in
from avoidkit.handover.verdicts import verdict_out
from avoidkit.handover.wire import number, numbers, part
from avoidkit.separation import reach, sweep_poses
from avoidkit.tracking import filters
from avoidkit.tracking import settings as of
from avoidkit.tracking.settings import settings_of
from avoidkit.vehicle import stop_distance, stop_time

STATES_OF_CELLS = ("unknown", "free", "occupied")


@dataclass(frozen=True, slots=True)
class Exported:
    """One function: name, what it answers, the function `(tuning, input, known paths) -> output`, and its tolerance.

    An output is right where every number lies within `absolute + relative * |number wanted|` of the one wanted.
    """

    name: str
    doc: str
    call: object
    absolute: float
    relative: float


def stopping(tuning, value, known):
    """Distance and time from the order to brake until the vehicle stands."""
    names = ("speed_mps", "latency_s", "build_up_s", "brake_mps2")
    speed, *limits = (number(part(value, name, "input"), name) for name in names)
    found = stop_distance(speed, *limits), stop_time(speed, *limits)
    return {"distance_m": float(found[0]), "time_s": float(found[1])}


def reaching(tuning, value, known):
    """Discs that hold each tracked person at instants from now."""
    times_s = numbers(part(value, "times_s", "input"), "times_s", (None,))
    require_not_negative(times_s=float(times_s.min(initial=0.0)))
    found = reach(tracks_in(part(value, "tracks", "input")), times_s, tuning.people)
    return {"centres_m": found.centres, "radii_m": found.radii}


def capping(tuning, value, known):
    """The greatest safe speed along the active path (rule 1), and what sets it."""
    situation = situation_in(value, known)
    cells = cells_of(situation.grid)
    if situation.echoes is None:
        raise InputError("situation.echoes must be there for a speed cap")
    caps = safety_caps(situation, situation.path, situation.along_m, cells, tuning)
    least = min(cap.cap_mps for cap in caps)
    listed = [{"cap_mps": cap.cap_mps, "check": check_out(cap.check)} for cap in caps]
    return {"speed_cap_mps": least if least >= tuning.vehicle.creep_mps else 0.0, "caps": listed}


def checking(tuning, value, known):
    """How far along the active path the outline stays on known free cells, and what stands in the way ahead."""
    situation = situation_in(value, known)
    path, along, cells = situation.path, situation.along_m, cells_of(situation.grid)
    ahead_m = min(path.leg_end_after(along) - along, tuning.detour.lookahead_m)
    distances = np.arange(0.0, max(ahead_m, 0.05), 0.1)
    poses = sweep_poses(path, along, situation.ego.pose, distances)
    clear = free_along(poses, distances, cells, tuning.vehicle, tuning.decision.static_clearance_m)
    blocked = way_ahead(situation, path, along, cells, tuning)
    ahead = None
    if blocked is not None:
        ahead = {"at_m": blocked.at_m, "about": blocked.about, "things": [list(thing) for thing in blocked.things]}
    first = {"state": STATES_OF_CELLS[clear.state], "at_xy": [clear.x_m, clear.y_m]} if clear.blocked else None
    return {"free_m": clear.free_m, "first_blocked": first, "way_ahead": ahead}


def judging(tuning, value, known):
    """The verdict on a situation."""
    situation = situation_in(value, known)
    verdict = decide(situation, tuning)
    known.setdefault(verdict.path.name, verdict.path)
    return verdict_out(verdict, known={situation.path.name, situation.reference.name})


def tracking(tuning, value, known):
    """One track let go on by a time and updated with one measurement, under both models of motion."""
    x = numbers(part(value, "states", "input"), "states", (2, 4))[None]
    P = numbers(part(value, "covariances", "input"), "covariances", (2, 4, 4))[None]
    modes = numbers(part(value, "modes", "input"), "modes", (2,))[None]
    dt_s = number(part(value, "dt_s", "input"), "dt_s")
    require_not_negative(dt_s=dt_s)
    if not all(bool(np.isfinite(array).all()) for array in (x, P, modes)):
        raise InputError("states, covariances and modes must be finite")
    settings = settings_of(tuning, math.inf)
    if dt_s > 0:
        chances = filters.switching(dt_s, settings[of.STOP_PER_S], settings[of.START_PER_S])
        models = settings[of.ACCEL_PSD], settings[of.SWAY_MPS], settings[of.STANDING_MEMORY_S]
        filters.mix(x, P, modes, chances)
        filters.predict(x, P, *filters.motion_models(dt_s, *models))
    if value.get("measurement") is not None:
        _update(x, P, modes, value["measurement"], settings)
    state, covariance = filters.combined(x, P, modes)
    out = {"states": x[0], "covariances": P[0], "modes": modes[0]}
    return out | {"state": state[0], "covariance": covariance[0]}


def _update(x, P, modes, value, settings):
    names = (("polar", (3,)), ("variances", (2, 3)), ("sensor", (3,)))
    z, R, sensor = (numbers(part(value, name, "measurement"), name, shape) for name, shape in names)
    if not all(bool(np.isfinite(array).all()) for array in (z, R, sensor)) or (R <= 0).any():
        raise InputError("measurement must be finite and its variances above 0")
    limb_var, shares = filters.limbs(z[None], settings)
    pick = np.zeros(1, np.int64)
    trust, half_view_rad = settings[of.MODE_TRUST], settings[of.HALF_VIEW_RAD]
    filters.update(x, P, modes, pick, z[None], R[None], sensor, limb_var, shares, trust, half_view_rad)


def mapping(tuning, value, known):
    """The grid after a row of cycles, begun with nothing known but the operator's word."""
    cycles = part(value, "cycles", "input")
    if not isinstance(cycles, list) or not 1 <= len(cycles) <= 1000:
        raise InputError("input.cycles must be a list of 1 to 1000")
    space, grid = FreeSpace(tuning), None
    for k, cycle in enumerate(cycles):
        name = f"cycles[{k}]"
        scans = [scan_in(scan, f"{name}.scans") for scan in part(cycle, "scans", name)]
        echoes = echoes_in(part(cycle, "echoes", name), f"{name}.echoes")
        tracks = tracks_in(part(cycle, "tracks", name), f"{name}.tracks")
        grid = space.step(scans, echoes, tracks, ego_in(part(cycle, "ego", name), f"{name}.ego"))
    masks = {name: ["".join("01"[cell] for cell in row) for row in getattr(grid, name).astype(int)] for name in MASKS}
    odds = [[round(cell, 6) for cell in row] for row in grid.log_odds.astype(float).tolist()]
    return {"corner_xy": grid.corner_xy, "cell_m": grid.cell_m, "log_odds": odds} | masks


MASKS = ("declared", "exposed", "vouched")

FUNCTIONS = {
    one.name: one
    for one in (
        Exported("stop_distance", stopping.__doc__, stopping, 1e-9, 1e-7),
        Exported("reach", reaching.__doc__, reaching, 1e-7, 1e-6),
        Exported("speed_cap", capping.__doc__, capping, 1e-6, 1e-6),
        Exported("check_path", checking.__doc__, checking, 1e-6, 1e-6),
        Exported("verdict", judging.__doc__, judging, 1e-6, 1e-6),
        Exported("track_update", tracking.__doc__, tracking, 1e-9, 1e-6),
        Exported("grid_update", mapping.__doc__, mapping, 1e-4, 1e-4),
    )
}
