"""Asking the package on behalf of the bench: a settled answer, what stands where, how far people reach."""

import threading
from dataclasses import replace

import numpy as np

from avoidkit.checks import InputError
from avoidkit.decision import SOUND, halting, is_sound
from avoidkit.decision import decide as kit_decide
from avoidkit.people import People
from avoidkit.separation import reach
from avoidkit.studies.settled import settle, settled_situation
from avoidkit.vehicle import outline_in_scene, stop_time

LONG_S = 10.0  # any delay of the decision is over after this
LOCK = threading.RLock()  # of all benches of a process: GEOS crashes where two threads use one prepared shape


def own_scene(scene):
    """The same scene with shapes of its own, for a bench that works on a thread beside the cells.

    A cell that maps or drives the scene at that moment prepares the scene's own shapes; what all scenes with the
    same things share is made ready here, while nothing else runs.
    """
    import shapely

    own = scene.model_copy()
    own.__dict__.pop("polygons", None)
    with LOCK:
        if own.solid is not None:
            here = shapely.Point(own.start_pose.x_m, own.start_pose.y_m)
            shapely.distance(own.solid, here), shapely.dwithin(own.solid, here, 0.0)  # builds the indexes
    return own


def settled(scene, tuning, people, along_m, decide, grid=None):
    """(situation, verdict, error): the answer to exactly known people, (x, y, vx, vy) each, after watching for a while.

    Where the user's decision raises or returns no verdict, the answer is HALT and `error` is its short message.
    """
    situation = settled_situation(scene, tuning, people, along_m=along_m, grid=grid)
    return situation, *ask_settled(long_pending(situation) if decide is kit_decide else situation, tuning, decide)


def long_pending(situation):
    """The same, but a detour has been the answer for long: the kit's decision then gives it when asked once."""
    memory = replace(situation.memory, pending="detour", pending_since_s=situation.time_s - LONG_S)
    return replace(situation, memory=memory)


def ask_settled(situation, tuning, decide):
    """(verdict, error) that a situation held still settles to; HALT and a short message as in `settled`."""
    return _guarded(lambda: settle(situation, tuning, decide=_sound(decide), step_s=long_step(tuning)), situation)


def ask(decide, situation, tuning):
    """(verdict, error) of one question; where the decision raises or returns no verdict, HALT and its short message."""
    return _guarded(lambda: _sound(decide)(situation, tuning), situation)


def _guarded(question, situation):
    try:
        return question(), ""
    except Exception as error:  # noqa: BLE001  the user's own function may raise anything
        why = f"{type(error).__name__}: {error}"[:300]
        return halting(situation, why), why


def long_step(tuning):
    """A step of the clock after which detours have settled and halts have lasted: two questions instead of a dozen."""
    return max(tuning.decision.settle_s, tuning.decision.halt_after_s) + 2 * tuning.cycle_s


def _sound(decide):
    """The same decision, but anything that is no verdict is an error."""

    def checked(situation, tuning):
        verdict = decide(situation, tuning)
        if not is_sound(verdict):
            raise InputError(f"decide {SOUND}, got {repr(verdict)[:80]}")
        return verdict

    return checked


def obstacle_at(scene, tuning, xy, along_m):
    """Why nobody can stand at a place: what is there already; else empty."""
    import shapely

    spot = shapely.Point(*xy)
    for (kind, thing), polygon in zip(scene.things, scene.polygons, strict=True):
        if kind != "kerb" and polygon.distance(spot) <= 0:
            return f"inside the {kind} {thing.name}".strip()
    outline = shapely.Polygon(outline_in_scene(tuning.vehicle, scene.reference.pose_at(along_m)))
    return "inside the vehicle" if outline.contains(spot) else ""


def exact_people(xy, velocity, heading_rad):
    """One adult as a record of people, for drawing."""
    return People(
        0.0, ("guest",), np.array([xy], float), np.array([velocity], float), np.array([heading_rad], float), ("adult",),
        np.zeros(1), np.full(1, 1.72), np.zeros(1, bool), np.zeros(1, bool),
    )  # fmt: skip


def reach_discs(tracks, verdict, tuning):
    """(centres, radii) of where each tracked person can be when a stop from the verdict's speed cap ends."""
    vehicle = tuning.vehicle
    speed = max(verdict.speed_cap_mps, vehicle.creep_mps)
    limits = (vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2)
    discs = reach(tracks, np.array([tuning.cycle_s + float(stop_time(speed, *limits))]), tuning.people)
    return discs.centres[:, 0], discs.radii[:, 0]


def grid_shown(recording, index):
    """The picture of the grid that was recorded last at or before a row; None where there is none."""
    earlier = (recording.rows[k].grid for k in range(index, -1, -1))
    return next((picture for picture in earlier if picture is not None), None)
