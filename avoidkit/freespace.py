"""Scans, echoes and tracks to free space: a log-odds grid that travels with the vehicle.

A cell is known free only where sensors have looked several times and would have found a person. What
nobody has seen, or has not seen for some time, is unknown, and unknown is not free. Evidence adds up
as log-odds after Thrun, Burgard and Fox, Probabilistic Robotics, ch. 9.

Three things let a vehicle start and move at all, and each carries a risk that is named here.

- Cells that no radar can see because of how it is mounted (wedges at the flanks) keep their state, carried by own
  motion, until somebody could have walked in from unseen surroundings; then they turn unknown. Whoever could have
  done so is taken to be seen again within `doubt_s`: somebody who walks along in the wedge for longer is missed.
- In the strip of `strip_m` beside the outline such cells stay free and are marked as exposed: fit to creep along, for
  a shadow alone slows the vehicle and never halts it. Somebody who slips in there is missed.
- At the start the operator, who stands by, declares a strip round the outline free and the wedges empty of people.
  That word holds for each wedge cell until a sensor has looked at it or it lies in a wedge no longer, which is over
  after one length of the vehicle. Whoever the operator overlooks in a wedge at the start is missed.
"""

import math
from collections import deque

import numpy as np

from avoidkit import gridmath, wedgemath
from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.grid import (  # noqa: F401  (passed on)
    NEVER_S,
    Grid,
    cells_to_polygon,
    empty_grid,
    free_grid,
    log_odds_of,
    middle_of,
    probability_of,
)
from avoidkit.gridstate import KEPT, EchoEvidence, GridState, RadarEvidence
from avoidkit.sensing.records import Health, age
from avoidkit.tracking.records import Stage
from avoidkit.vehicle import Ego, EgoHistory, box

HISTORY_S = 3.0  # own motion kept
GAP_S = 3.0  # ours: after a longer gap between two calls nothing of before is known: at rest it is a new start
LATEST_S = 1e5  # 32 bits keep a later time to worse than 0.01 s
STANDS_MPS = 0.05  # slower than this says nothing about the direction of travel


