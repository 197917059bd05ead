"""How good tracks are: consistency of filters, identities, time to confirm, errors over time.

All of it needs the truth, so it serves simulations and recordings with a reference.
"""

from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError, require_shape
from avoidkit.tracking.records import Stage
from avoidkit.tracking.setmetrics import gospa, ospa

PEOPLE = (Stage.CONFIRMED, Stage.COASTING)


def nees(error, covariance):
    """Normalised estimation error squared, (n,): e' P^-1 e; of dimension d its mean is d if P is honest.

    The same formula with innovations and their covariance is NIS. Bar-Shalom, Li and Kirubarajan (2001), section 5.4.2.

    Parameters
    ----------
    error : (n, d)
    covariance : (n, d, d)

    Examples
    --------
    >>> nees(np.array([[2.0, 0.0]]), np.array([np.diag([4.0, 1.0])])).tolist()
    [1.0]
    """
    error = np.atleast_2d(np.asarray(error, dtype=float))
    n, d = error.shape
    require_shape((n, d, d), finite=True, covariance=covariance)
    require_shape((n, d), finite=True, error=error)
    return np.einsum("ni,ni->n", error, np.linalg.solve(covariance, error[..., None])[..., 0])


nis = nees


def chi_square_band(runs, dof, level=0.95):
    """Two-sided band, (low, high), that holds the mean of `runs` independent NEES or NIS values with `level`.

    Examples
    --------
    >>> [round(float(b), 3) for b in chi_square_band(50, 2)]  # Bar-Shalom, from memory: printed 1.5, 2.6
    [1.484, 2.591]
    """
    from scipy.special import chdtri

    tail = (1 - level) / 2
    return float(chdtri(runs * dof, 1 - tail)) / runs, float(chdtri(runs * dof, tail)) / runs


def whiteness(innovations, lags=10):
    """Autocorrelation of a series of normalised innovations at lags 1 to `lags`, and the 95 % bound of white noise.

    Parameters
    ----------
    innovations : (n,) array
        Zero mean if the filter is right.

    Returns
    -------
    correlation : (lags,) array
    bound : float
        1.96 / sqrt(n).
    """
    y = np.asarray(innovations, dtype=float)
    require_shape((None,), finite=True, innovations=y)
    if len(y) <= lags:
        raise InputError(f"innovations must hold more than {lags} values, got {len(y)}")
    power = float(y @ y)
    return np.array([float(y[:-k] @ y[k:]) / power for k in range(1, lags + 1)]), 1.96 / np.sqrt(len(y))


@dataclass(frozen=True, eq=False, slots=True)
class Truth:
    """Where everybody truly is at one instant.

    Attributes
    ----------
    time_s : float
    names : tuple of str
    xy, velocity : (n, 2) arrays, m and m/s
    counts : (n,) bool
        Who is to be tracked at this instant: near enough, in view, apart from others.
    """

    time_s: float
    names: tuple
    xy: np.ndarray
    velocity: np.ndarray
    counts: np.ndarray

    def __post_init__(self):
        n = len(self.names)
        require_shape((n, 2), finite=True, xy=self.xy, velocity=self.velocity)
        require_shape((n,), counts=self.counts)


def truth_of(people, counts=None):
    """A `Truth` of `People`; all count unless told otherwise."""
    counts = np.ones(len(people.names), bool) if counts is None else np.asarray(counts, bool)
    return Truth(people.time_s, people.names, people.xy, people.velocity, counts)


def pairs_over_time(truths, tracks, *, cutoff_m=1.0, stages=PEOPLE):
    """Which track stands for whom, step by step.

    A pair of the step before is kept while it is within `cutoff_m`; the rest are paired by least summed distance
    (as in the CLEAR measures of Bernardin and Stiefelhagen 2008, from memory). A place held under a negative number
    is a second one of a track that is paired under its own, so it stands for nobody.

    Parameters
    ----------
    truths : sequence of Truth
    tracks : sequence of Tracks
        Of the same instants.
    stages : tuple of Stage
        Tracks of other stages are not looked at.

    Returns
    -------
    list of dict
        For each instant {name: row in that instant's `Tracks`}.
    """
    if len(truths) != len(tracks):
        raise InputError(f"tracks must have the length of truths, {len(truths)}, got {len(tracks)}")
    before, out = {}, []
    for truth, now in zip(truths, tracks, strict=True):
        rows = np.flatnonzero(np.isin(now.stage, [int(stage) for stage in stages]) & (now.ids > 0))
        pairs = _kept_pairs(before, truth, now, rows, cutoff_m)
        pairs |= _new_pairs(pairs, truth, now, rows, cutoff_m)
        before = before | {name: int(now.ids[row]) for name, row in pairs.items()}
        out.append(pairs)
    return out


