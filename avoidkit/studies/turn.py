"""The smallest change of one quantity that would turn a settled verdict: computed, not guessed."""

import math
from dataclasses import dataclass, replace

import numpy as np

from avoidkit.decision import decide as kit_decide
from avoidkit.studies.settled import settle
from avoidkit.vehicle import box
from avoidkit.verdict import Turn

# Tried outwards, in units of twice the quantity's scale; the last ones reach its bounds.
STEPS = (0.02, 0.05, 0.1, 0.2, 0.35, 0.5, 0.8, 1.2, 2.0, 3.0, 4.5, 6.5, 9.0, 12.0, 16.0, 20.0)
PLACE_M, MOST_PEOPLE = 8.0, 2  # so far a person is moved, and so many people are


@dataclass(frozen=True, slots=True)
class Quantity:
    """One thing that may be changed: `change(value)` gives the situation and tuning in which it has that value."""

    name: str
    unit: str
    now: float
    low: float
    high: float
    scale: float  # a change of this size counts as 1 when changes of different quantities are compared
    tolerance: float
    change: object


def find_turn(situation, tuning, *, decide=kit_decide, step_s=None):
    """The smallest change, of one quantity alone, that turns the settled verdict; None if none was found.

    Places and speeds of the two people who matter most, the clearance and the brake latency are tried outwards in
    both directions and the edge is bisected, no farther than the least change found so far. Memory stays as it is in
    `situation`.

    Parameters
    ----------
    situation : Situation
    tuning : Tuning
    decide : callable
    step_s : float, optional
        Step of the clock while an answer settles, see `settle`; a long one asks a tenth as often.

    Returns
    -------
    Turn or None
        `then` is the value just beyond the edge, within 1 mm, 1 mm/s or 1 ms.
    """
    before = settle(situation, tuning, decide=decide, step_s=step_s).action
    best = None
    for quantity in quantities(situation, tuning):
        within = math.inf if best is None else best[0] * quantity.scale
        found = _edge(quantity, before, decide, step_s, within)
        if found is None:
            continue
        value, action = found
        size = abs(value - quantity.now) / quantity.scale
        if best is None or size < best[0]:
            best = (size, Turn(quantity.name, quantity.unit, quantity.now, value, action))
    return None if best is None else best[1]


def quantities(situation, tuning):
    """What `find_turn` may change, with bounds."""
    found = [_field(situation, tuning, "decision.clearance_m", "clearance", "m", 0.2, 0.0, 1.5)]
    found.append(_field(situation, tuning, "vehicle.latency_s", "latency", "s", 0.1, 0.0, 1.0))
    heading = situation.ego.pose.yaw_rad
    ahead, left = np.array([math.cos(heading), math.sin(heading)]), np.array([-math.sin(heading), math.cos(heading)])
    origin = np.array([situation.ego.pose.x_m, situation.ego.pose.y_m])
    for k in _who_matters(situation, tuning)[:MOST_PEOPLE]:
        name = f"track {int(situation.tracks.ids[k])}"
        for label, way in (("distance ahead", ahead), ("place to the left", left)):
            now = float((situation.tracks.state[k, :2] - origin) @ way)
            move = _mover(situation, tuning, k, way, now)
            found.append(Quantity(f"{label} of {name}", "m", now, now - PLACE_M, now + PLACE_M, 0.2, 1e-3, move))
        speed = float(np.hypot(*situation.tracks.state[k, 2:]))
        if speed > 0.15:
            scaled = _faster(situation, tuning, k, speed)
            top = tuning.people.top_speed_mps
            found.append(Quantity(f"speed of {name}", "m/s", speed, 0.0, top, 0.3, 1e-3, scaled))
    return found


def _field(situation, tuning, dotted, label, unit, scale, low, high):
    section, field = dotted.split(".")
    now = getattr(getattr(tuning, section), field)
    return Quantity(label, unit, now, low, high, scale, 1e-3, lambda v: (situation, tuning.replace({dotted: float(v)})))


def _who_matters(situation, tuning):
    """Indices of the tracks, from the one nearest to the outline or to the path ahead of it on."""
    tracks, path = situation.tracks, situation.path
    ahead = situation.along_m + np.arange(0.0, tuning.detour.lookahead_m, 0.5)
    poses = path.poses_at(np.minimum(ahead, path.length_m))
    front, rear, _ = box(tuning.vehicle)
    middle = 0.5 * (front + rear)
    x, y = poses[:, 0] + middle * np.cos(poses[:, 2]), poses[:, 1] + middle * np.sin(poses[:, 2])
    apart = np.hypot(tracks.state[:, :1] - x, tracks.state[:, 1:2] - y)
    return np.argsort(apart.min(axis=1) + 0.05 * apart.argmin(axis=1), kind="stable").tolist()


def _mover(situation, tuning, k, way, now):
    def change(value):
        state = situation.tracks.state.copy()
        state[k, :2] += way * (value - now)
        return replace(situation, tracks=replace(situation.tracks, state=state)), tuning

    return change


def _faster(situation, tuning, k, speed):
    def change(value):
        state = situation.tracks.state.copy()
        state[k, 2:] *= value / speed
        return replace(situation, tracks=replace(situation.tracks, state=state)), tuning

    return change


def _edge(quantity, before, decide, step_s=None, within=math.inf):
    """The nearest value less than `within` off at which the settled action is another one, and that action; or None."""

    def action(value):
        return settle(*quantity.change(value), decide=decide, step_s=step_s).action

    nearest = None
    for sign in (1, -1):
        inside = quantity.now
        for step in STEPS:
            value = min(max(quantity.now + sign * step * quantity.scale * 2, quantity.low), quantity.high)
            if value == inside or abs(inside - quantity.now) >= within:
                break
            found = action(value)
            if found != before:
                value, found = _bisect(action, before, inside, value, found, quantity.tolerance)
                if abs(value - quantity.now) < within:
                    nearest, within = (value, found), abs(value - quantity.now)
                break
            inside = value
    return nearest


def _bisect(action, before, inside, outside, found, tolerance):
    while abs(outside - inside) > tolerance:
        middle = 0.5 * (inside + outside)
        now = action(middle)
        if now == before:
            inside = middle
        else:
            outside, found = middle, now
    return outside, found
