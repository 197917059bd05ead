"""What the studies of exact knowledge share: a drive cycle by cycle until it is decided, and the oracle about a row."""

import math

import numpy as np

from avoidkit.paths import same_way
from tests.oracle import Truth, ask

# What a decision by exact knowledge depends on: no sensors and no tracker, whose changes leave such tables as they are.
BY_EXACT_KNOWLEDGE = (
    "backing", "caps", "centring", "clearway", "decision", "detour", "detourmath", "drive", "frames", "freespace",
    "grid", "motion", "parameters", "paths", "people", "remote", "roles", "scene", "separation", "tuning", "vehicle",
    "verdict", "walks", "yard", "studies.exact", "studies.settled", "studies.walker",
)  # fmt: skip


def played(loop, longest_s, *, until_halted=True):
    """Rows of a drive until the end of the way, or (`until_halted`) a halt that waits for the operator."""
    rows, cycle_s = [], loop.tuning.cycle_s
    for cycle in range(round(longest_s / cycle_s) + 1):
        row = loop.step(cycle * cycle_s)
        rows.append(row)
        if row.verdict.settled_by == "way left" or (until_halted and row.verdict.memory.halted):
            break
    return rows


def outcome_of(rows):
    """`continue` or `detour` where the end was reached, else `halt`."""
    if rows[-1].verdict.settled_by != "way left":
        return "halt"
    return "detour" if any(not same_way(row.path, "reference") for row in rows) else "continue"


def truth_of(row, scene, tuning):
    """The oracle's view of one row: people as they stand there, the vehicle beside its reference path."""
    along, pose = row.reference_along_m, row.ego.pose
    x, y, yaw = scene.reference.poses_at(along)
    heading = yaw + (0.0 if scene.reference.direction_at(along) > 0 else math.pi)
    offset = -(pose.x_m - x) * math.sin(heading) + (pose.y_m - y) * math.cos(heading)
    angle = math.remainder(pose.yaw_rad - yaw, 2 * math.pi)
    people = row.people.xy[~row.people.is_operator]
    return Truth(
        scene.reference, tuning, people, tuple(scene.polygons), along, row.ego.steering_rad, float(offset), angle
    )


def could_go_on(row, scene, tuning):
    """Whether the oracle finds a way on or round from where a drive stood at its last row."""
    if scene.reference.leg_end_after(row.reference_along_m) - row.reference_along_m < 0.3:
        return False
    found = ask(truth_of(row, scene, tuning), lookahead_m=np.inf)
    return bool(found.can_continue or found.can_detour)


def row_among(rows, scene, tuning, moving_mps):
    """What a drive among adversaries came to: contacts while moving, the end of the way, what the oracle says."""
    moving = [abs(r.ego.speed_mps) for r in rows if r.contacts and abs(r.ego.speed_mps) > moving_mps]
    ended = rows[-1].verdict.settled_by == "way left"
    return {
        "contacts_moving": len(moving), "speed_at_contact_mps": round(max(moving, default=0.0), 3),
        "touched_at_rest": any(r.contacts for r in rows) and not moving, "reached_end": ended,
        "could": ended or could_go_on(rows[-1], scene, tuning), "driven_m": round(rows[-1].reference_along_m, 2),
        "last": rows[-1].verdict.settled_by, "errors": sum(bool(r.error) for r in rows),
    }  # fmt: skip
