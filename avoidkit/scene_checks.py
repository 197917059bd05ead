"""What has to be true of a whole scene: a clear path, people apart, nobody inside a thing, faults one at a time."""

from functools import lru_cache

import numpy as np

from avoidkit.checks import InputError
from avoidkit.frames import Pose, to_scene
from avoidkit.paths import path_from_legs
from avoidkit.people import CONTACT_RADIUS_M, signed_distance
from avoidkit.roles import walk_of
from avoidkit.tuning import VehicleTuning
from avoidkit.vehicle import box, outline_in_scene
from avoidkit.walks import JUMP_MPS, fastest_step
from avoidkit.yard import LISTS, complain

APART_M = 0.3  # two people nearer than this are a mistake in the file
BODY_M = 0.15  # nobody's middle comes nearer to a thing
PATH_HALF_WIDTH_M = 0.8  # nominal half width that the reference path has to leave clear
_CHECK_S = 0.05


def pose_of(start):
    """The `Pose` of a scene's start."""
    return Pose(start.x_m, start.y_m, float(np.radians(start.yaw_deg)))


@lru_cache(maxsize=64)
def path_of(start, course):
    """The reference `Path` of a scene's start and course."""
    legs = []
    for leg in course.legs:
        sign = 1 if leg.direction == "forward" else -1
        legs.append((sign, [(piece.length_m, float(np.radians(piece.turn_deg))) for piece in leg.segments]))
    return path_from_legs(pose_of(start), legs)


@lru_cache(maxsize=64)
def union_of(things):
    """One prepared shapely geometry of all `things`, or None."""
    import shapely

    if not things:
        return None
    union = shapely.union_all([thing.polygon() for thing in things])
    shapely.prepare(union)
    return union


def check_path(course, given):
    """Complain where the nominal vehicle, driven along the path, would meet a thing that cannot be moved.

    The nominal vehicle has the default length and overhang and a half width of 0.8 m. A trolley may stand in
    the way, as a guest may, but not where the vehicle starts. `given` holds the scene's fields that were read
    before.
    """
    if "start" not in given or not all(key in given for key in LISTS):
        return  # another message speaks of those already
    places = [(key, index, thing) for key in LISTS for index, thing in enumerate(given[key])]
    fixed = tuple(key != "trolleys" for key, *_ in places)
    hit = _first_hit(given["start"], course, tuple(thing for *_, thing in places), fixed)
    if hit is not None:
        along_m, (key, index, thing) = hit[0], places[hit[1]]
        wanted = f"a path clear of things by {PATH_HALF_WIDTH_M:g} m to each side was wanted"
        complain([((), f"{wanted}, got {_called(key, index, thing)} in it after {along_m:.1f} m", {})])


@lru_cache(maxsize=64)
def _first_hit(start, course, things, fixed):
    """(distance along the path, index of the thing) of the first meeting, or None; at the start all count."""
    import shapely

    if not things:
        return None
    path = path_of(start, course)
    front, rear, _ = box(VehicleTuning())
    half = PATH_HALF_WIDTH_M
    corners = np.array([[rear, -half], [front, -half], [front, half], [rear, half]])
    along = np.arange(0.0, path.length_m + 0.2, 0.2).clip(max=path.length_m)
    swept = [shapely.Polygon(to_scene(corners, path.pose_at(s))) for s in along]
    pose, thing = shapely.STRtree([thing.polygon() for thing in things]).query(swept, predicate="intersects")
    counts = (pose == 0) | np.array(fixed)[thing]
    pose, thing = pose[counts], thing[counts]
    if not len(pose):
        return None
    first = np.lexsort((thing, pose))[0]
    return float(along[pose[first]]), int(thing[first])


def _called(key, index, thing):
    return f"{key}.{index}" + (f" ({thing.name})" if thing.name else "")


def check_faults(faults):
    """Complain where two faults of one sensor overlap in time."""
    for k, fault in enumerate(faults):
        for other in faults[:k]:
            if other.sensor == fault.sensor and fault.from_s < other.to_s and other.from_s < fault.to_s:
                times = f"{other.from_s:g} to {other.to_s:g} s, were wanted, got {fault.from_s:g} to {fault.to_s:g} s"
                complain([((k, "from_s"), f"times apart from the other fault of {other.sensor!r}, {times}", {})])


