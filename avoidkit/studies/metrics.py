"""What a study keeps of a drive: one row of plain numbers, each with a rule that can be read here.

The test's oracle: `halt_needed` looks at a halt by the truth instead of by what was sensed.
"""

import math
from functools import lru_cache
from itertools import pairwise

import numpy as np

from avoidkit.caps import safety_caps, way_ahead
from avoidkit.clearway import cells_of
from avoidkit.freespace import free_grid
from avoidkit.grid import middle_of
from avoidkit.motion import Motion, advance
from avoidkit.paths import same_way
from avoidkit.people import CONTACT_RADIUS_M
from avoidkit.recording.summary import AT_END_M, moves
from avoidkit.sensing.records import Echoes, Health
from avoidkit.tracking.records import Stage, exact_tracks
from avoidkit.vehicle import box
from avoidkit.verdict import Action, Memory, Situation, Verdict

STANDS_BELOW_MPS = 0.15
NEEDED_WITHIN_S = 0.5  # a halt is needed if the truth called for it at any instant so near to its beginning
BLOCKED_WITHIN_M = 1.0  # beyond the standoff: a vehicle halts before it stands there
HORIZON_S, STEP_S = 8.0, 0.05  # of the time to collision
NEAR_M, PAIRED_M = 8.0, 1.0  # tracks are judged of people so near, by the nearest one within so much
ORDERED = ("hold-to-run held", "age of hold-to-run", "distance of operator")


def drive_row(recording):
    """The numbers of one drive.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    dict of plain values
        `contacts`, `contacts_moving`: how many began with the vehicle at rest, and moving (faster than 0.05 m/s).
        `nearest_gap_m`, `gap_speed_mps`: least true gap from outline to body while moving, and the speed then.
        `least_ttc_s`: see `least_time_to_collision`. `halts`, `halts_needed`, `halts_not_needed`: see
        `halt_needed`. `brakes`: stops that ended by themselves. `detours`: paths round something that were taken.
        `lost_s`: time beyond that of an undisturbed drive to where it came, see `undisturbed`. `reached_end`,
        `end_s`: whether and when the end was reached (NaN: not). `tracked_share`, `track_rms_m`, `false_tracks`: see
        `track_quality`. `errors`, `error`: cycles in which a stage failed, and what the first said.
    """
    rows, summary = list(recording.rows), recording.summary()
    halts = [stop for stop in summary["stops"] if stop["kind"] == "halt"]
    needed = sum(halt_needed(recording, stop["from_s"], stop["settled_by"]) for stop in halts)
    nearest = min((row for row in rows if moves(row)), key=lambda row: row.gap_m, default=None)
    failed = [row.error for row in rows if row.error]
    return {
        "contacts": len(summary["contacts_at_rest"]),
        "contacts_moving": len(summary["contacts_moving"]),
        "nearest_gap_m": summary["nearest_gap_moving_m"],
        "gap_speed_mps": math.nan if nearest is None else abs(nearest.ego.speed_mps),
        "least_ttc_s": least_time_to_collision(rows, recording.tuning.vehicle),
        "halts": len(halts),
        "halts_needed": needed,
        "halts_not_needed": len(halts) - needed,
        "brakes": sum(stop["kind"] == "brake" for stop in summary["stops"]),
        "detours": len({row.path for row in rows if not same_way(row.path, recording.scene.reference.name)}),
        "reached_end": summary["reached_end"],
        "end_s": summary["reached_end_s"],
        "lost_s": lost_time(rows, summary["reached_end_s"], recording.scene, recording.tuning),
        **track_quality(rows),
        "errors": len(failed),
        "error": failed[0] if failed else "",
    }


