"""What a drive came to, in a few numbers: times per action, halts and why, nearest gap, contacts, end of the path."""

import math
from collections import Counter
from itertools import pairwise
from statistics import median

MOVING_MPS = 0.05  # slower than this counts as standing
AT_END_M = 0.15  # nearer than this to the end of the path counts as reached

CAUTION = (
    "A desk prototype, not evidence of safety: no use on a vehicle without the responsible engineers, "
    "the applicable standards and local law."
)

MOST_STOPS = 20  # listed one by one

ENDS = {
    "path end": "the path's end was reached",
    "duration": "its time was up",
    "interrupted": "it was interrupted",
    "cut off": "the process was killed; what had been written by then is here",
    "slice": "a slice of a longer recording ends here",
    "log end": "the log ends here; nothing was driven by the kit",
}


def summarise(rows, *, path_end_m, top_mps, ended=""):
    """The numbers of a drive from its rows.

    Parameters
    ----------
    rows : sequence of Row
    path_end_m : float
        Length of the reference path, m.
    top_mps : float
        Greatest speed of the function, m/s: time lost counts from a drive at this speed all the way.
    ended : str
        Why the drive ended.

    Returns
    -------
    dict
        `duration_s`, `moving_s` and `seconds` per action, each row counting until the next one;
        `driven_m`; `greatest_speed_mps`; `nearest_gap_moving_m` to a body's edge (inf: nobody about) and
        `nearest_gap_at_s`; `starts_s`, first verdict to move (NaN: none); `stops`, one dict per stop on the
        way, see `stops`; `contacts_at_rest` and `contacts_moving`, lists of (time_s, name) at the beginning of
        each contact; `reached_end`, `reached_end_s` (NaN: not reached); `lost_s`; `errors`,
        {message: cycles}; `computing_s`, `cycle_ms` (median, p99) and `times_real_time` (NaN: not
        measured); `ended`.
    """
    rows = list(rows)
    lasts_s = [b.time_s - a.time_s for a, b in pairwise(rows)] + [0.0]
    timed = list(zip(rows, lasts_s, strict=False))
    duration_s = sum(lasts_s)
    moving = [(row, dt_s) for row, dt_s in timed if moves(row)]
    nearest = min(moving, key=lambda pair: pair[0].gap_m, default=None)
    gap_m = nearest[0].gap_m if nearest else math.inf
    resting, in_motion = contacts(rows)
    reached_s = next((row.time_s for row in rows if row.reference_along_m >= path_end_m - AT_END_M), math.nan)
    cycles_ms = [sum(row.stage_ms.values()) for row in rows if row.stage_ms]
    computing_s = sum(cycles_ms) / 1000
    return {
        "duration_s": duration_s,
        "seconds": seconds_per_action(timed),
        "moving_s": sum(dt_s for _, dt_s in moving),
        "driven_m": sum(abs(row.ego.speed_mps) * dt_s for row, dt_s in timed),
        "greatest_speed_mps": max((abs(row.ego.speed_mps) for row in rows), default=0.0),
        "nearest_gap_moving_m": gap_m,
        "nearest_gap_at_s": nearest[0].time_s if math.isfinite(gap_m) else math.nan,
        "starts_s": next((row.time_s for row in rows if not stands(row)), math.nan),
        "stops": [stop for stop in stops(rows) if not stop["from_s"] >= reached_s],
        "contacts_at_rest": resting,
        "contacts_moving": in_motion,
        "reached_end": math.isfinite(reached_s),
        "reached_end_s": reached_s,
        "lost_s": _lost(rows, reached_s, path_end_m, top_mps),
        "errors": dict(Counter(row.error for row in rows if row.error)),
        "computing_s": computing_s,
        "cycle_ms": (median(cycles_ms), _share_below(cycles_ms, 0.99)) if cycles_ms else (math.nan, math.nan),
        "times_real_time": computing_s / duration_s if duration_s > 0 and computing_s > 0 else math.nan,
        "ended": ended,
    }


def moves(row):
    """Whether the vehicle moves, faster than 0.05 m/s."""
    return abs(row.ego.speed_mps) > MOVING_MPS


def stands(row):
    """Whether the verdict is to stand: a halt or a wait."""
    return str(row.verdict.action) in ("halt", "wait")


def seconds_per_action(timed):
    """Time, s, under each action, from (row, how long it lasts) pairs; in the order in which they first came."""
    seconds = {}
    for row, dt_s in timed:
        action = str(row.verdict.action)
        seconds[action] = seconds.get(action, 0.0) + dt_s
    return seconds


def stops(rows):
    """Every stop after the first motion: a stretch of rows without a verdict to move.

    Returns
    -------
    list of dict
        `from_s`; `to_s` and `lasts_s` (to the last row, where it lasts until then: `ends` is False); `kind`:
        a `halt` has to be renewed by the operator, a `wait` is theirs from the beginning, a `brake` goes on by
        itself; `settled_by` and `why` of its first row.
    """
    found, under_way, before = [], False, None
    for row in rows:
        if not stands(row):
            under_way, before = True, None
            continue
        if under_way and before is None:
            before = {"from_s": row.time_s, "kind": "wait" if str(row.verdict.action) == "wait" else "brake"}
            before |= {"settled_by": row.verdict.settled_by, "why": row.error or row.verdict.why}
            found.append(before)
        if before is not None and row.verdict.memory.halted:
            before["kind"] = "halt"
    return [stop | _until(stop, rows) for stop in found]


