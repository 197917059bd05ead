"""The baseline that today's parking functions are measured against: ultrasonic echoes alone, and all it can do is halt.

It follows its path at top speed and halts when the nearest echo on the side of travel is nearer than a stop from the
present speed plus a distance to keep. It knows no people, no shadows and no way round. To compare with; it is not safe:
an echo has no bearing and no past, soft clothes give a weak one, and a sensor hears nothing beyond some metres.

Hand, halt and renewal are the kit's own functions, so that both decisions differ only in what they look at.
"""

import math

from avoidkit.decision import (
    _Answer,
    _at_end,
    _at_rest,
    _with_memory,
    _without,
)
from avoidkit.soundness import fault_in, freshness
from avoidkit.vehicle import stop_distance
from avoidkit.verdict import Action, Check, at_least

KEEP_M = 0.30  # left between bumper and echo once the vehicle stands; our placeholder
DATA = ("age of hold-to-run", "distance of operator", "age of echoes")  # what it needs to be fresh


def decide_by_echoes(situation, tuning):
    """The verdict of the halt-only baseline: continue along the path, or halt; never a detour.

    Parameters
    ----------
    situation : Situation
        Only hold-to-run, echoes, speed and path are looked at.
    tuning : Tuning

    Returns
    -------
    Verdict

    Notes
    -----
    Missing, stale or NaN echoes halt. Hold-to-run, halts and their renewal by the operator are as in the kit's own
    decision, so that a comparison is about what is sensed and not about buttons.

    Examples
    --------
    >>> from avoidkit import Tuning, load_scene, shipped
    >>> from avoidkit.studies.settled import settled_situation
    >>> scene = load_scene(shipped("scenes") / "open_yard.toml")
    >>> str(decide_by_echoes(settled_situation(scene, Tuning()), Tuning()).action)
    'continue'
    """
    fault = fault_in(situation)
    if fault:
        return _without(situation, fault, tuning)
    checks = [check for check in freshness(situation, 1.0, tuning) if check.name in DATA]
    if not situation.hold.pressed:
        held = Check("hold-to-run held", 1.0, 0.0, "1", False)
        return _at_rest(situation, (held, *checks), held.name, tuning)
    checks.insert(0, Check("hold-to-run held", 1.0, 1.0, "1", True))
    failed = next((check for check in checks if not check.holds), None)
    if failed is None and _at_end(situation):
        left = at_least("way left", situation.reference.length_m - situation.reference_along_m, math.inf, "m")
        return _at_rest(situation, (*checks, left), left.name, tuning)
    check = failed or echo_check(situation, tuning)
    checks = tuple(checks) if failed else (*checks, check)
    action, cap_mps = (Action.CONTINUE, tuning.vehicle.top_mps) if check.holds else (Action.HALT, 0.0)
    return _with_memory(situation, _Answer(action, situation.path, cap_mps, checks, check.name), tuning)


def echo_check(situation, tuning):
    """The one comparison: the nearest echo of the six on the side of travel against stop and distance to keep."""
    vehicle, speed = tuning.vehicle, max(abs(situation.ego.speed_mps), tuning.vehicle.creep_mps)
    age_s = tuning.cycle_s + max(situation.time_s - situation.echoes.taken_s, 0.0)
    stop_m = float(stop_distance(speed, vehicle.latency_s, vehicle.brake_build_up_s, vehicle.brake_mps2))
    ahead = slice(0, 6) if situation.path.direction_at(situation.along_m) > 0 else slice(6, 12)
    echoes = situation.echoes.first_m[ahead]
    nearest = int(echoes.argmin())
    about = f"ultrasonic {ahead.start + nearest + 1}" if math.isfinite(echoes[nearest]) else ""
    return at_least("nearest echo", float(echoes[nearest]), KEEP_M + stop_m + speed * age_s, "m", about)