class FreeSpace:
    """Keeps the grid from cycle to cycle: `step` takes in what arrived and hands out a `Grid`.

    Parameters
    ----------
    tuning : Tuning
    """

    def __init__(self, tuning):
        self._tuning, self._space = tuning, tuning.freespace
        mounts = tuning.radar.mounts
        self._radars = {name: RadarEvidence(getattr(mounts, name), tuning) for name in type(mounts).model_fields}
        self._mounts = np.array([_row(getattr(mounts, name)) for name in self._radars])
        self._ring = EchoEvidence(tuning)
        self._egos, self._history = deque(), EgoHistory(HISTORY_S)
        self._state = None
        self._heard = {}  # sensor -> times of the scans taken in of late
        self._last_echo_s = -math.inf
        self._stride_cells = 0.0  # how far a hidden person got since the last whole cell
        self._way = 0.0  # last direction of travel: +1, -1, or 0 before any
        self._blind_pose, self._window = None, (0, 0, 0, 0)
        self._told = False  # whether the operator gave their word at the first call; after a gap they do at rest alone

    def step(self, scans, echoes, tracks, ego):
        """Take in what arrived since the last call and say what is known free now.

        Parameters
        ----------
        scans : iterable of Scan
            In any order; the result does not depend on it.
        echoes : Echoes or None
        tracks : Tracks
        ego : Ego
            Own motion now; `ego.time_s` must grow from call to call.

        Returns
        -------
        Grid
            With arrays of its own.

        Raises
        ------
        InputError
            If time does not grow or a scan comes from a sensor that has no mount.
        """
        dt_s = self._take_ego(ego)
        self._place_grid(ego)
        self._state.forget_tiles()
        for scan in sorted(scans, key=lambda scan: (scan.taken_s, scan.sensor)):
            if scan.sensor not in self._radars:
                raise InputError(f"scan.sensor must be one of {', '.join(self._radars)}, got {scan.sensor!r}")
            if self._is_news(scan, ego.time_s):
                pose = self._history.at(scan.taken_s).pose
                self._radars[scan.sensor].add(
                    self._state, scan, pose, lambda points, t=scan.taken_s: explained(points, t, tracks)
                )
        if echoes is not None and self._echoes_are_news(echoes, ego.time_s):
            self._ring.add(self._state, echoes, self._history.at(echoes.taken_s).pose)
        self._veil_lost(tracks)
        self._settle(ego.time_s, dt_s)
        return self._record(ego)

    def _take_ego(self, ego):
        if not abs(ego.time_s) <= LATEST_S:
            raise InputError(
                f"ego.time_s must be within {LATEST_S:.0f} s of 0, got {ego.time_s}: cells keep times as 32 bits, "
                "so count from the start of the drive"
            )
        dt_s = ego.time_s - self._egos[-1].time_s if self._egos else 0.0
        if dt_s > GAP_S:
            self._state, self._blind_pose = None, None  # anybody may be anywhere by now
        self._history.add(ego)
        self._egos.append(ego)
        while self._egos[0].time_s < ego.time_s - HISTORY_S:
            self._egos.popleft()
        return dt_s

    def _is_news(self, scan, now_s):
        """Whether this scan is fresh and was not taken in before; a stuck or stale one says nothing."""
        heard = self._heard.setdefault(scan.sensor, deque(maxlen=16))
        if not self._is_fresh(scan.taken_s, now_s) or scan.taken_s in heard:
            return False
        heard.append(scan.taken_s)
        return True

    def _echoes_are_news(self, echoes, now_s):
        fresh = self._is_fresh(echoes.taken_s, now_s) and echoes.taken_s > self._last_echo_s
        self._last_echo_s = max(self._last_echo_s, echoes.taken_s) if fresh else self._last_echo_s
        return fresh and echoes.health in (Health.OK, Health.DEGRADED)

    def _is_fresh(self, taken_s, now_s):
        return age(now_s, taken_s) <= self._tuning.decision.data_timeout_s

    # -- where the grid is and what the radars cannot see ---------------------------------------------------

    def _place_grid(self, ego):
        """Keep the middle of the grid near the vehicle, a little ahead in its direction of travel."""
        space, pose = self._space, ego.pose
        self._way = float(np.sign(ego.speed_mps)) if abs(ego.speed_mps) > STANDS_MPS else self._way
        ahead_m = self._way * space.recentre_m
        middle = middle_of(self._tuning.vehicle, pose) + ahead_m * np.array(
            [math.cos(pose.yaw_rad), math.sin(pose.yaw_rad)]
        )
        cells = round(space.size_m / space.cell_m)
        wanted = np.floor(middle[::-1] / space.cell_m + 0.5).astype(np.int64) - cells // 2
        if self._state is None:
            self._state = GridState(wanted, space.cell_m, cells)
            self._look_where_blind(pose)
            if not self._told or abs(ego.speed_mps) <= STANDS_MPS:
                self._declare(pose)
            self._told = True
        elif np.hypot(*(middle - self._state.middle_xy)) > space.recentre_m:
            self._state.scroll(wanted - self._state.corner_cells)
            self._blind_pose = None
        self._look_where_blind(pose)

    def _look_where_blind(self, pose):
        if self._blind_pose == pose:
            return
        r0, r1, c0, c1 = self._window
        self._state.blind[r0:r1, c0:c1] = 0
        self._window = self._mark(self._state.blind, pose, self._space.wedge_m, self._space.strip_m, self._mounts)
        self._blind_pose = pose

    def _declare(self, pose):
        """The operator's word: the strip round the outline is free, and nobody is in the wedges."""
        state, space = self._state, self._space
        state.held[(state.blind == 1) | (state.blind == 3)] = 1
        if space.start_clear_m > 0:
            near = np.zeros_like(state.blind)
            self._mark(near, pose, space.start_clear_m, 0.0, np.zeros((0, 3)))
            state.declared[near == 1] = 1
            certain = 0.5 * (log_odds_of(space.known_free_probability) + log_odds_of(space.least_probability))
            state.log_odds[near > 0] = certain

    def _mark(self, codes, pose, wide_m, strip_m, mounts):
        radar = self._tuning.radar
        return wedgemath.mark_blind(
            codes, *self._state.place, (pose.x_m, pose.y_m, pose.yaw_rad), *box(self._tuning.vehicle), wide_m, strip_m,
            mounts, math.radians(radar.field_of_view_deg) / 2, radar.range_min_m,
        )  # fmt: skip

    def _veil_lost(self, tracks):
        """Where a track that nobody sees is believed to be, nothing is known free."""
        lost = believed(tracks) & (tracks.time_s - tracks.last_seen_s > self._space.unseen_after_s)
        lost &= np.isfinite(tracks.state).all(axis=1) & np.isfinite(tracks.extent_m)
        if lost.any():
            radius = np.maximum(tracks.extent_m[lost], self._tuning.people.body_radius_m)
            gridmath.add_discs(
                self._state.veil, *self._state.place, np.ascontiguousarray(tracks.state[lost, :2]), radius,
                log_odds_of(self._space.occupied_probability),
            )  # fmt: skip

    # -- the end of a cycle -------------------------------------------------------------------------------

    def _settle(self, now_s, dt_s):
        space, state = self._space, self._state
        wedgemath.settle(
            state.log_odds, state.change, state.veil, state.last_seen_s, state.blind, state.declared, state.held,
            state.doubt_until_s, now_s, log_odds_of(space.least_probability), log_odds_of(space.greatest_probability),
            space.unseen_after_s, math.exp(-dt_s / space.fade_s), space.doubt_s,
        )  # fmt: skip
        self._stride_cells += self._tuning.people.shadow_speed_mps * dt_s / space.cell_m
        steps = int(self._stride_cells)
        self._stride_cells -= steps
        if steps > 0:
            wedgemath.spread_doubt(
                state.log_odds, state.last_seen_s, state.blind, state.held, state.doubt_until_s, self._window,
                log_odds_of(space.known_free_probability), log_odds_of(space.known_occupied_probability), now_s,
                now_s - space.unseen_after_s, space.doubt_s, max(1, round(space.person_across_m / space.cell_m)),
                min(steps, 200),
            )  # fmt: skip

    def _record(self, ego):
        space, state = self._space, self._state
        free_below = log_odds_of(space.known_free_probability)
        shown, declared, exposed, vouched = wedgemath.compose_record(
            state.log_odds, state.doubt_until_s, state.blind, state.declared, state.held, ego.time_s, free_below
        )
        return Grid(
            corner_xy=np.array(state.place[:2]),
            cell_m=space.cell_m,
            log_odds=shown,
            last_seen_s=state.last_seen_s.copy(),
            free_below=free_below,
            occupied_above=log_odds_of(space.known_occupied_probability),
            vehicle_xy=middle_of(self._tuning.vehicle, ego.pose),
            declared=declared,
            exposed=exposed,
            vouched=vouched,
            time_s=ego.time_s,
        )

    # -- checkpoints --------------------------------------------------------------------------------------

    def checkpoint(self):
        """All memory as a dict of arrays and plain values, from which `restore` goes on exactly as before."""
        if self._state is None:
            return {}
        return {
            "corner_cells": self._state.corner_cells.copy(),
            **{name: getattr(self._state, name).copy() for name in KEPT},
            "egos": np.array([_ego_row(ego) for ego in self._egos]),
            "heard": {name: list(times) for name, times in self._heard.items()},
            "radars": {name: radar.checkpoint() for name, radar in self._radars.items()},
            "last_echo_s": self._last_echo_s,
            "stride_cells": self._stride_cells,
            "way": self._way,
        }

    def restore(self, saved):
        """Take up the memory of a `checkpoint`."""
        self.__init__(self._tuning)
        if not saved:
            return
        self._told = True
        corner = np.array(saved["corner_cells"], dtype=np.int64)
        self._state = GridState(corner, self._space.cell_m, round(self._space.size_m / self._space.cell_m))
        for name in KEPT:
            getattr(self._state, name)[:] = saved[name]
        for row in np.asarray(saved["egos"], dtype=float).tolist():
            self._take_ego(Ego(row[0], Pose(*row[1:4]), *row[4:]))
        self._heard = {name: deque((float(t) for t in times), maxlen=16) for name, times in saved["heard"].items()}
        for name, radar in self._radars.items():
            radar.restore(saved["radars"][name])
        self._last_echo_s, self._stride_cells = float(saved["last_echo_s"]), float(saved["stride_cells"])
        self._way = float(saved["way"])