def halt_needed(recording, at_s, settled_by=""):
    """Whether a halt at `at_s` was called for by the truth: the rule that tells a needed halt from one that was not.

    It was, if within half a second of its beginning, with everybody's true place and velocity (`exact_tracks`) and
    every thing of the scene known, rule 1 would have capped the speed on the active path at zero; or if the way was
    blocked, by somebody who stands or by a thing, within the standoff and 1 m. A halt because the operator
    let go, came too far away or was not heard is an order, and counts as needed.

    Parameters
    ----------
    recording : Recording
    at_s : float
        Its first cycle.
    settled_by : str
        Name of the check that settled it.
    """
    if settled_by in ORDERED:
        return True
    rows, tuning = recording.rows, recording.tuning
    first = recording.index_at(max(at_s - NEEDED_WITHIN_S, float(recording.times_s[0])))
    last = recording.index_at(at_s + NEEDED_WITHIN_S)
    stood = _stood(rows, first, last)
    row = rows[first]
    middle = middle_of(tuning.vehicle, row.ego.pose, ahead_m=tuning.freespace.ahead_m)
    grid = free_grid(middle, tuning, blocked=recording.scene.polygons, time_s=row.time_s)
    cells = cells_of(grid)
    for k in range(last, first - 1, -1):
        situation = _by_truth(rows[k], recording, grid, stood[k - first])
        if _called_for(situation, cells, tuning):
            return True
    return False


def _called_for(situation, cells, tuning):
    path, along = situation.path, situation.along_m
    if min(cap.cap_mps for cap in safety_caps(situation, path, along, cells, tuning)) < tuning.vehicle.creep_mps:
        return True
    blocked = way_ahead(situation, path, along, cells, tuning)
    return blocked is not None and blocked.at_m <= tuning.decision.standoff_m + BLOCKED_WITHIN_M


def _by_truth(row, recording, grid, stood):
    now, tuning = row.time_s, recording.tuning
    tracks = exact_tracks(
        now, row.people.xy, row.people.velocity, standing_for_s=stood[0], stood_ago_s=stood[1],
        seen_ago_s=tuning.radar.latency_s,
    )  # fmt: skip
    fresh = dict.fromkeys(row.sensors, (Health.OK, now))
    return Situation(
        now, row.ego, recording.paths[row.path], row.along_m, recording.scene.reference, row.reference_along_m, tracks,
        grid.at(now), Echoes(now, now, np.full(12, np.inf)), row.hold, fresh, Memory(since_s=now),
    )  # fmt: skip


def _stood(rows, first, last):
    """For rows `first` to `last`: how long each person has stood, and how long ago they last did, s."""
    begin = max(first - 60, 0)
    n = len(rows[first].people)
    standing, ago, out = np.zeros(n), np.full(n, 10.0), []
    for k in range(begin, last + 1):
        dt_s = rows[k].time_s - rows[k - 1].time_s if k > begin else 0.0
        still = np.hypot(*rows[k].people.velocity.T) < STANDS_BELOW_MPS
        standing, ago = np.where(still, standing + dt_s + 1e-9, 0.0), np.where(still, 0.0, ago + dt_s)
        if k >= first:
            out.append((standing, ago))
    return out


def least_time_to_collision(rows, vehicle):
    """Least time, s, until outline and a body would touch, over all cycles in which the vehicle moves.

    Vehicle and person both keep the velocity they have at that instant, the outline its heading; `inf` where
    nothing would touch within 8 s. A body is a disc of 0.25 m; in steps of 0.05 s.
    """
    least = math.inf
    front, rear, half = box(vehicle)
    times = np.arange(0.0, HORIZON_S, STEP_S)
    for row in rows:
        if not moves(row) or not len(row.people) or row.gap_m > 3.0 * HORIZON_S:
            continue
        pose, speed = row.ego.pose, row.ego.speed_mps
        cos, sin = math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)
        turn = np.array([[cos, -sin], [sin, cos]])
        apart = (row.people.xy - [pose.x_m, pose.y_m]) @ turn
        closing = row.people.velocity @ turn - [speed, 0.0]
        upto = times if math.isinf(least) else times[times < least]
        at = apart[:, None] + closing[:, None] * upto[None, :, None]
        out_x = np.maximum(np.maximum(at[..., 0] - front, rear - at[..., 0]), 0.0)
        out_y = np.maximum(np.abs(at[..., 1]) - half, 0.0)
        touches = (np.hypot(out_x, out_y) <= CONTACT_RADIUS_M).any(axis=0)
        if touches.any():
            least = float(upto[int(np.argmax(touches))])
    return least


