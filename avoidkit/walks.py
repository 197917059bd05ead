"""Walks: places by time, smoothed so that nobody jerks, and extended so that nobody appears from nothing."""

import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from avoidkit.checks import InputError, require_not_negative, require_shape

JUMP_MPS = 8.0  # faster than anyone walks or runs in a yard: a mistake in the file
EXTEND_S = 1.0  # the first and last so many seconds give the velocity of the extensions
STILL_MPS = 1e-6


@dataclass(frozen=True, eq=False, slots=True)
class Walk:
    """Straight pieces between places at given times, averaged over a moving window.

    Before the first and after the last place the walk goes on with the mean velocity of its first and
    last second, or stands. The average over `smooth_s` turns a step of velocity dv into a constant acceleration
    dv / smooth_s; with 0 the walk is exactly as given.

    Attributes
    ----------
    t_s : (k,) array
        Growing, k at least 1.
    xy : (k, 2) array, m
    smooth_s : float
    ends_stand : bool
        Stands before the first place and after the last.

    Examples
    --------
    >>> walk = Walk(np.array([0.0, 4.0, 5.0]), np.array([[0.0, 0.0], [0.0, 0.0], [1.4, 0.0]]), 1.0)
    >>> walk.places(np.array([2.0, 4.0, 10.0])).round(3).tolist()  # at 4 s already under way by 1.4 / 8 m
    [[0.0, 0.0], [0.175, 0.0], [8.4, 0.0]]
    """

    t_s: np.ndarray
    xy: np.ndarray
    smooth_s: float
    ends_stand: bool = False

    def __post_init__(self):
        n = len(self.t_s)
        if n < 1:
            raise InputError("t_s must hold at least 1 time, got 0")
        require_shape((n,), finite=True, t_s=self.t_s)
        require_shape((n, 2), finite=True, xy=self.xy)
        require_not_negative(smooth_s=self.smooth_s)
        if np.any(np.diff(self.t_s) <= 0):
            raise InputError("t_s must grow from place to place")

    @property
    def slopes(self):
        """(k + 1, 2) velocity, m/s, before the first place, between places, and after the last."""
        if len(self.t_s) == 1:
            return np.zeros((2, 2))
        between = np.diff(self.xy, axis=0) / np.diff(self.t_s)[:, None]
        if self.ends_stand:
            return np.vstack([np.zeros((1, 2)), between, np.zeros((1, 2))])
        span_s = min(EXTEND_S, self.t_s[-1] - self.t_s[0])
        early = [np.interp(self.t_s[0] + span_s, self.t_s, column) for column in self.xy.T]
        late = [np.interp(self.t_s[-1] - span_s, self.t_s, column) for column in self.xy.T]
        return np.vstack([(early - self.xy[0]) / span_s, between, (self.xy[-1] - late) / span_s])

    def places(self, times_s):
        """(n, 2) places, m, at (n,) times."""
        times = np.asarray(times_s, dtype=float)
        if self.smooth_s == 0 or len(self.t_s) == 1:
            return self._sharp(times)
        half = self.smooth_s / 2
        return (self._integral(times + half) - self._integral(times - half)) / self.smooth_s

    def velocities(self, times_s):
        """(n, 2) velocities, m/s, at (n,) times; the exact derivative of `places`."""
        times = np.asarray(times_s, dtype=float)
        if self.smooth_s == 0 or len(self.t_s) == 1:
            return self.slopes[np.searchsorted(self.t_s, times, side="right")]
        half = self.smooth_s / 2
        return (self._sharp(times + half) - self._sharp(times - half)) / self.smooth_s

    def own_times(self, from_s, to_s):
        """The part of a span in which the walk is as given, or stands: its moving extensions are left out."""
        speeds = np.hypot(*self.slopes.T)
        first = -np.inf if speeds[0] < STILL_MPS else self.t_s[0]
        last = np.inf if speeds[-1] < STILL_MPS else self.t_s[-1]
        return max(from_s, first), min(to_s, last)

    def _pieces(self, times):
        k = np.searchsorted(self.t_s, times, side="right")
        start = np.maximum(k - 1, 0)
        return start, self.slopes[k], (times - self.t_s[start])[:, None]

    def _sharp(self, times):
        start, slope, since = self._pieces(times)
        return self.xy[start] + slope * since

    def _integral(self, times):
        steps = np.diff(self.t_s)[:, None] * (self.xy[1:] + self.xy[:-1]) / 2
        done = np.vstack([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
        start, slope, since = self._pieces(times)
        return done[start] + self.xy[start] * since + slope * since**2 / 2


def fastest_step(t_s, xy):
    """The index of the place before the fastest piece of a walk, and its speed in m/s; (0, 0.0) for one place."""
    if len(t_s) < 2:
        return 0, 0.0
    speed = np.hypot(*np.diff(xy, axis=0).T) / np.diff(t_s)
    k = int(np.argmax(speed))
    return k, float(speed[k])


def find_walks_file(name, folder):
    """The path of a file of recorded walks: as given, beside the scene, or below `AVOIDKIT_OPEN_DATA`."""
    places = [Path(folder or ".") / name]
    open_data = os.environ.get("AVOIDKIT_OPEN_DATA")
    if open_data:
        places.append(Path(open_data) / name)
    for place in places:
        if place.is_file():
            return place
    looked = " and ".join(str(place) for place in places)
    raise InputError(
        f"no such file, looked at {looked}{'' if open_data else ' (AVOIDKIT_OPEN_DATA is not set)'}, "
        "a text file with the columns id, frame, x, y, z was wanted"
    )


def read_walks(path):
    """The recorded walks of a text file, as (frames per second, (n, 4) array of id, frame, x, y).

    Lines hold `id frame x y z`, m; one comment line says `# framerate: 25`. Raises `InputError` where a
    line does not fit, or the frame rate is missing.
    """
    path = Path(path)
    stamp = path.stat()
    return _read_walks(str(path), stamp.st_mtime_ns, stamp.st_size)


_kept = {}


def _read_walks(name, changed, size):
    key = (name, changed, size)
    if key not in _kept:
        _kept.clear()  # one file at a time is enough: a scene usually takes all its walkers from one
        _kept[key] = _parse_walks(name, Path(name).read_text(encoding="utf-8", errors="replace"))
    return _kept[key]


def _parse_walks(name, text):
    rate_hz, rows = None, []
    for number, line in enumerate(text.splitlines(), start=1):
        if line.lstrip().startswith("#"):
            head, _, value = line.lstrip("# \t").partition(":")
            if head.strip().lower() == "framerate":
                rate_hz = _number(name, number, value)
            continue
        words = line.split()
        if not words:
            continue
        if len(words) < 4:
            raise InputError(f"{name}: line {number}: id, frame, x, y, z were wanted, got {line.strip()!r}")
        rows.append([_number(name, number, word) for word in words[:4]])
    if rate_hz is None or rate_hz <= 0:
        raise InputError(
            f"{name}: a comment line '# framerate: 25' (frames per second, above 0) was wanted, got {rate_hz}"
        )
    if not rows:
        raise InputError(f"{name}: at least one line id, frame, x, y, z was wanted, got none")
    return rate_hz, np.array(rows)


def _number(name, line, word):
    try:
        number = float(word)
    except ValueError:
        number = np.nan
    if not np.isfinite(number):
        raise InputError(f"{name}: line {line}: a finite number was wanted, got {word.strip()!r}")
    return number


def recorded_walk(path, walker_id, *, shift_m=(0.0, 0.0), turn_rad=0.0, start_s=0.0, file_clock=False):
    """One walker of a file as (t_s, xy): turned about the file's origin, then shifted.

    `start_s` is the time of the walker's first frame or, with `file_clock`, of frame 0 of the file, so that
    several walkers of a file keep their times.
    """
    rate_hz, rows = read_walks(path)
    mine = rows[rows[:, 0] == walker_id]
    if not len(mine):
        known = np.unique(rows[:, 0]).astype(int)
        raise InputError(f"{path}: an id from {known[0]} to {known[-1]} was wanted, got {walker_id}")
    mine = mine[np.argsort(mine[:, 1], kind="stable")]
    t_s = start_s + (mine[:, 1] - (0.0 if file_clock else mine[0, 1])) / rate_hz
    if np.any(np.diff(t_s) <= 0):
        raise InputError(f"{path}: frames of walker {walker_id} must grow, got the same frame twice")
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    xy = mine[:, 2:4] @ np.array([[cos, sin], [-sin, cos]]) + np.asarray(shift_m, dtype=float)
    return t_s, xy