def believed(tracks):
    """(n,) bool: tracks that are `CONFIRMED` or `COASTING`."""
    return (tracks.stage == Stage.CONFIRMED) | (tracks.stage == Stage.COASTING)


def explained(points, taken_s, tracks):
    """Whether each of (n, 2) points, m, lies at a track that is believed: within its extent and 2 sigma, 0.3 m more.

    Of 2 sigma at most 0.25 m count: what may be somebody else is left to the cells, however uncertain the track is.
    Only `CONFIRMED` and `COASTING` tracks explain returns; their place is taken back or on to `taken_s`.
    """
    trusted = believed(tracks)
    if not trusted.any() or not len(points):
        return np.zeros(len(points), bool)
    state, covariance = tracks.state[trusted], tracks.covariance[trusted]
    there = state[:, :2] + (taken_s - tracks.time_s) * state[:, 2:]
    sigma = np.sqrt(np.maximum(np.maximum(covariance[:, 0, 0], covariance[:, 1, 1]), 0.0))
    gate = tracks.extent_m[trusted] + np.minimum(2.0 * sigma, 0.25) + 0.3
    gap = np.hypot(points[:, None, 0] - there[None, :, 0], points[:, None, 1] - there[None, :, 1])
    return (gap <= gate[None, :]).any(axis=1)


def _row(mount):
    return mount.x_m, mount.y_m, math.radians(mount.yaw_deg)


def _ego_row(ego):
    pose = ego.pose
    return ego.time_s, pose.x_m, pose.y_m, pose.yaw_rad, ego.speed_mps, ego.steering_rad, ego.yaw_rate_radps