def lost_time(rows, reached_s, scene, tuning):
    """Time, s, beyond that of an undisturbed drive to the farthest place that this one came to on the reference."""
    until_s = reached_s if math.isfinite(reached_s) else rows[-1].time_s
    way_m = min(max(row.reference_along_m for row in rows), scene.reference.length_m - AT_END_M)
    times, along = undisturbed(scene, tuning.vehicle, tuning.cycle_s)
    k = int(np.searchsorted(along, way_m - 1e-9))
    return max(0.0, until_s - float(times[min(k, len(times) - 1)]))


@lru_cache(maxsize=64)
def _undisturbed(key, path, pose, start_s, vehicle, cycle_s):
    motion = Motion(pose, direction=path.direction_at(0.0), path_name=path.name)
    go = Verdict(Action.CONTINUE, path, vehicle.top_mps, Memory())
    times, along = [0.0, start_s], [0.0, 0.0]
    while along[-1] < path.length_m - AT_END_M and times[-1] < start_s + 40.0 * path.length_m + 60.0:
        motion = advance(motion, go, vehicle, cycle_s)
        times.append(times[-1] + cycle_s)
        along.append(motion.along_m)
    return np.array(times), np.array(along)


def undisturbed(scene, vehicle, cycle_s):
    """A drive along the reference path with nobody and nothing in the way: (times, s; distances along it, m).

    The vehicle as its tuning has it, at its top speed, from the first press of the operator on.
    """
    hold = scene.hold
    start_s = hold.press_at_s if hold.mode == "operator" else min((press.from_s for press in hold.presses), default=0.0)
    key = (scene.start, scene.path)
    return _undisturbed(key, scene.reference, scene.start_pose, float(start_s), vehicle, cycle_s)


def track_quality(rows):
    """How good the tracks are of people within 8 m of the middle of the rear axle.

    Returns
    -------
    dict
        `tracked_share`: of (cycle, person) pairs, those with a confirmed or coasting track within 1 m;
        `track_rms_m`: their root mean square distance; `false_tracks`: mean number of confirmed tracks with nobody
        within 2 m. NaN where there is nothing to judge.
    """
    pairs, squares, false = 0, [], 0
    for row in rows:
        tracks, people = row.tracks, row.people
        believed = np.isin(tracks.stage, (Stage.CONFIRMED, Stage.COASTING))
        here = np.array([row.ego.pose.x_m, row.ego.pose.y_m])
        near = np.hypot(*(people.xy - here).T) <= NEAR_M
        apart = np.linalg.norm(tracks.state[believed, None, :2] - people.xy[None], axis=2)
        confirmed = tracks.stage[believed] == Stage.CONFIRMED
        false += int(np.count_nonzero(confirmed & (apart.min(axis=1, initial=np.inf) > 2 * PAIRED_M)))
        pairs += int(near.sum())
        least = apart.min(axis=0, initial=np.inf)[near]
        squares.append(least[least <= PAIRED_M] ** 2)
    squares = np.concatenate(squares) if squares else np.zeros(0)
    return {
        "tracked_share": len(squares) / pairs if pairs else math.nan,
        "track_rms_m": math.sqrt(float(squares.mean())) if len(squares) else math.nan,
        "false_tracks": false / len(rows) if rows else math.nan,
    }


def changed_answers(first, second):
    """The first cycle at which two recordings of the same scene act differently: its time, s; NaN if none."""
    for a, b in zip(first.rows, second.rows, strict=False):
        if a.verdict.action != b.verdict.action:
            return float(a.time_s)
    return math.nan


def actions_in_words(rows):
    """The actions of a drive in order, each change once, such as `wait continue halt`."""
    actions = [str(row.verdict.action) for row in rows]
    return " ".join(actions[:1] + [b for a, b in pairwise(actions) if a != b])
