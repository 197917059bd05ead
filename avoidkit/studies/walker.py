"""One walk as a few numbers inside the envelope, and the scene in which it is walked: what a stress search varies."""

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from avoidkit.checks import InputError
from avoidkit.roles import FAULT_KINDS, Fault, PersonModel, Step
from avoidkit.studies.metrics import undisturbed
from avoidkit.tuning import VehicleTuning, did_you_mean, validated
from avoidkit.vehicle import box
from avoidkit.walks import EXTEND_S

NAME = "walker"
THING_M, VEHICLE_M = 0.3, 1.0  # kept from things on the way, and from the vehicle at its start
LATEST_S = 3.0  # meets the path so long before or after the vehicle would be there
SLOWEST_MPS = 0.3
SHORTEST_SMOOTH_S = 0.2
FIELDS = ("at_m", "lead_s", "speed_mps", "heading_rad", "length_m", "turn_rad", "after_m")


@dataclass(frozen=True, slots=True)
class Course:
    """A walk: straight to a point on the vehicle's path, perhaps a turn there, straight on, and a stop.

    Attributes
    ----------
    at_m : float
        Where the straight way meets the reference path, m along it.
    lead_s : float
        So long before (above 0) the front of an undisturbed vehicle would be there.
    speed_mps : float
    heading_rad : float
        From the path's heading there, counter-clockwise.
    length_m : float
        From where they stood to the path.
    turn_rad : float
        There, counter-clockwise.
    after_m : float
        From there to where they stop.
    """

    at_m: float
    lead_s: float
    speed_mps: float
    heading_rad: float
    length_m: float
    turn_rad: float
    after_m: float


def course_bounds(scene, tuning, ahead_m=10.0):
    """{name: (low, high)} of the numbers of a `Course`: the path from the bumper to `ahead_m` beyond it.

    Speeds up to the envelope's top speed. Turns are limited by what a walker can do, see `walk_of_course`.
    """
    front, _, _ = box(tuning.vehicle)
    last = min(scene.reference.length_m, front + ahead_m)
    low = min(front + 0.3, last - 0.1)
    return {
        "at_m": (low, last),
        "lead_s": (-LATEST_S, LATEST_S),
        "speed_mps": (SLOWEST_MPS, tuning.people.top_speed_mps),
        "heading_rad": (-math.pi, math.pi),
        "length_m": (0.5, 6.0),
        "turn_rad": (-2.0, 2.0),
        "after_m": (0.0, 4.0),
    }


def walk_of_course(course, scene, tuning):
    """The walk of a course as a `PersonModel`, or None where they cannot have stood there.

    The smoothing of the walk is as long as the envelope wants: a start within `standing_accel_mps2`, a turn and a stop
    within `walking_accel_mps2`, each piece at least as long as the smoothing, so that no two add up. Who would
    come nearer than 0.3 m to a thing stops there instead.
    """
    people, path = tuning.people, scene.reference
    x, y, yaw = path.poses_at(course.at_m)
    meet, way = np.array([x, y]), yaw + course.heading_rad
    first, second = _unit(way), _unit(way + course.turn_rad)
    start = meet - course.length_m * first
    speed = course.speed_mps
    turn_mps = 2 * speed * abs(math.sin(course.turn_rad / 2)) if course.after_m > 0 else 0.0
    smooth_s = max(speed / people.standing_accel_mps2, turn_mps / people.walking_accel_mps2)
    smooth_s = min(max(smooth_s, speed / people.walking_accel_mps2, SHORTEST_SMOOTH_S), 5.0)
    points = _kept_off([start, meet, meet + course.after_m * second], scene)
    if points is None:
        return None
    times, kept = [0.0], [points[0]]
    for a, b in pairwise(points):
        lasts_s = float(np.hypot(*(b - a))) / speed
        if lasts_s < smooth_s:  # too short a piece would add its acceleration to its neighbour's
            break
        times.append(times[-1] + lasts_s)
        kept.append(b)
    if len(kept) < 2:
        return None
    begins = _arrival_s(course.at_m, scene, tuning) - course.lead_s - course.length_m / speed
    begins = max(begins, EXTEND_S + smooth_s)  # the first and the last second are stood
    steps = [(0.0, kept[0])] + [(begins + t, p) for t, p in zip(times, kept, strict=True)]
    steps.append((steps[-1][0] + EXTEND_S + smooth_s, kept[-1]))
    walk = tuple(Step(t_s=round(float(t), 4), x_m=round(float(p[0]), 4), y_m=round(float(p[1]), 4)) for t, p in steps)
    return PersonModel(name=NAME, walk=walk, smooth_s=round(smooth_s, 4))


