"""Halt and wait, or go round? One pure function from a situation to a verdict that explains itself.

Order of the questions: may the vehicle move at all (operator, fresh data)? How fast may it go on its path so
that it always stops in time (rule 1)? Does something stand in the way ahead, and is there a detour that can be
finished (rule 2)? Then what was decided before: settle, halt, renewal (rules 4 and 5). Halt is what is left.
"""

import math
from dataclasses import dataclass, replace
from numbers import Real

from avoidkit.backing import pull_back
from avoidkit.caps import approach_cap, foreseen, safety_caps, way_ahead
from avoidkit.centring import centred
from avoidkit.checks import InputError
from avoidkit.clearway import cells_of
from avoidkit.detour import REASONS, find_detour
from avoidkit.detourmath import GRID
from avoidkit.paths import CENTRED, Path, same_way
from avoidkit.soundness import fault_in, freshness, is_number, is_whole, radar_age
from avoidkit.verdict import Action, Check, Memory, Verdict, at_least
from avoidkit.words import sentence

END_M = 0.06  # so near to the end of a path counts as there
APPROACH_AGAIN_M = 0.5  # a standing vehicle goes nearer to what blocks the path only if there is so much more room
ROOM_M = 3.0  # ours: nearer to what is in the way than this, each metre takes ways round; yard of `sensed_lattice`
AGAINST = 0.5  # ours: a cycle without an answer that is settling takes so much from its time, beside not adding to it
SHORTEST_M = 2.0  # with less of the leg left there is no room for a detour
FREE_AGAIN = "free again"  # the answer of a vehicle that has halted, until it is steady enough to ask for renewal
SEARCH_EVERY_S = 0.2  # a standing vehicle whose search found nothing looks again so often

SOUND = "must return a Verdict with a finite speed cap, 0 where it halts or waits, a path and its memory"


@dataclass(frozen=True, slots=True)
class _Answer:
    """What this cycle would do if nothing had gone before."""

    action: Action
    path: object
    cap_mps: float
    checks: tuple
    settled: str
    others: tuple = ()
    searched: bool = False
    unknown: int = 0  # ways round that fail only by cells that are not known to be free


def decide(situation, tuning):
    """The verdict of one cycle.

    Parameters
    ----------
    situation : Situation
    tuning : Tuning

    Returns
    -------
    Verdict
        Its `memory` goes into the next situation. Nothing else is kept: equal inputs give equal verdicts.

    Notes
    -----
    NaN, missing, stale or blind input is never "free": the verdict is HALT and the failing check says why. Without any
    path there is none to hand back: that is an `InputError`.
    """
    fault = fault_in(situation)
    if fault:
        return _without(situation, fault, tuning)
    direction = situation.path.direction_at(situation.along_m)
    checks = list(freshness(situation, direction, tuning))
    failed = next((check for check in checks if not check.holds), None)
    if not situation.hold.pressed:
        held = Check("hold-to-run held", 1.0, 0.0, "1", False)
        return _at_rest(situation, (held, *checks), held.name, tuning)
    checks.insert(0, Check("hold-to-run held", 1.0, 1.0, "1", True))
    if failed is not None:
        answer = _Answer(Action.HALT, situation.path, 0.0, tuple(checks), failed.name)
        return _with_memory(situation, answer, tuning)
    if _at_end(situation):
        left = at_least("way left", situation.reference.length_m - situation.reference_along_m, END_M, "m")
        return _at_rest(situation, (*checks, left), left.name, tuning)
    return _with_memory(situation, _answer(situation, tuple(checks), tuning), tuning)


def _at_end(situation):
    on_reference = same_way(situation.path.name, situation.reference.name)
    standing = abs(situation.ego.speed_mps) < 0.02
    return standing and on_reference and situation.reference.length_m - situation.along_m <= END_M


