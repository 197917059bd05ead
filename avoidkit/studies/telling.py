"""What a set of recordings has to tell: its rates with exact bounds, its most telling moments, what it leaves open."""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError
from avoidkit.studies.statistics import interval_words, median_interval, rate_words

BEFORE_S, AFTER_S = 2.0, 6.0  # shown before and after a moment
SAME = ("action", "along_m", "reference_along_m", "gap_m")  # columns by which a drive is known again
APART_S = 6.0  # two moments of one drive are at least so far from each other


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant worth showing: in which recording, when, and why."""

    index: int
    time_s: float
    why: str


def telling_moments(recordings, count=3):
    """The moments that a review should look at first, most serious first.

    Contacts while moving come before errors of stages, these before the nearest gap, the longest stop, the first way
    round, contacts at rest, and then the nearest gaps of the other drives.

    Parameters
    ----------
    recordings : sequence of Recording
    count : int

    Returns
    -------
    list of Moment
        At most `count`, in that order; of one drive no two within 6 s.
    """
    picked = []
    for moment in _candidates(recordings):
        if all(moment.index != m.index or abs(moment.time_s - m.time_s) >= APART_S for m in picked):
            picked.append(moment)
        if len(picked) == count:
            break
    return picked


def _candidates(recordings):
    summaries = [recording.summary() for recording in recordings]
    for i, s in enumerate(summaries):
        for time_s, name in s["contacts_moving"]:
            yield Moment(i, time_s, f"contact with {name} while the vehicle moved")
    for i, recording in enumerate(recordings):
        row = next((row for row in recording.rows if row.error), None) if summaries[i]["errors"] else None
        if row is not None:
            yield Moment(i, row.time_s, f"a stage failed: {row.error}")
    nearest = sorted((s["nearest_gap_moving_m"], i) for i, s in enumerate(summaries))
    near = [
        Moment(i, summaries[i]["nearest_gap_at_s"], f"{gap_m:.2f} m to a body while moving{_rank(k, len(nearest))}")
        for k, (gap_m, i) in enumerate(nearest)
        if math.isfinite(gap_m)
    ]
    yield from near[:1]
    stops = [(stop["lasts_s"], i, stop) for i, s in enumerate(summaries) for stop in s["stops"]]
    for lasts_s, i, stop in sorted(stops, key=lambda one: -one[0])[:1]:
        lasts = f"{lasts_s:.1f} s{'' if stop['ends'] else ' and on'}"
        yield Moment(i, stop["from_s"], f"the longest stop, {lasts}: {stop['why']}")
    for i, recording in enumerate(recordings):
        rounds = np.flatnonzero(np.asarray(recording.actions) == "detour")
        if len(rounds):
            yield Moment(i, float(recording.times_s[rounds[0]]), "the first way round")
            break
    for i, s in enumerate(summaries):
        for time_s, name in s["contacts_at_rest"]:
            yield Moment(i, time_s, f"contact with {name} with the vehicle at rest")
    yield from near[1:]


def _rank(k, n):
    return f", the least of {n} drive{'s' if n > 1 else ''}" if k == 0 else ""


def evidence_of(recordings):
    """Rates of a set of drives, each with its count and exact bound, by tuning.

    Parameters
    ----------
    recordings : sequence of Recording

    Returns
    -------
    dict of dict
        {(tuning name, hash): {what: words}}; drives of different tunings are never counted together.

    Raises
    ------
    InputError
        If a drive is there twice.
    """
    recordings = list(recordings)
    require_different(recordings)
    groups = {}
    for recording in recordings:
        groups.setdefault((recording.tuning.name, recording.tuning.hash), []).append(recording.summary())
    return {key: _rates(summaries) for key, summaries in groups.items()}


def require_different(recordings, names=None):
    """Raise `InputError` where one drive is there twice, whole or in part: counted twice it would tighten the bounds.

    Parameters
    ----------
    recordings : sequence of Recording
    names : sequence of str, optional
        What messages call them; else by number, from 1 on.
    """
    names = [f"recording {k}" for k in range(1, len(recordings) + 1)] if names is None else names
    alike = {}
    for name, recording in zip(names, recordings, strict=True):
        shaped_by = (recording.scene.model_dump_json(), recording.tuning.hash, recording.seed)
        for before, other in alike.setdefault(shaped_by, []):
            if _same_drive(recording, other):
                raise InputError(f"{name}: is the same drive as {before} (scene, tuning, seed); each counts once")
        alike[shaped_by].append((name, recording))


def _same_drive(one, other):
    """Whether two recordings of one scene, tuning and seed agree at every instant that both hold.

    They need not: somebody's own decision may have driven one of them. Of logs, all has to be equal.
    """
    if one.log is not None or other.log is not None:
        return one.equals(other)
    _, mine, others = np.intersect1d(np.round(one.times_s, 6), np.round(other.times_s, 6), return_indices=True)
    for name in SAME:
        a, b = one.rows.numbers(name)[mine], other.rows.numbers(name)[others]
        if not (np.array_equal(a, b, equal_nan=True) if np.asarray(a).dtype.kind == "f" else np.array_equal(a, b)):
            return False
    return len(mine) > 1  # parts that touch share one instant


def _rates(summaries):
    n = len(summaries)

    def rate(holds):
        return rate_words(sum(bool(holds(s)) for s in summaries), n)

    lost = median_interval([s["lost_s"] for s in summaries])
    gaps = [s["nearest_gap_moving_m"] for s in summaries if math.isfinite(s["nearest_gap_moving_m"])]
    minutes, way_m = sum(s["duration_s"] for s in summaries) / 60, sum(s["driven_m"] for s in summaries)
    spread = f"{interval_words(lost['n'])} {lost['low']:.1f} to {lost['high']:.1f} s, n = {lost['n']}"
    return {
        "drives": f"{n}, {minutes:.1f} minutes, {way_m:.0f} m",
        "with a contact while moving": rate(lambda s: s["contacts_moving"]),
        "with a contact at rest": rate(lambda s: s["contacts_at_rest"]),
        "with a halt that the operator had to end": rate(lambda s: any(stop["kind"] == "halt" for stop in s["stops"])),
        "that reached the path's end": rate(lambda s: s["reached_end"]),
        "with an error of a stage": rate(lambda s: s["errors"]),
        "time lost, median": f"{lost['median']:.1f} s ({spread})",
        "least gap while moving": f"{min(gaps):.2f} m, people about in {len(gaps)}" if gaps else "nobody was about",
    }


def open_points(recordings):
    """What a review of these recordings cannot settle, one sentence each."""
    recordings = list(recordings)
    if not recordings:
        raise InputError("recordings must hold at least one recording")
    points = []
    pairs = [(r.scene.name, r.seed, r.tuning.hash) for r in recordings]
    if len(set(pairs)) < len(pairs):
        points.append("Some drives have scene, seed and tuning in common; if nothing else differs, they count twice.")
    if len({name for name, _, _ in pairs}) < len(recordings):
        points.append("Drives of one scene are alike: the bounds, which take drives to be independent, are too narrow.")
    if any(not any(len(row.scans) for row in r.rows) for r in recordings):
        points.append("Some drives are by exact knowledge, without sensors: they speak of the decision alone.")
    short = [r for r in recordings if not r.summary()["reached_end"]]
    if short:
        n = f"{len(short)} of {len(recordings)} drives"
        points.append(f"{n} did not reach the path's end; what would have followed is not known.")
    points += dict.fromkeys(f"{recording.scene.name}: {note}" for recording in recordings for note in recording.notes)
    points.append("People, sensors and vehicle are models; how near they are to real ones is not shown here.")
    return points