def scene_of(course, scene, tuning, also=()):
    """The scene with that walk and nobody else but the operator, and with what is also varied; None if impossible.

    Parameters
    ----------
    also : sequence of (name, value)
        A field of the true vehicle such as `latency_s`, or a sensor and a kind of fault such as `front_left late`.
    """
    person = walk_of_course(course, scene, tuning)
    if person is None:
        return None
    try:
        changed = scene.without_guests().with_people(person)
        true = {name: float(value) for name, value in also if " " not in name}
        faults = [fault_of(name, value, changed.duration_s) for name, value in also if " " in name]
        changes = {"true_vehicle": {**changed.true_vehicle, **true}} if true else {}
        if faults:
            changes["faults"] = [fault.model_dump(mode="json") for fault in (*changed.faults, *faults)]
        return changed.replace(changes) if changes else changed
    except InputError:
        return None  # beside the operator, say


def fault_of(name, value, duration_s):
    """A `Fault` for the whole drive from `SENSOR KIND` and its amount."""
    sensor, _, kind = name.partition(" ")
    return Fault(sensor=sensor, kind=kind, from_s=0.0, to_s=float(duration_s) + 60.0, amount=float(value))


def checked_also(also, loop):
    """Raise `InputError` unless each name is a field of the vehicle or a sensor and a kind of fault, with a range, and
    the loop (`exact` or `sensed`) has what it speaks of."""
    for name, wanted in also.items():
        if not (isinstance(wanted, tuple) and len(wanted) == 2 and wanted[0] < wanted[1]):
            raise InputError(f"also: {name}: a range (low, high) with low below high was wanted, got {wanted}")
        if " " not in name:
            if name not in VehicleTuning.model_fields:
                known = VehicleTuning.model_fields
                raise InputError(f"also: the vehicle has no field {name!r}{did_you_mean(name, known)}")
            for value in wanted:
                validated(VehicleTuning, {name: value}, "also")
            continue
        kind = name.partition(" ")[2]
        if kind not in FAULT_KINDS or not FAULT_KINDS[kind][0]:
            known = [k for k, v in FAULT_KINDS.items() if v[0]]
            raise InputError(f"also: {name}: a kind of fault with an amount was wanted{did_you_mean(kind, known)}")
        for value in wanted:
            try:
                fault_of(name, value, 60.0)
            except ValueError as error:
                raise InputError(f"also: {name}: {error.errors()[0]['msg'].removeprefix('Value error, ')}") from None
        if loop == "exact" and not name.startswith("link "):
            raise InputError(f"also: {name}: perfect knowledge has no sensors; with loop 'sensed' (--sensed) it counts")


def _kept_off(points, scene):
    """The polyline as far as it keeps off things; None where it begins too near to one or to the vehicle."""
    import shapely

    from avoidkit.vehicle import outline_in_scene

    vehicle = shapely.Polygon(outline_in_scene(VehicleTuning(), scene.start_pose))
    if shapely.distance(vehicle, shapely.Point(points[0])) < VEHICLE_M:
        return None
    solid = scene.solid
    if solid is None:
        return points
    if shapely.distance(solid, shapely.Point(points[0])) < THING_M:
        return None
    kept = [points[0]]
    for a, b in pairwise(points):
        along = np.linspace(0.0, 1.0, 41)[:, None]
        places = a + along * (b - a)
        near = np.flatnonzero(shapely.distance(solid, shapely.points(places)) < THING_M)
        if len(near):
            kept.append(places[near[0] - 1] if near[0] else a)
            break
        kept.append(b)
    return kept


def _arrival_s(at_m, scene, tuning):
    times, along = undisturbed(scene, tuning.vehicle, tuning.cycle_s)
    front, _, _ = box(tuning.vehicle)
    return float(np.interp(at_m - front, along, times))


def _unit(angle):
    return np.array([math.cos(angle), math.sin(angle)])


def course_from(shares, bounds):
    """A `Course`, and what is also varied as (name, value) pairs, from numbers between 0 and 1."""
    pairs = zip(shares, bounds.items(), strict=True)
    values = {name: low + float(share) * (high - low) for share, (name, (low, high)) in pairs}
    also = tuple((name, value) for name, value in values.items() if name not in FIELDS)
    return Course(**{name: values[name] for name in FIELDS}), also
