"""One sentence in plain words for a verdict, built from its checks."""

import math

from avoidkit.verdict import Action

_STARTS = {
    Action.CONTINUE: "Goes on",
    Action.DETOUR: "Goes round",
    Action.HALT: "Halts",
    Action.WAIT: "Waits",
}

_NOT_KNOWN = {
    "age of scan": "{} does not see, has not been heard, or its clock is wrong",
    "age of echoes": "the ultrasonics do not hear, have not been heard, or their clock is wrong",
    "age of hold-to-run": "nothing has been heard of hold-to-run, or its clock is wrong",
    "age of own motion": "own motion is not known, or its clock is wrong",
    "age of grid": "the grid is of a time to come",
    "distance of operator": "the distance of the operator is not known",
}


def sentence(action, checks, settled, cap_mps):
    """What the vehicle does and what settled it, with the numbers of that comparison.

    Examples
    --------
    >>> from avoidkit.verdict import at_least
    >>> sentence(Action.HALT, (at_least("gap to reach", 0.05, 0.2, "m", "track 7"),), "gap to reach", 0.0)
    'Halts: before it stands, track 7 could come to 0.05 m from it; 0.20 m needed.'
    """
    check = _settling(checks, settled)
    start = _STARTS[action]
    if action in (Action.CONTINUE, Action.DETOUR):
        start = f"{start} at up to {cap_mps:.2f} m/s"
    if settled == "renewal by operator":
        return f"{start}: the way is free again; release hold-to-run and press it anew."
    if settled == "hold-to-run held":
        return f"{start}: hold-to-run is not held."
    if settled == "way left":
        return f"{start}: the end of the path is reached."
    if settled == "detours that fit":
        return f"{start}: {_search(checks)}."
    if settled == "detours that fit from farther back":
        return f"{start}: backs off {check.about} to make room for a detour."
    if settled == "detour settled":
        return f"{start}: a detour fits and has been the answer for {check.found:.2f} s of {check.needed:.2f} s."
    if settled == "free again":
        return f"{start}: the way has been free again for {check.found:.2f} s of {check.needed:.2f} s."
    if settled == "distance to shadow":
        return f"{start}: somebody hidden could step out {max(check.found, 0.0):.2f} m beside it."
    if check is None:
        return f"{start}: {settled}."
    return f"{start}: {_compared(check)}."


def _compared(check):
    """What one check found beside what it needed, in words."""
    needed = f"{_number(check.needed)} {check.unit} needed"
    if check.name == "gap to reach":
        if check.found < 0:
            return f"before it stands, {check.about} could be {-check.found:.2f} m into its way; {needed} between them"
        return f"before it stands, {check.about} could come to {_number(check.found)} m from it; {needed}"
    if check.name == "gap foreseen":
        when, who = check.about.split(" s ", 1)
        if check.found < 0:
            far = f"be {-check.found:.2f} m into its way; {needed} between them"
        else:
            far = f"come to {_number(check.found)} m from it; {needed}"
        return f"{when} s it would have to stand again: {who} could then {far}"
    if check.name == "way ahead":
        things = {"small thing": "a small thing stands", "occupied cells": "occupied cells lie"}
        return f"{things.get(check.about, check.about)} in the way, {_number(check.found)} m ahead; {needed}"
    if check.name == "known free ahead":
        ends = f", then comes an {check.about}" if check.about else ""
        return f"the way ahead is known free for {_number(check.found)} m{ends}; {needed}"
    if check.name == "ultrasonic echo" and check.about:
        return f"{check.about} hears something at {_number(check.found)} m; {needed}"
    if check.name == "tracks are numbers":
        return "the tracks hold something that is no number or impossible"
    if math.isinf(check.found) and check.name in _NOT_KNOWN:
        return _NOT_KNOWN[check.name].format(check.about)
    relation = "at most " if check.at_most else ""
    of = f" of {check.about}" if check.about else ""
    return f"{check.name}{of} is {_number(check.found)} {check.unit}, {relation}{needed}"


def _settling(checks, settled):
    """The settling check; of several of that name the one that holds least."""
    named = [check for check in checks if check.name == settled]
    return min(named, key=lambda check: check.slack, default=None)


def _search(checks):
    """What the search for a detour came to."""
    fits = next(check for check in checks if check.name == "detours that fit")
    slack = next((check for check in checks if check.name == "slack beside people"), None)
    if fits.found < 1:
        return f"none of {fits.unit.removeprefix('of ')} detours fits ({fits.about})"
    more = "" if slack is None or slack.found > 100 else f" and keeps {slack.found:.2f} m more than people need"
    return f"a detour fits{more}"


def _number(value):
    return f"{value:.2f}" if abs(value) < 1000 else f"{value:g}"