def _kept_pairs(before, truth, now, rows, cutoff_m):
    by_id = {int(now.ids[row]): row for row in rows}
    pairs = {}
    for k, name in enumerate(truth.names):
        row = by_id.get(before.get(name))
        if row is not None and np.hypot(*(now.state[row, :2] - truth.xy[k])) <= cutoff_m:
            pairs[name] = int(row)
            del by_id[before[name]]
    return pairs


def _new_pairs(pairs, truth, now, rows, cutoff_m):
    from scipy.optimize import linear_sum_assignment

    people = [k for k, name in enumerate(truth.names) if name not in pairs]
    free = [int(row) for row in rows if row not in pairs.values()]
    if not people or not free:
        return {}
    away = np.linalg.norm(truth.xy[people][:, None] - now.state[free][None, :, :2], axis=2)
    a, b = linear_sum_assignment(np.where(away <= cutoff_m, away, 1e6))
    return {truth.names[people[i]]: free[j] for i, j in zip(a, b, strict=True) if away[i, j] <= cutoff_m}


def identity_switches(pairs, tracks):
    """How often somebody's track gets another number, {name: count}; gaps in between do not count."""
    last, switches = {}, {}
    for now, step in zip(tracks, pairs, strict=True):
        for name, row in step.items():
            found = int(now.ids[row])
            switches[name] = switches.get(name, 0) + (name in last and last[name] != found)
            last[name] = found
    return switches


def tracked_share(truths, pairs):
    """Share of the time in which each person counts that they have a track, {name: share}; NaN: never counts."""
    seen, due = {}, {}
    for truth, step in zip(truths, pairs, strict=True):
        for name, counts in zip(truth.names, truth.counts, strict=True):
            due[name] = due.get(name, 0) + bool(counts)
            seen[name] = seen.get(name, 0) + bool(counts and name in step)
    return {name: seen[name] / n if n else float("nan") for name, n in due.items()}


def time_to_confirm(tracks):
    """For each number of a track that is ever confirmed, the time from its second measurement to then, {id: s}.

    Only tracks first handed out before they are confirmed can be timed; a track confirmed at once counts as 0.
    """
    second, out = {}, {}
    for now in tracks:
        for number, stage, hits in zip(now.ids, now.stage, now.hits, strict=True):
            if hits >= 2:
                second.setdefault(int(number), now.time_s)
            if stage == Stage.CONFIRMED and int(number) not in out:
                out[int(number)] = now.time_s - second[int(number)]
    return out


@dataclass(frozen=True, eq=False, slots=True)
class Errors:
    """Errors of the tracks that stand for people who count, arrays over (instant, person) pairs.

    Attributes
    ----------
    time_s : (k,)
    name : tuple of str
    position_m, velocity_mps : (k, 2)
        Estimate less truth.
    covariance : (k, 4, 4)
    standing : (k,)
    """

    time_s: np.ndarray
    name: tuple
    position_m: np.ndarray
    velocity_mps: np.ndarray
    covariance: np.ndarray
    standing: np.ndarray

    def __len__(self):
        return len(self.time_s)