def check_people(people, given):
    """Complain where somebody shares a name or a place with another, or is inside a thing or the vehicle.

    A walk is checked from its first place to its last, and beyond only where it stands there: extensions
    that move lead out of what the file says. `given` holds the scene's fields that were read before.
    """
    _check_names(people)
    walks = [_walk(k, person, given.get("folder", "")) for k, person in enumerate(people)]
    if not people or "duration_s" not in given:
        return
    times = np.arange(0.0, given["duration_s"] + _CHECK_S / 2, _CHECK_S)
    places = np.full((len(people), len(times), 2), np.nan)
    for k, walk in enumerate(walks):
        first, last = walk.own_times(times[0], times[-1])
        own = (times >= first - 1e-9) & (times <= last + 1e-9)
        places[k, own] = walk.places(times[own])
    if all(key in given for key in LISTS):
        _check_outside_things(
            people, times, places, tuple(thing for key in LISTS if key != "kerbs" for thing in given[key])
        )
    if "start" in given:
        _check_outside_vehicle(people, places[:, 0], given["start"])
    _check_apart(people, times, places)


def _check_names(people):
    for k, person in enumerate(people):
        for j, other in enumerate(people[:k]):
            if other.name == person.name:
                complain(
                    [((k, "name"), f"a name of their own was wanted, people.{j} is called so as well", person.name)]
                )
            if other.role == person.role == "operator":
                complain(
                    [((k, "role"), f"one operator was wanted, people.{j} ({other.name}) is one already", person.role)]
                )


def _walk(k, person, folder):
    try:
        walk = walk_of(person, folder)
    except InputError as error:
        complain([((k, "walks_file"), str(error), person.walks_file)])
    j, fastest = fastest_step(walk.t_s, walk.xy)
    if fastest > JUMP_MPS:
        wanted = f"at most {JUMP_MPS:g} m/s between recorded places was wanted"
        complain([((k, "id"), f"{wanted}, got {fastest:.1f} m/s at {walk.t_s[j]:.2f} s", {})])
    return walk


def _check_outside_things(people, times, places, things):
    import shapely

    union = union_of(things)
    if union is None:
        return
    for k, person in enumerate(people):
        rows = np.flatnonzero(np.isfinite(places[k, :, 0]))
        if not len(rows):
            continue
        moved = np.concatenate([[True], np.any(np.abs(np.diff(places[k, rows], axis=0)) > 1e-9, axis=1)])
        rows = rows[moved]
        close = shapely.dwithin(union, shapely.points(places[k, rows]), BODY_M)
        if close.any():
            row = rows[np.flatnonzero(close)[0]]
            point = shapely.Point(places[k, row])
            index = int(np.argmin([thing.polygon().distance(point) for thing in things]))
            thing = things[index]
            called = thing.name or type(thing).SAID
            wanted = f"{person.name!r} at least {BODY_M:g} m from every thing was wanted"
            complain([((k,), f"{wanted}, got {_at(places[k, row], times[row])} in or at {called}", {})])


def _check_outside_vehicle(people, first_places, start):
    outline = outline_in_scene(VehicleTuning(), pose_of(start))
    for k, person in enumerate(people):
        if np.isfinite(first_places[k, 0]) and signed_distance(first_places[k][None], outline)[0] < CONTACT_RADIUS_M:
            wanted = (
                f"{person.name!r} at least {CONTACT_RADIUS_M:g} m from the vehicle's outline at the start was wanted"
            )
            complain([((k,), f"{wanted}, got {_at(first_places[k], 0.0)}", {})])


def _check_apart(people, times, places):
    for k in range(1, len(people)):
        gap = places[:k] - places[k]
        step = np.diff(gap, axis=1)  # nearest approach within each straight piece of the relative motion
        length2 = np.maximum(np.einsum("ntx,ntx->nt", step, step), 1e-18)
        share = np.clip(-np.einsum("ntx,ntx->nt", gap[:, :-1], step) / length2, 0.0, 1.0)
        nearest = np.hypot(*np.moveaxis(gap[:, :-1] + share[..., None] * step, 2, 0))
        with np.errstate(invalid="ignore"):
            close = np.argwhere(nearest < APART_M)
        if len(close):
            j, row = close[np.argmin(close[:, 1])]
            text = (
                f"{people[k].name!r} and {people[j].name!r} at least {APART_M:g} m apart at all times were wanted, "
                f"got {nearest[j, row]:.2f} m at {times[row]:.2f} s"
            )
            complain([((k,), text, {})])


def _at(place, time_s):
    return f"({place[0]:.2f}, {place[1]:.2f}) m at {time_s:.2f} s"
