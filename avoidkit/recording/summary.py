"""What a drive came to, in a few numbers: times per action, halts and why, nearest gap, contacts, end of the path."""

import math
from collections import Counter

MOVING_MPS = 0.05  # slower than this counts as standing
AT_END_M = 0.15  # nearer than this to the end of the path counts as reached

CAUTION = (
    "A desk prototype, not evidence of safety: no use on a vehicle without the responsible engineers, "
    "the applicable standards and local law."
)


def summarise(rows, *, cycle_s, path_end_m, top_mps, ended=""):
    """The numbers of a drive from its rows.

    Parameters
    ----------
    rows : sequence of Row
    cycle_s : float
        Time between two verdicts, s.
    path_end_m : float
        Length of the reference path, m.
    top_mps : float
        Greatest speed of the function, m/s: time lost counts from a drive at this speed.
    ended : str
        Why the drive ended.

    Returns
    -------
    dict
        `seconds` per action; `driven_m`; `moving_s`; `nearest_gap_moving_m` (inf: nobody near), with
        `nearest_gap_at_s`; `halts`, a list of (time_s, action, why); `contacts_at_rest` and
        `contacts_moving`, lists of (time_s, name) at the beginning of each contact;
        `reached_end` and `reached_end_s` (NaN: not reached); `lost_s`; `errors`; `greatest_speed_mps`;
        `times_real_time`, computing time as multiples of real time (NaN: not measured); `ended`.
    """
    speeds = [abs(row.ego.speed_mps) for row in rows]
    moving = [speed > MOVING_MPS for speed in speeds]
    at_end = [row.time_s for row in rows if row.reference_along_m >= path_end_m - AT_END_M]
    reached_s = at_end[0] if at_end else math.nan
    gap_m, gap_at_s = min(
        ((row.gap_m, row.time_s) for row, moves in zip(rows, moving, strict=True) if moves),
        default=(math.inf, math.nan),
    )
    resting, in_motion = contacts(rows)
    return {
        "seconds": seconds_per_action(rows, cycle_s),
        "duration_s": len(rows) * cycle_s,
        "moving_s": sum(moving) * cycle_s,
        "driven_m": sum(speeds) * cycle_s,
        "greatest_speed_mps": max(speeds, default=0.0),
        "nearest_gap_moving_m": gap_m,
        "nearest_gap_at_s": gap_at_s if math.isfinite(gap_m) else math.nan,
        "halts": halts(rows),
        "contacts_at_rest": resting,
        "contacts_moving": in_motion,
        "reached_end": bool(at_end),
        "reached_end_s": reached_s,
        "lost_s": _lost(rows, reached_s, path_end_m, top_mps, cycle_s),
        "errors": Counter(row.error for row in rows if row.error),
        "times_real_time": _pace(rows, cycle_s),
        "ended": ended,
    }


def seconds_per_action(rows, cycle_s):
    """Time, s, under each action, in the order in which they first came."""
    return {action: n * cycle_s for action, n in Counter(str(row.verdict.action) for row in rows).items()}


def halts(rows):
    """(time_s, action, why) at each beginning of halting or waiting, the drive's first row left out.

    Only those that follow a verdict to move are listed: a wait that follows a halt is the same stop.
    """
    stops, before = [], None
    for row in rows:
        stopped = row.verdict.action in ("halt", "wait")
        if stopped and before is False:
            stops.append((row.time_s, str(row.verdict.action), row.error or row.verdict.why or row.verdict.settled_by))
        before = stopped
    return stops


def contacts(rows):
    """Beginnings of contacts as two lists of (time_s, name): with the vehicle at rest, and moving.

    One that begins at rest and goes on while the vehicle moves is listed in both.
    """
    resting, in_motion, touched, grazed = [], [], set(), set()
    for row in rows:
        now = set(row.contacts)
        moves = abs(row.ego.speed_mps) > MOVING_MPS
        if moves:
            in_motion += [(row.time_s, name) for name in sorted(now - grazed)]
            grazed = (grazed & now) | now
        else:
            resting += [(row.time_s, name) for name in sorted(now - touched)]
            grazed &= now
        touched = now
    return resting, in_motion


def _lost(rows, reached_s, path_end_m, top_mps, cycle_s):
    """Time beyond that of the same way at top speed, until the end was reached or the drive ended."""
    if not rows:
        return 0.0
    first, last = rows[0], rows[-1]
    until_s = reached_s if math.isfinite(reached_s) else last.time_s
    way_m = min(last.reference_along_m, path_end_m) - first.reference_along_m
    return max(0.0, until_s - first.time_s - max(way_m, 0.0) / top_mps)


def _pace(rows, cycle_s):
    spent_s = sum(sum(row.stage_ms.values()) for row in rows) / 1000
    return spent_s / (len(rows) * cycle_s) if rows and spent_s > 0 else math.nan


def summary_lines(summary):
    """The summary in words, a line each."""
    s = summary
    lines = [", ".join(f"{action} {seconds:.1f} s" for action, seconds in s["seconds"].items()) or "nothing was driven"]
    moved = f"driven {s['driven_m']:.1f} m in {s['moving_s']:.1f} s of {s['duration_s']:.1f} s"
    lines.append(f"{moved}, at most {s['greatest_speed_mps']:.2f} m/s")
    lines.append(_end_line(s))
    lines.append(_gap_line(s))
    lines += [f"stopped at {time_s:.2f} s: {action}: {why}" for time_s, action, why in s["halts"]] or [
        "never stopped once under way"
    ]
    lines += [f"CONTACT while moving at {time_s:.2f} s: {name}" for time_s, name in s["contacts_moving"]]
    lines += [f"contact at rest at {time_s:.2f} s: {name}" for time_s, name in s["contacts_at_rest"]]
    lines += [f"{n} cycles halted by an error: {error}" for error, n in s["errors"].items()]
    if math.isfinite(s["times_real_time"]):
        lines.append(f"computing took {s['times_real_time']:.2f} times real time")
    if s["ended"]:
        lines.append(f"ended: {s['ended']}")
    return lines


def _end_line(s):
    lost = f"{s['lost_s']:.1f} s more than at top speed all the way"
    return (
        f"path's end reached at {s['reached_end_s']:.2f} s, {lost}"
        if s["reached_end"]
        else f"path's end not reached; so far {lost}"
    )


def _gap_line(s):
    if math.isinf(s["nearest_gap_moving_m"]):
        return "nobody was near while it moved"
    return f"nearest gap to anybody while it moved: {s['nearest_gap_moving_m']:.2f} m at {s['nearest_gap_at_s']:.2f} s"