def _answer(situation, checks, tuning):
    cells = cells_of(situation.grid)
    path, along = _active(situation)
    on_detour = not same_way(path.name, situation.reference.name)
    if tuning.detour.centre_in_gaps and not on_detour:
        name = f"{situation.reference.name}{CENTRED}{situation.time_s:.2f}"
        path, measured = centred(path, along, cells, tuning, name=name)
        checks = checks + measured
    caps = safety_caps(situation, path, along, cells, tuning)
    least = min(caps, key=lambda cap: cap.cap_mps)
    cap = least.cap_mps if least.cap_mps >= tuning.vehicle.creep_mps else 0.0
    checks = checks + tuple(c.check for c in caps)
    go = Action.DETOUR if on_detour else Action.CONTINUE
    blocked = way_ahead(situation, path, along, cells, tuning, margin_m=-0.06 if on_detour else 0.0)
    if blocked is None:
        action = go if cap > 0 else Action.HALT
        return _Answer(action, path, cap, checks, least.check.name)
    standing = abs(situation.ego.speed_mps) < 0.02
    near = approach_cap(blocked.at_m - (APPROACH_AGAIN_M if standing else 0.0), tuning)
    checks += (at_least("way ahead", blocked.at_m, tuning.decision.standoff_m, "m", blocked.about),)
    if not _may_search(situation):
        action = go if min(cap, near) > 0 else Action.HALT
        return _Answer(action, path, min(cap, near), checks, "way ahead" if near < cap else least.check.name)
    round_it = _round(situation, cells, blocked, checks, tuning)
    if round_it.action == Action.DETOUR:
        return replace(round_it, cap_mps=min(round_it.cap_mps, tuning.vehicle.top_mps))
    if round_it.unknown:  # nearer there would be no room for them any more, once the cells are known
        near = min(near, max(approach_cap(blocked.at_m, tuning, ROOM_M), tuning.vehicle.creep_mps))
    both = min(cap, near)
    settled = least.check.name if cap <= near else "way ahead"
    action = go if both > 0 else Action.HALT
    return _Answer(action, path, both, round_it.checks, settled, searched=True)


def _active(situation):
    """The path under way; a detour that has come to its end hands back to the reference, one driven back at rest."""
    path, along = situation.path, situation.along_m
    ended = not same_way(path.name, situation.reference.name) and along >= path.length_m - END_M
    if ended and not _rolls_back(situation):
        return situation.reference, situation.reference_along_m
    return path, along


def _rolls_back(situation):
    """Whether the vehicle still moves against the direction of the reference."""
    way = situation.reference.direction_at(situation.reference_along_m)
    return situation.ego.speed_mps != 0.0 and situation.path.direction_at(situation.along_m) != way


def _may_search(situation):
    memory, reference = situation.memory, situation.reference
    if _rolls_back(situation):
        return False
    if reference.leg_end_after(situation.reference_along_m) - situation.reference_along_m < SHORTEST_M:
        return False
    standing = abs(situation.ego.speed_mps) < 0.02
    return not (standing and situation.time_s < memory.search_after_s)


def _round(situation, cells, blocked, checks, tuning):
    """The answer by rule 2: a detour that can be finished and may be begun now, or HALT with the reasons."""
    seen = {
        side: all(radar_age(situation, f"{end}_{word}", tuning).holds for end in ("front", "rear"))
        for side, word in _SIDES
    }
    direction = situation.reference.direction_at(situation.reference_along_m)
    sides = tuple(side * direction for side, good in seen.items() if good)
    name = f"detour {situation.time_s:.2f}"
    search = find_detour(situation, cells, blocked.things, tuning, name=name, sides=sides)
    examined = sum(search.counts.values())
    about = ", ".join(f"{count} {reason}" for reason, count in search.counts.items() if count and reason != "fits")
    checks += (at_least("detours that fit", search.counts["fits"], 1.0, f"of {examined}", about),)
    if search.path is None:
        back = _back_off(situation, cells, blocked, sides, checks, tuning)
        unknown = search.counts[REASONS[GRID]]
        none = _Answer(Action.HALT, situation.path, 0.0, checks, "detours that fit", searched=True, unknown=unknown)
        return none if back is None else back
    caps = safety_caps(situation, search.path, 0.0, cells, tuning)
    least = min(caps, key=lambda cap: cap.cap_mps)
    checks += (at_least("slack beside people", search.slack_m, 0.0, "m"),)
    checks += (at_least("speed at its start", least.cap_mps, tuning.vehicle.creep_mps, "m/s", least.check.about),)
    if least.cap_mps < tuning.vehicle.creep_mps:
        return _Answer(Action.HALT, situation.path, 0.0, checks, "speed at its start", search.others, True)
    return _Answer(Action.DETOUR, search.path, least.cap_mps, checks, "detours that fit", search.others, True)


