"""A verdict as plain JSON and back; what another implementation answers is checked before it is followed."""

from avoidkit.checks import InputError
from avoidkit.handover.records import check_in, check_out, memory_in, memory_out, path_in, path_out
from avoidkit.handover.wire import finite, one_of, part, text
from avoidkit.verdict import Action, Memory, Verdict

MOST_CHECKS = 500


def verdict_out(verdict, known=()):
    """A verdict as JSON; its path comes along in `new_path` unless its name is in `known`."""
    new = None if verdict.path.name in known else path_out(verdict.path)
    return {
        "action": verdict.action,
        "speed_cap_mps": verdict.speed_cap_mps,
        "path": verdict.path.name,
        "new_path": new,
        "settled_by": verdict.settled_by,
        "why": verdict.why,
        "checks": [check_out(check) for check in verdict.checks],
        "memory": memory_out(verdict.memory),
    }


def verdict_in(value, situation, top_mps):
    """The verdict that an answer on a situation stands for.

    Parameters
    ----------
    value : dict
        `action` and `speed_cap_mps` are needed. `path`: name of the active path, of the reference or of `new_path`;
        without it the active path. `new_path`: a whole path. `memory`: without it the kit keeps the action, since
        when, and whether hold-to-run was let go. `settled_by`, `why`, `checks`: for people.
    situation : Situation
    top_mps : float
        No cap may be above it.

    Raises
    ------
    InputError
        If anything is missing, of another kind, not finite, or no path of that name is known.
    """
    action = one_of(part(value, "action", "verdict"), Action, "verdict.action")
    cap = finite(part(value, "speed_cap_mps", "verdict"), "verdict.speed_cap_mps")
    if not 0.0 <= cap <= top_mps + 1e-9:
        raise InputError(f"verdict.speed_cap_mps must lie between 0 and {top_mps:g}, got {cap}")
    if action in (Action.HALT, Action.WAIT) and cap > 0.0:
        raise InputError(f"verdict.speed_cap_mps must be 0 with {action}, got {cap}")
    checks = value.get("checks", [])
    if not isinstance(checks, list) or len(checks) > MOST_CHECKS:
        raise InputError(f"verdict.checks must be a list of at most {MOST_CHECKS}")
    return Verdict(
        action=action,
        path=_path(value, situation),
        speed_cap_mps=cap,
        memory=_memory(value.get("memory"), situation, action),
        checks=tuple(check_in(check, f"verdict.checks[{k}]") for k, check in enumerate(checks)),
        settled_by=text(value.get("settled_by", ""), "verdict.settled_by", 80),
        why=text(value.get("why", ""), "verdict.why"),
    )


def _path(value, situation):
    known = {path.name: path for path in (situation.reference, situation.path)}
    if value.get("new_path") is not None:
        new = path_in(value["new_path"], "verdict.new_path")
        if new.name in known:
            raise InputError(f"verdict.new_path.name must be a new one, got {new.name!r}")
        known[new.name] = new
    name = value.get("path", situation.path.name)
    if not isinstance(name, str) or name not in known:
        raise InputError(f"verdict.path must be one of {', '.join(sorted(known))}, got {str(name)[:80]!r}")
    return known[name]


def _memory(value, situation, action):
    if value is not None:
        return memory_in(value, "verdict.memory")
    before = situation.memory
    since_s = before.since_s if before.action == action else situation.time_s
    return Memory(action=action, since_s=since_s, released=not situation.hold.pressed)