def _until(stop, rows):
    to_s = next((row.time_s for row in rows if row.time_s > stop["from_s"] and not stands(row)), math.inf)
    ends = math.isfinite(to_s)
    to_s = to_s if ends else rows[-1].time_s
    return {"to_s": to_s, "lasts_s": to_s - stop["from_s"], "ends": ends}


def contacts(rows):
    """Beginnings of contacts as two lists of (time_s, name): with the vehicle at rest, and moving.

    One that begins at rest and goes on while the vehicle moves is listed in both.
    """
    resting, in_motion, touched, grazed = [], [], set(), set()
    for row in rows:
        now = set(row.contacts)
        if moves(row):
            in_motion += [(row.time_s, name) for name in sorted(now - grazed)]
            grazed = now
        else:
            resting += [(row.time_s, name) for name in sorted(now - touched)]
            grazed &= now
        touched = now
    return resting, in_motion


def _lost(rows, reached_s, path_end_m, top_mps):
    """Time beyond that of the same way at top speed, until the end was reached or the drive ended."""
    if not rows:
        return 0.0
    first, last = rows[0], rows[-1]
    until_s = reached_s if math.isfinite(reached_s) else last.time_s
    way_m = max(min(last.reference_along_m, path_end_m) - first.reference_along_m, 0.0)
    return max(0.0, until_s - first.time_s - way_m / top_mps)


def summary_lines(summary):
    """The summary in words, a line each."""
    s = summary
    if not s["seconds"]:
        return ["nothing was driven"]
    lines = [
        f"ended        after {s['duration_s']:.2f} s: {ENDS.get(s['ended'], s['ended'] or 'not said why')}",
        f"path's end   {_end(s)}",
        f"driven       {s['driven_m']:.1f} m in {s['moving_s']:.1f} s, at most {s['greatest_speed_mps']:.2f} m/s",
        f"actions      {', '.join(f'{action} {seconds:.1f} s' for action, seconds in s['seconds'].items())}",
        *_about_people(s),
        f"stops        {_stops(s)}",
    ]
    lines += [f"  {_stop(stop)}" for stop in s["stops"][:MOST_STOPS]]
    if len(s["stops"]) > MOST_STOPS:
        lines.append(f"  and {len(s['stops']) - MOST_STOPS} more")
    lines += [f"ERROR        in {n} cycles, each a halt: {error}" for error, n in s["errors"].items()]
    if s.get("assumed"):
        lines.append(f"NOTE         {s['assumed']}")
    if math.isfinite(s["times_real_time"]):
        half, most = s["cycle_ms"]
        pace = f"{s['computing_s']:.2f} s, {s['times_real_time']:.2f} of real time"
        lines.append(f"computing    {pace}; a cycle {half:.1f} ms (median), {most:.1f} ms (p99)")
    return lines


def _share_below(values, share):
    """The smallest value that at least `share` of the values do not exceed."""
    return sorted(values)[max(math.ceil(share * len(values)) - 1, 0)]


def _end(s):
    lost = f"{s['lost_s']:.1f} s more than at top speed all the way"
    return f"reached at {s['reached_end_s']:.2f} s, {lost}" if s["reached_end"] else f"not reached; so far {lost}"


def _about_people(s):
    if not s.get("truth_known", True):
        return ["people       where they truly were is not known: a log holds what was sensed"]
    return [f"nearest gap  {_gap(s)}", f"contacts     {_contacts(s)}"]


def _gap(s):
    if math.isinf(s["nearest_gap_moving_m"]):
        return "nobody about while it moved"
    return f"{s['nearest_gap_moving_m']:.2f} m to a body while moving, at {s['nearest_gap_at_s']:.2f} s"


def _contacts(s):
    def said(pairs):
        return ", ".join(f"{name} at {time_s:.2f} s" for time_s, name in pairs) or "none"

    if not s["contacts_moving"] and not s["contacts_at_rest"]:
        return "none"
    return f"WHILE MOVING: {said(s['contacts_moving'])}; at rest: {said(s['contacts_at_rest'])}"


def _stops(s):
    if math.isnan(s["starts_s"]):
        return "never under way"
    start = f"under way from {s['starts_s']:.2f} s"
    if not s["stops"]:
        return f"none, {start}"
    kinds = Counter(stop["kind"] for stop in s["stops"])
    counted = ", ".join(f"{n} {kind}{'s' if n > 1 else ''}" for kind, n in kinds.items())
    return f"{counted}, {sum(stop['lasts_s'] for stop in s['stops']):.2f} s in all; {start}"


def _stop(stop):
    why = stop["why"] or stop["settled_by"] or "no reason given"
    why = why.removeprefix("Halts: ").removeprefix("Waits: ")
    return f"{stop['from_s']:6.2f} s  {stop['kind']:<5} {stop['lasts_s']:5.2f} s{' ' if stop['ends'] else '+'} {why}"