def _back_off(situation, cells, blocked, sides, checks, tuning):
    """The answer that backs off to make room for a detour (`detour.pull_back_m`), or None."""
    on_reference = same_way(situation.path.name, situation.reference.name)
    if tuning.detour.pull_back_m <= 0.0 or situation.ego.speed_mps != 0.0 or not on_reference:
        return None
    name = f"pull back {situation.time_s:.2f}"
    found = pull_back(situation, cells, blocked.things, tuning, name=name, sides=sides)
    if found is None:
        return None
    path, fits = found
    end = "rear" if path.direction[0] < 0 else "front"
    eyes = [radar_age(situation, f"{end}_{word}", tuning) for word in ("left", "right")]
    caps = safety_caps(situation, path, 0.0, cells, tuning)
    least = min(caps, key=lambda cap: cap.cap_mps)
    enough = at_least("speed of backing off", least.cap_mps, tuning.vehicle.creep_mps, "m/s", least.check.about)
    checks = (*checks, fits, *eyes, enough)
    if not enough.holds or not all(eye.holds for eye in eyes):
        return None
    cap = min(least.cap_mps, tuning.detour.speed_mps)
    return _Answer(Action.DETOUR, path, cap, checks, fits.name, searched=True)


_SIDES = ((1, "left"), (-1, "right"))


def _at_rest(situation, checks, settled, tuning):
    """Not held, or at the end of the path: stop, and remember that the hold was released."""
    memory, now = situation.memory, situation.time_s
    moving = abs(situation.ego.speed_mps) > 0.02
    action = Action.HALT if moving else Action.WAIT
    released = memory.released or not situation.hold.pressed
    since = memory.since_s if memory.action == action else now
    memory = replace(
        memory, action=action, since_s=since, pending="", pending_since_s=math.nan, ready=False, released=released
    )
    path = situation.path
    return Verdict(action, path, 0.0, memory, checks, settled, sentence(action, checks, settled, 0.0))


def _with_memory(situation, answer, tuning):
    """Apply what was decided before: settling of a detour, brake or halt, renewal by the operator."""
    memory, decision, now = situation.memory, tuning.decision, situation.time_s
    renewed = memory.halted and memory.released and situation.hold.pressed
    halted, capped_since = (False, math.nan) if renewed else (memory.halted, memory.capped_since_s)
    answer, pending, pending_since = _settle(situation, answer, tuning)
    cap, action, settled, ready = answer.cap_mps, answer.action, answer.settled, False
    soon = _foreseen(situation, answer, tuning)
    if soon is not None:
        answer = replace(answer, checks=(*answer.checks, soon))
    comes = soon is not None and not soon.holds
    braked = memory.action == Action.HALT and not renewed and not halted and math.isfinite(capped_since)
    brief = braked and now - memory.since_s < decision.least_brake_s - 1e-9
    slow = braked and cap < tuning.vehicle.creep_mps + decision.resume_margin_mps - 1e-9
    if action != Action.HALT and (brief or slow or comes):
        action, cap = Action.HALT, 0.0
        if brief or comes:  # held for steadiness, which is no reason to ask for renewal
            capped_since, settled = now, "time of braking" if brief else soon.name
    if action == Action.HALT:
        cap = 0.0
        capped_since = now if not math.isfinite(capped_since) else capped_since
        halted = halted or (decision.renew_after_halt and now - capped_since >= decision.halt_after_s - 1e-9)
    elif halted and decision.renew_after_halt:
        if not pending:
            pending, pending_since = FREE_AGAIN, memory.pending_since_s if memory.pending == FREE_AGAIN else now
        ready = now - pending_since >= decision.settle_s - 1e-9
        action, cap, settled = (Action.WAIT, 0.0, "renewal by operator") if ready else (Action.HALT, 0.0, FREE_AGAIN)
    else:
        capped_since, halted = math.nan, False
    checks = answer.checks
    if settled == "time of braking":
        checks += (at_least(settled, now - memory.since_s, decision.least_brake_s, "s"),)
    if settled == FREE_AGAIN:
        checks += (at_least(settled, now - pending_since, decision.settle_s, "s"),)
    if settled == "renewal by operator":
        checks += (Check(settled, 1.0, 0.0, "1", False),)
    in_vain = answer.searched and action == Action.HALT and not pending
    search_after = now + SEARCH_EVERY_S if in_vain else memory.search_after_s
    new = replace(
        memory,
        action=action,
        since_s=memory.since_s if memory.action == action else now,
        pending=pending,
        pending_since_s=pending_since,
        capped_since_s=capped_since,
        halted=halted,
        released=memory.released and halted and not renewed,
        ready=ready,
        search_after_s=search_after,
    )
    why = sentence(action, checks, settled, cap)
    return Verdict(action, answer.path, cap, new, checks, settled, why, None, answer.others)


