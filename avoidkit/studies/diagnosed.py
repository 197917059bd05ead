"""How good the tracks of one recorded drive are: every figure of `avoidkit.tracking.diagnostics`, over time and in one.

The truth is that of the recording: its scene's people, of whom those count that `studies.tracked` names. Position and
velocity are compared with the middle of the body as it moved, sway of the step included.
"""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError
from avoidkit.studies.innovations import PARTS, innovations_of, pooled_whiteness
from avoidkit.studies.tracked import truths_of
from avoidkit.tracking import diagnostics as figures
from avoidkit.tracking.records import Stage
from avoidkit.tracking.setmetrics import gospa, ospa

LAGS = 10
CUTOFF_M = 1.0  # of OSPA and GOSPA, and of pairing tracks with people


@dataclass(frozen=True, eq=False, slots=True)
class Diagnosis:
    """Tracks of a drive beside the truth.

    Attributes
    ----------
    title : str
        Scene, tuning and seed.
    times_s : (n,)
    truths, tracks, pairs, possible : list
        One entry a cycle: `Truth`, `Tracks`, {name: row of `Tracks`} of confirmed and coasting tracks, and the same
        with possible people as well.
    errors : Errors
    nees : (k,)
        Of position, two degrees of freedom, beside `errors`.
    innovations : Innovations
        Of the tracks that stand for people who count, at the cycles in which they do.
    whiteness : (3, LAGS)
        Of range, azimuth, range rate; NaN where there is too little.
    whiteness_bound : float
        The autocorrelation of white noise stays within plus and minus this at 95 of 100 lags.
    ospa_m, gospa_m : (n,)
        Of people who count, order 1 and 2, cut off at 1 m.
    gospa_parts : (n, 3)
        Localisation, missed, false: m^2, adding up to the square of `gospa_m`.
    switches : dict
        {name: list of times, s}, at which somebody's track got another number.
    confirm_s : dict
        {track: s} from its second measurement to its confirmation.
    summary : dict
        One number each, see `diagnostics.diagnose`, with `nis`, `whiteness`, `instants`, `people` added
        and `possible_share`: tracked, or held as a possible person.
    """

    title: str
    times_s: np.ndarray
    truths: list
    tracks: list
    pairs: list
    possible: list
    errors: figures.Errors
    nees: np.ndarray
    innovations: object
    whiteness: np.ndarray
    whiteness_bound: float
    ospa_m: np.ndarray
    gospa_m: np.ndarray
    gospa_parts: np.ndarray
    switches: dict
    confirm_s: dict
    summary: dict


def diagnosis_of(recording):
    """The `Diagnosis` of a recorded drive.

    Parameters
    ----------
    recording : Recording
        Of the kit's own tracker, if NIS and whiteness are to speak of what drove: its scans are worked in again.

    Raises
    ------
    InputError
        If there are no rows.

    Examples
    --------
    >>> from avoidkit import Scene, Tuning, drive
    >>> from avoidkit.scene import walking
    >>> guest = walking("Ottilie", [(0.0, 7.0, 5.0), (6.0, 6.0, -3.0)])
    >>> way = {"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]}
    >>> found = diagnosis_of(drive(Scene(name="court", path=way, people=[guest]), Tuning(), seed=0, duration_s=2.0))
    >>> found.summary["people"], bool(found.summary["position_rms_m"] < 0.3)
    (1, True)
    """
    if not len(recording):
        raise InputError("recording must hold at least one row")
    truths, tracks = truths_of(recording), [row.tracks for row in recording.rows]
    pairs = figures.pairs_over_time(truths, tracks, cutoff_m=CUTOFF_M)
    held = (*figures.PEOPLE, Stage.POSSIBLE)
    possible = figures.pairs_over_time(truths, tracks, cutoff_m=CUTOFF_M, stages=held)
    counted = [figures.only_counted(*both) for both in zip(truths, pairs, strict=True)]
    errors = figures.errors_over_time(truths, tracks, pairs)
    nees = figures.nees(errors.position_m, errors.covariance[:, :2, :2]) if len(errors) else np.zeros(0)
    told = _of_people(innovations_of(recording), np.array([t.time_s for t in truths]), counted, tracks)
    white, bound = _whiteness(told)
    both = [_sets(truth, now) for truth, now in zip(truths, tracks, strict=True)]
    whole = [gospa(*pair, cutoff_m=CUTOFF_M, order=2.0) for pair in both]
    tuning = recording.tuning
    return Diagnosis(
        title=f"{recording.scene.name}, tuning {tuning.name} ({tuning.hash}), seed {recording.seed}",
        times_s=np.array([truth.time_s for truth in truths]),
        truths=truths,
        tracks=tracks,
        pairs=pairs,
        possible=possible,
        errors=errors,
        nees=nees,
        innovations=told,
        whiteness=white,
        whiteness_bound=bound,
        ospa_m=np.array([ospa(*pair, cutoff_m=CUTOFF_M).total_m for pair in both]),
        gospa_m=np.array([one.total_m for one in whole]),
        gospa_parts=np.array([[one.localisation, one.missed, one.false] for one in whole]),
        switches=switch_times(counted, tracks),
        confirm_s=figures.time_to_confirm(tracks),
        summary=figures.diagnose(truths, tracks, cutoff_m=CUTOFF_M)
        | {
            "nis": float(told.nis.mean()) if len(told) else math.nan,
            "whiteness": _greatest(white),
            "instants": len(errors),
            "possible_share": _mean(figures.tracked_share(truths, possible)),
            "people": sum(any(t.counts[k] for t in truths) for k in range(len(truths[0].names))),
        },
    )


