"""What each measurement told a tracker beyond what it expected: NIS and whiteness of a recorded drive.

The tracker's own filter is listened to while the recorded scans are worked in again; nothing of it is changed.
"""

from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError, require_shape
from avoidkit.tracking import Tracker, filters
from avoidkit.tracking import bank as column

PARTS = ("range", "azimuth", "range rate")  # order of the components of an innovation


@dataclass(frozen=True, eq=False, slots=True)
class Innovations:
    """Innovations of a drive, arrays over measurements taken in, in the order of their times.

    Attributes
    ----------
    taken_s : (k,)
        When the scan was taken.
    track : (k,) int
        Number of the track, as in `Tracks.ids`; 0: never handed out.
    nis : (k,)
        Normalised innovation squared, three degrees of freedom: its mean is 3 if the filter is right.
    white : (k, 3)
        The innovation made white by the Cholesky factor of its covariance: range, azimuth given range, range rate
        given both; each has variance 1 if the filter is right.
    """

    taken_s: np.ndarray
    track: np.ndarray
    nis: np.ndarray
    white: np.ndarray

    def __post_init__(self):
        k = len(self.taken_s)
        require_shape((k,), track=self.track, nis=self.nis)
        require_shape((k, 3), white=self.white)

    def __len__(self):
        return len(self.taken_s)

    def where(self, mask):
        """Only those that a boolean (k,) mask picks."""
        return Innovations(self.taken_s[mask], self.track[mask], self.nis[mask], self.white[mask])


class Listening:
    """A filter of the tracker that notes each innovation before it hands on to the one inside.

    A scan that is worked in again, because a late one came, replaces its earlier notes.
    """

    def __init__(self, inside):
        self._inside, self.notes = inside, {}

    def advance(self, bank, taken_s, settings):
        """Let time go by until `taken_s`."""
        self._inside.advance(bank, taken_s, settings)

    def update(self, bank, pick, clusters, settings):
        """Note what is about to be worked in, then work it in."""
        self.notes[bank.time_s, *clusters.sensor.tolist()] = _noted(bank, pick, clusters, settings)
        self._inside.update(bank, pick, clusters, settings)


def _noted(bank, pick, clusters, settings):
    """Rows of (taken_s, key of the track, nis, three white parts) of the tracks that get a measurement."""
    states, covariances = filters.combined(bank.states, bank.covariances, bank.modes)
    limb_var, shares = filters.limbs(clusters.z, settings)
    rows = []
    for i in np.flatnonzero(pick >= 0):
        j, modes = pick[i], bank.modes[i]
        y, _, _, HPH = filters.innovation(states[i], covariances[i], clusters.z[j], clusters.sensor)
        S = HPH + np.diag(modes @ clusters.R[j] + (modes @ shares) * limb_var[j])
        white = np.linalg.solve(np.linalg.cholesky(S), y)
        rows.append((bank.time_s, bank.life[i, column.KEY], float(white @ white), *white))
    return rows


def innovations_of(recording):
    """The `Innovations` of all tracks of a drive, by working its scans in again with the kit's own tracker.

    Standing and walking models are taken together, and a limb's variance by its share, so that each measurement has
    one covariance. The true density is a mixture: single values have heavier tails than chi-square.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    Innovations
        None at all (k = 0) for a drive by exact knowledge, which has no scans.

    Examples
    --------
    >>> from avoidkit import Tuning, drive, load_scene, shipped
    >>> scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    >>> told = innovations_of(drive(scene, Tuning(), seed=0, duration_s=2.0))
    >>> len(told) > 20, told.white.shape[1]
    (True, 3)
    """
    tracker = Tracker(recording.tuning)
    tracker.filter = listener = Listening(tracker.filter)
    for row in recording.rows:
        tracker.step(row.scans, row.ego)
    rows = sorted(row for notes in listener.notes.values() for row in notes)
    table = np.array(rows, dtype=float).reshape(-1, 6)
    track = np.array([tracker._names.get(key, 0) for key in table[:, 1]], dtype=np.int64)
    return Innovations(table[:, 0], track, table[:, 2], table[:, 3:])


def pooled_whiteness(series, lags=10):
    """Autocorrelation at lags 1 to `lags` of several series of normalised innovations together, and the 95 % bound.

    Parameters
    ----------
    series : sequence of (n,) arrays
        One a track; those with no more than `lags` values are left out.

    Returns
    -------
    correlation : (lags,) array
        NaN where every series is too short.
    bound : float
        1.96 / sqrt(n) of all values used; NaN likewise.

    Examples
    --------
    >>> correlation, bound = pooled_whiteness([[1.0, -1.0] * 10, [1.0, -1.0] * 10], lags=2)
    >>> correlation.round(3).tolist(), round(bound, 3)
    ([-0.95, 0.9], 0.31)
    """
    if lags < 1:
        raise InputError(f"lags must be at least 1, got {lags}")
    used = [np.asarray(y, dtype=float) for y in series if len(y) > lags]
    power = sum(float(y @ y) for y in used)
    if not power > 0:
        return np.full(lags, np.nan), float("nan")
    sums = [sum(float(y[:-k] @ y[k:]) for y in used) for k in range(1, lags + 1)]
    return np.array(sums) / power, 1.96 / float(np.sqrt(sum(map(len, used))))