def _foreseen(situation, answer, tuning):
    """Before a vehicle at rest sets off: the check that nobody will soon halt it again; None where nobody walks."""
    rests = abs(situation.ego.speed_mps) < 0.02 and situation.memory.action in (Action.HALT, Action.WAIT)
    if not rests or answer.action == Action.HALT:
        return None
    along = situation.along_m if same_way(answer.path.name, situation.path.name) else 0.0
    along = situation.reference_along_m if same_way(answer.path.name, situation.reference.name) else along
    return foreseen(situation, answer.path, along, answer.cap_mps, tuning)


def _settle(situation, answer, tuning):
    """A detour not yet under way has to be the answer for `settle_s`; until then the old path goes on, slowly.

    Cycles in which it is not the answer take back half as much: one that fits by centimetres comes and goes.
    """
    memory, now = situation.memory, situation.time_s
    since = memory.pending_since_s if memory.pending == "detour" else now
    if answer.action != Action.DETOUR or answer.path.name == situation.path.name:
        since = since + (1.0 + AGAINST) * tuning.cycle_s
        taken = now - tuning.cycle_s - memory.pending_since_s >= tuning.decision.settle_s - 1e-9
        keeps = since < now - 1e-9 and not (taken or memory.halted)
        return answer, *(("detour", since) if keeps else ("", math.nan))
    check = at_least("detour settled", now - since, tuning.decision.settle_s, "s")
    checks = (*answer.checks, check)
    if now - since >= tuning.decision.settle_s - 1e-9:
        return replace(answer, checks=checks), "detour", since
    path, along = _active(situation)
    cells = cells_of(situation.grid)
    cap = min(c.cap_mps for c in safety_caps(situation, path, along, cells, tuning))
    blocked = way_ahead(situation, path, along, cells, tuning)
    more = APPROACH_AGAIN_M if abs(situation.ego.speed_mps) < 0.02 else 0.0
    cap = min(cap, approach_cap(blocked.at_m - more, tuning) if blocked else cap)
    go = Action.CONTINUE if same_way(path.name, situation.reference.name) else Action.DETOUR
    action, cap = (go, cap) if cap >= tuning.vehicle.creep_mps else (Action.HALT, 0.0)
    return replace(answer, action=action, path=path, cap_mps=cap, checks=checks, settled=check.name), "detour", since


def halting(situation, why, name="stage failed", *, rules=None):
    """The verdict for a cycle in which a stage raised or returned nonsense: HALT, and the reason.

    With `rules`, the section `decision` of the tuning, a failure that lasts is a halt like any other: the vehicle
    then waits for the operator's renewal.
    """
    memory, now = situation.memory, situation.time_s
    since = memory.since_s if memory.action == Action.HALT else now
    capped = now if not math.isfinite(memory.capped_since_s) else memory.capped_since_s
    lasts = rules is not None and rules.renew_after_halt and now - capped >= rules.halt_after_s - 1e-9
    halted = memory.halted or lasts
    memory = replace(memory, action=Action.HALT, since_s=since, capped_since_s=capped, halted=halted, ready=False)
    check = Check(name, 0.0, 1.0, "errors", False, True, why)
    return Verdict(Action.HALT, situation.path, 0.0, memory, (check,), name, f"Halt: {why}")


def _without(situation, fault, tuning):
    """The verdict on a situation that is not whole: HALT, with what of its path, time and memory is of use."""
    path = next((p for p in (situation.path, situation.reference) if isinstance(p, Path)), None)
    if path is None:
        raise InputError(f"situation.{fault}")
    timed = is_number(situation.time_s)
    # a memory that is lost may have been of a halt, and without a time nobody knows how long the fault lasts
    memory = situation.memory if is_whole(situation.memory) else Memory(halted=True)
    memory = memory if timed else replace(memory, halted=True)
    useful = replace(situation, path=path, memory=memory, time_s=situation.time_s if timed else memory.since_s)
    return halting(useful, fault, "situation is whole", rules=tuning.decision)


def is_sound(verdict):
    """Whether something is a verdict that can be followed: right type, a path, a finite cap, 0 where it stays."""
    if not isinstance(verdict, Verdict) or not isinstance(verdict.action, Action):
        return False
    cap = verdict.speed_cap_mps
    followable = isinstance(verdict.path, Path) and isinstance(verdict.memory, Memory)
    followable = followable and isinstance(verdict.checks, tuple) and all(isinstance(c, Check) for c in verdict.checks)
    followable = followable and isinstance(cap, Real) and math.isfinite(cap)
    return followable and (cap >= 0 if verdict.action in (Action.CONTINUE, Action.DETOUR) else cap == 0)