def errors_over_time(truths, tracks, pairs):
    """The `Errors` of all pairs of people who count."""
    time_s, names, position, velocity, covariance, standing = [], [], [], [], [], []
    for truth, now, step in zip(truths, tracks, pairs, strict=True):
        for k, name in enumerate(truth.names):
            if name in step and truth.counts[k]:
                row = step[name]
                time_s.append(now.time_s)
                names.append(name)
                position.append(now.state[row, :2] - truth.xy[k])
                velocity.append(now.state[row, 2:] - truth.velocity[k])
                covariance.append(now.covariance[row])
                standing.append(now.standing[row])
    n = len(names)
    return Errors(
        np.array(time_s),
        tuple(names),
        np.array(position).reshape(n, 2),
        np.array(velocity).reshape(n, 2),
        np.array(covariance).reshape(n, 4, 4),
        np.array(standing),
    )


def rms(errors):
    """Root mean square length of (n, 2) errors; NaN for none."""
    errors = np.asarray(errors, dtype=float)
    return float(np.sqrt((errors**2).sum(axis=1).mean())) if len(errors) else float("nan")


def held_share(errors, covariance, level=0.95):
    """Share of (n, d) errors inside the ellipse that should hold `level` of them; NaN for none."""
    from scipy.special import chdtri

    errors = np.asarray(errors, dtype=float)
    if not len(errors):
        return float("nan")
    return float(np.mean(nees(errors, covariance) <= chdtri(errors.shape[1], 1 - level)))


def only_counted(truth, pairs):
    """The pairs of one instant whose people count."""
    counts = dict(zip(truth.names, truth.counts, strict=True))
    return {name: row for name, row in pairs.items() if counts[name]}


def to_be_judged(truth, tracks, cutoff_m):
    """Which believed tracks are neither of nor beside somebody who does not count, (n,) bool: those are left out."""
    believed = np.isin(tracks.stage, [int(stage) for stage in PEOPLE])
    others = truth.xy[~truth.counts]
    if not len(others) or not len(tracks):
        return believed
    away = np.linalg.norm(tracks.state[:, None, :2] - others[None], axis=2).min(axis=1)
    near = np.full(len(tracks), np.inf)
    if truth.counts.any():
        near = np.linalg.norm(tracks.state[:, None, :2] - truth.xy[truth.counts][None], axis=2).min(axis=1)
    return believed & ((away > cutoff_m) | (near < away))


def diagnose(truths, tracks, *, cutoff_m=1.0):
    """All figures of one drive in one dict of plain numbers, for a table or a line of print.

    Parameters
    ----------
    truths : sequence of Truth
    tracks : sequence of Tracks
    """
    pairs = pairs_over_time(truths, tracks, cutoff_m=cutoff_m)
    errors = errors_over_time(truths, tracks, pairs)
    counted = [only_counted(truth, step) for truth, step in zip(truths, pairs, strict=True)]
    sets = [
        (truth.xy[truth.counts], now.state[to_be_judged(truth, now, cutoff_m), :2])
        for truth, now in zip(truths, tracks, strict=True)
    ]
    whole = [gospa(*both, cutoff_m=cutoff_m, order=2.0) for both in sets]
    minutes = max((truths[-1].time_s - truths[0].time_s) / 60, 1e-9) if truths else float("nan")
    confirm = list(time_to_confirm(tracks).values())
    shares = [share for share in tracked_share(truths, pairs).values() if np.isfinite(share)]
    return {
        "gospa_m": float(np.mean([one.total_m for one in whole])) if whole else float("nan"),
        "missed_mean": float(np.mean([one.n_missed for one in whole])) if whole else float("nan"),
        "false_mean": float(np.mean([one.n_false for one in whole])) if whole else float("nan"),
        "ospa_m": float(np.mean([ospa(*both, cutoff_m=cutoff_m).total_m for both in sets])) if sets else float("nan"),
        "switches_per_minute": sum(identity_switches(counted, tracks).values()) / minutes,
        "tracked_share": float(np.mean(shares)) if shares else float("nan"),
        "time_to_confirm_s": float(np.median(confirm)) if confirm else float("nan"),
        "position_rms_m": rms(errors.position_m),
        "velocity_rms_mps": rms(errors.velocity_mps),
        "nees_position": float(np.mean(nees(errors.position_m, errors.covariance[:, :2, :2])))
        if len(errors)
        else float("nan"),
        "held_95": held_share(errors.position_m, errors.covariance[:, :2, :2]),
    }