def _sets(truth, now):
    judged = figures.to_be_judged(truth, now, CUTOFF_M)
    return truth.xy[truth.counts], now.state[judged, :2]


def _of_people(told, times_s, counted, tracks):
    """Those of tracks that stand for somebody who counts in the cycle in which the scan had been taken."""
    ids = [{int(now.ids[row]) for row in step.values()} for step, now in zip(counted, tracks, strict=True)]
    cycle = np.clip(np.searchsorted(times_s, told.taken_s - 1e-9), 0, len(times_s) - 1)
    return told.where(np.array([t in ids[k] for t, k in zip(told.track.tolist(), cycle, strict=True)], dtype=bool))


def _whiteness(told):
    series = [told.white[told.track == track] for track in np.unique(told.track)]
    found = [pooled_whiteness([one[:, part] for one in series], LAGS) for part in range(len(PARTS))]
    return np.array([correlation for correlation, _ in found]), found[0][1]


def _mean(shares):
    finite = [share for share in shares.values() if math.isfinite(share)]
    return float(np.mean(finite)) if finite else math.nan


def _greatest(white):
    return float(np.nanmax(np.abs(white))) if np.isfinite(white).any() else math.nan


def switch_times(pairs, tracks):
    """When somebody's track got another number, {name: [time_s, ...]}; gaps in between do not count.

    Examples
    --------
    >>> from avoidkit.tracking.records import exact_tracks
    >>> steps = [exact_tracks(0.05 * k, [(0, 0), (5, 0)], [(0, 0), (0, 0)]) for k in range(3)]
    >>> switch_times([{"a": 0}, {}, {"a": 1}], steps)
    {'a': [0.1]}
    """
    last, found = {}, {}
    for now, step in zip(tracks, pairs, strict=True):
        for name, row in step.items():
            number = int(now.ids[row])
            if last.setdefault(name, number) != number:
                found.setdefault(name, []).append(now.time_s)
            last[name] = number
    return found


def diagnosis_lines(found):
    """A `Diagnosis` in words, a line each, with the band in which an honest filter would lie.

    Consecutive values are not independent, so the bands, which take them to be, are narrower than they should be.
    """
    s = found.summary
    if not s["people"]:
        return ["tracks       nobody ever counts: near, in view and apart for a second; nothing to judge"]
    if not s["instants"]:
        held = f"held as a possible person {100 * s['possible_share']:.1f} % of that time"
        return [f"tracks       {s['people']} people who count, none confirmed; {held}"]
    switched = sum(map(len, found.switches.values()))
    low, high = figures.chi_square_band(s["instants"], 2)
    return [
        f"tracks       {s['people']} people who count, tracked {100 * s['tracked_share']:.1f} % of that time, "
        f"{100 * s['possible_share']:.1f} % with possible people",
        f"position     {s['position_rms_m']:.3f} m RMS; the 95 % ellipse holds {100 * s['held_95']:.1f} %",
        f"velocity     {s['velocity_rms_mps']:.3f} m/s RMS, sway of the step included",
        f"NEES         {s['nees_position']:.2f} of position, 2 expected ({low:.2f} to {high:.2f} if white)",
        _nis_line(found),
        _white_line(found),
        f"OSPA         {s['ospa_m']:.3f} m in the mean, cut off at {CUTOFF_M:g} m",
        f"GOSPA        {s['gospa_m']:.3f} m in the mean; missed {s['missed_mean']:.3f}, false {s['false_mean']:.3f}",
        f"identities   {switched} switches, {s['switches_per_minute']:.2f} a minute",
        f"confirmed    {_confirm(found)}",
    ]


def _nis_line(found):
    if not len(found.innovations):
        return "NIS          no scans were recorded"
    low, high = figures.chi_square_band(len(found.innovations), 3)
    return f"NIS          {found.summary['nis']:.2f} in the mean, 3 expected ({low:.2f} to {high:.2f} if white)"


def _white_line(found):
    if not np.isfinite(found.whiteness).any():
        return "innovations  too few to say whether they are white"
    part, lag = np.unravel_index(np.nanargmax(np.abs(found.whiteness)), found.whiteness.shape)
    most = f"{found.whiteness[part, lag]:+.2f} ({PARTS[part]}, lag {lag + 1})"
    return f"innovations  greatest autocorrelation {most}, within {found.whiteness_bound:.2f} if white"


def _confirm(found):
    times = list(found.confirm_s.values())
    if not times:
        return "no track was"
    spread = f"{np.median(times):.2f} s in the median, {max(times):.2f} s at most, {len(times)} tracks"
    return f"{spread}; after the second measurement"
