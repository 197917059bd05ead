"""What the tracker hands out."""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from avoidkit.checks import require_finite, require_shape

STATE = ("x_m", "y_m", "vx_mps", "vy_mps")  # order of every track state, in the scene frame


class Stage(IntEnum):
    """Where a track is in its life; a track that is gone is not listed."""

    TENTATIVE = 0  # seen, not yet believed; two hits are enough to brake for
    CONFIRMED = 1
    COASTING = 2  # believed, not seen in the last scans that could have shown it
    POSSIBLE = 3  # person-sized, apart from edges, has never moved: may be a person


@dataclass(frozen=True, eq=False, slots=True)
class Tracks:
    """All tracks at one instant, as arrays whose first axis counts them; n = 0 is fine.

    Attributes
    ----------
    time_s : float
        The instant that states and covariances speak of: now, not that of the last scan.
    ids : (n,) int64
        Never used twice in a drive.
    stage : (n,) int8
        Of `Stage`.
    state : (n, 4) float
        Ordered as `STATE`, of the middle of the body, scene frame.
    covariance : (n, 4, 4) float
    existence, standing : (n,) float
        Probability that somebody is there; that they stand.
    extent_m : (n,) float
        Radius that holds the body or the group, m.
    age_s, last_seen_s : (n,) float
        Age of the track; when the last measurement in it was taken.
    standing_for_s : (n,) float
        How long the standing probability has been at least `people.standing_probability`; else 0.
    stood_ago_s : (n,) float
        Time since it last was so; inf where it never was, although watched for long enough to know.
    hits : (n,) int64
        Measurements taken in so far.
    """

    time_s: float
    ids: np.ndarray
    stage: np.ndarray
    state: np.ndarray
    covariance: np.ndarray
    existence: np.ndarray
    standing: np.ndarray
    extent_m: np.ndarray
    age_s: np.ndarray
    last_seen_s: np.ndarray
    standing_for_s: np.ndarray
    stood_ago_s: np.ndarray
    hits: np.ndarray

    def __post_init__(self):
        require_finite(time_s=self.time_s)
        n = len(self.ids)
        require_shape((n, 4), state=self.state)
        require_shape((n, 4, 4), covariance=self.covariance)
        for name in (
            "stage",
            "existence",
            "standing",
            "extent_m",
            "age_s",
            "last_seen_s",
            "standing_for_s",
            "stood_ago_s",
            "hits",
        ):
            require_shape((n,), **{name: getattr(self, name)})

    def __len__(self):
        return len(self.ids)

    def where(self, mask):
        """Only the tracks that a boolean (n,) mask or an index array picks."""
        arrays = {name: getattr(self, name)[mask] for name in ARRAYS}
        if np.ndim(mask) != 1:
            return Tracks(time_s=self.time_s, **arrays)
        picked = object.__new__(Tracks)  # rows of arrays that fit: nothing to check again
        object.__setattr__(picked, "time_s", self.time_s)
        for name, array in arrays.items():
            object.__setattr__(picked, name, array)
        return picked


ARRAYS = tuple(name for name in Tracks.__slots__ if name != "time_s")


def no_tracks(time_s):
    """An empty set of tracks at `time_s`."""
    zero = np.zeros(0)
    return Tracks(
        time_s, np.zeros(0, np.int64), np.zeros(0, np.int8), np.zeros((0, 4)), np.zeros((0, 4, 4)),
        zero, zero, zero, zero, zero, zero, zero, np.zeros(0, np.int64),
    )  # fmt: skip


def exact_tracks(
    time_s,
    positions,
    velocities,
    *,
    standing_for_s=None,
    stood_ago_s=None,
    extent_m=0.30,
    sigma_m=0.02,
    sigma_mps=0.02,
    seen_ago_s=0.0,
):
    """Tracks as perfect knowledge would give them, for maps, tests and worked cases.

    Parameters
    ----------
    positions, velocities : (n, 2) arrays, m and m/s, scene frame
    standing_for_s : (n,) array or None
        How long each has stood; None: 10 s for those slower than 0.15 m/s, else 0.
    stood_ago_s : (n,) array or None
        How long ago each last stood; None: 0 for those who stand, else inf.
    """
    positions = np.asarray(positions, dtype=float).reshape(-1, 2)
    velocities = np.asarray(velocities, dtype=float).reshape(-1, 2)
    n = len(positions)
    if standing_for_s is None:
        standing_for_s = np.where(np.hypot(*velocities.T) < 0.15, 10.0, 0.0)
    stands = np.asarray(standing_for_s) > 0
    covariance = np.tile(np.diag([sigma_m**2, sigma_m**2, sigma_mps**2, sigma_mps**2]), (n, 1, 1))
    return Tracks(
        time_s=time_s,
        ids=np.arange(1, n + 1),
        stage=np.full(n, Stage.CONFIRMED, np.int8),
        state=np.hstack([positions, velocities]),
        covariance=covariance,
        existence=np.full(n, 0.999),
        standing=np.where(stands, 0.99, 0.01),
        extent_m=np.full(n, float(extent_m)),
        age_s=np.full(n, 10.0),
        last_seen_s=np.full(n, time_s - seen_ago_s),
        standing_for_s=np.asarray(standing_for_s, dtype=float),
        stood_ago_s=np.where(stands, 0.0, np.inf) if stood_ago_s is None else np.asarray(stood_ago_s, dtype=float),
        hits=np.full(n, 100),
    )
