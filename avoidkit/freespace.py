"""Scans, echoes and tracks to free space: a log-odds grid that travels with the vehicle.

A cell is known free only where sensors have looked several times and would have found a person. What
nobody has seen, or has not seen for some time, is unknown, and unknown is not free. Evidence adds up
as log-odds after Thrun, Burgard and Fox, Probabilistic Robotics, ch. 9.

Two things let a vehicle start at all, and both carry a risk that is named here. Cells that no radar can see
because of how they are mounted (wedges at the flanks) keep their state, carried by own motion, until somebody could
have walked in from unseen surroundings. And at the start the operator, who stands by, declares a strip round
the outline free and the wedges empty of people; that word holds for each wedge cell until a sensor has
looked at it or it lies in a wedge no longer, which is over after one length of the vehicle. Whoever the
operator overlooks in a wedge at the start is not seen by this grid.
"""

import math
from collections import deque

import numpy as np

from avoidkit import gridmath
from avoidkit.checks import InputError
from avoidkit.frames import Pose, compose
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
from avoidkit.sensing.equation import range_at_probability
from avoidkit.sensing.records import Health
from avoidkit.tracking.records import Stage
from avoidkit.vehicle import Ego, EgoHistory, box

BIN_DEG = 1.0  # width of a bin of azimuth
KEEP_S = 3.0  # own motion kept, s


class FreeSpace:
    """Keeps the grid from cycle to cycle: `step` takes in what arrived and hands out a `Grid`.

    Parameters
    ----------
    tuning : Tuning
    """

    def __init__(self, tuning):
        self._tuning, self._space = tuning, tuning.freespace
        self._vehicle_box = box(tuning.vehicle)
        self._half_view_rad = math.radians(tuning.radar.field_of_view_deg) / 2
        self._bins = max(1, round(tuning.radar.field_of_view_deg / BIN_DEG))
        self._reach_m = self._sure_reach()
        self._names = tuple(type(tuning.radar.mounts).model_fields)
        self._mounts = np.array([_mount_row(getattr(tuning.radar.mounts, name)) for name in self._names])
        self._echo_mounts = None
        self._egos, self._history = deque(), EgoHistory(KEEP_S)
        self._heard = {}  # sensor -> times of the scans taken in of late
        self._last_echo_s = -math.inf
        self._growth_cells = 0.0
        self._corner_cells = None  # [row, col] of the corner, in cells from the scene's origin
        self._blind_pose = None
        self._window = (0, 0, 0, 0)

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
        self._take_ego(ego)
        self._place_grid(ego)
        for scan in sorted(scans, key=lambda scan: (scan.taken_s, scan.sensor)):
            self._take_scan(scan, tracks, ego.time_s)
        if echoes is not None:
            self._take_echoes(echoes, ego.time_s)
        self._settle(ego)
        return self._record(ego)

    # -- own motion and the grid's place ------------------------------------------------------------------

    def _take_ego(self, ego):
        self._dt_s = ego.time_s - self._egos[-1].time_s if self._egos else 0.0
        self._history.add(ego)
        self._egos.append(ego)
        while self._egos[0].time_s < ego.time_s - KEEP_S:
            self._egos.popleft()

    def _place_grid(self, ego):
        cell = self._space.cell_m
        middle = middle_of(self._tuning.vehicle, ego.pose)
        if self._corner_cells is None:
            self._begin(empty_grid(middle, self._tuning), ego)
            return
        n = self._log_odds.shape[0]
        grid_middle = (self._corner_cells[::-1] + n / 2) * cell
        if np.hypot(*(middle - grid_middle)) > self._space.recentre_m:
            wanted = np.floor(middle[::-1] / cell + 0.5).astype(np.int64) - n // 2
            self._scroll(wanted - self._corner_cells)
        self._look_where_blind(ego.pose)

    def _begin(self, grid, ego):
        self._corner_cells = np.round(grid.corner_xy[::-1] / self._space.cell_m).astype(np.int64)
        self._log_odds, self._last_seen_s = grid.log_odds, grid.last_seen_s
        shape = grid.shape
        self._change, self._veil = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        self._blind, self._declared = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
        self._look_where_blind(ego.pose)
        self._held = (self._blind == 1).astype(np.uint8)
        self._declare(ego.pose)

    def _declare(self, pose):
        """The operator's word: the strip round the outline is free."""
        space = self._space
        if space.start_clear_m <= 0:
            return
        front, rear, half = self._vehicle_box
        strip = np.zeros_like(self._blind)
        gridmath.mark_blind(
            strip, *self._corner_xy(), space.cell_m, (pose.x_m, pose.y_m, pose.yaw_rad),
            front, rear, half, space.start_clear_m, np.zeros((0, 3)), self._half_view_rad, 0.0,
        )  # fmt: skip
        self._declared[strip == 1] = 1
        certain = 0.5 * (log_odds_of(space.known_free_probability) + log_odds_of(space.least_probability))
        self._log_odds[strip > 0] = certain

    def _corner_xy(self):
        return float(self._corner_cells[1] * self._space.cell_m), float(self._corner_cells[0] * self._space.cell_m)

    def _scroll(self, by_cells):
        """Move the grid by whole cells; what comes in is unknown, what stays keeps its place in the scene."""
        self._corner_cells = self._corner_cells + by_cells
        self._log_odds = _shifted(self._log_odds, by_cells, 0.0)
        self._last_seen_s = _shifted(self._last_seen_s, by_cells, NEVER_S)
        self._declared, self._held = _shifted(self._declared, by_cells, 0), _shifted(self._held, by_cells, 0)
        self._blind = np.zeros_like(self._blind)
        self._blind_pose = None

    def _look_where_blind(self, pose):
        if self._blind_pose == pose:
            return
        r0, r1, c0, c1 = self._window
        self._blind[r0:r1, c0:c1] = 0
        space, (front, rear, half) = self._space, self._vehicle_box
        self._window = gridmath.mark_blind(
            self._blind, *self._corner_xy(), space.cell_m, (pose.x_m, pose.y_m, pose.yaw_rad),
            front, rear, half, space.wedge_m, self._mounts, self._half_view_rad, self._tuning.radar.range_min_m,
        )  # fmt: skip
        self._blind_pose = pose

    # -- radars -------------------------------------------------------------------------------------------

    def _sure_reach(self):
        """Range, m, by bin, up to which the absence of returns speaks against a person being there."""
        space, radar = self._space, self._tuning.radar
        angles = (np.arange(self._bins) + 0.5) * (2 * self._half_view_rad / self._bins) - self._half_view_rad
        reach = [
            range_at_probability(space.evidence_probability, radar.adult_low_dbsm, radar, angle) for angle in angles
        ]
        return np.minimum(np.array(reach), min(space.evidence_range_m, radar.range_max_m))

    def _take_scan(self, scan, tracks, now_s):
        if scan.sensor not in self._names:
            raise InputError(f"scan.sensor must be one of {', '.join(self._names)}, got {scan.sensor!r}")
        if not self._is_news(scan, now_s):
            return
        row = self._mounts[self._names.index(scan.sensor)]
        at = compose(self._history.at(scan.taken_s).pose, Pose(*row))
        ranges, azimuths = scan.range_m.astype(float), scan.azimuth_rad.astype(float)
        bearing = at.yaw_rad + azimuths
        points = np.array([at.x_m, at.y_m]) + ranges[:, None] * np.stack([np.cos(bearing), np.sin(bearing)], axis=1)
        theirs = explained(points, scan.taken_s, tracks)
        self._mark_returns(points, bearing, ranges, scan.snr_db, theirs, scan.taken_s)
        if scan.health == Health.BLIND:
            return
        weight = 1.0 if scan.health == Health.OK else 0.5
        self._mark_free(at, ranges, azimuths, scan.taken_s, weight)

    def _is_news(self, scan, now_s):
        """Whether this scan is fresh and was not taken in before; a stuck or stale one says nothing."""
        if not all(np.all(np.isfinite(a)) for a in (scan.range_m, scan.azimuth_rad, scan.snr_db)):
            return False
        heard = self._heard.setdefault(scan.sensor, deque(maxlen=16))
        fresh = -1e-6 <= now_s - scan.taken_s <= self._tuning.decision.data_timeout_s
        if not fresh or scan.taken_s in heard:
            return False
        heard.append(scan.taken_s)
        return True

    def _mark_free(self, at, ranges, azimuths, taken_s, weight):
        space, corner = self._space, self._corner_xy()
        returns = gridmath.nearest_in_bins(
            ranges, azimuths, self._half_view_rad, self._bins, self._tuning.people.body_radius_m, space.edge_link_m
        )
        things = gridmath.occupied_in_bins(
            self._log_odds, log_odds_of(space.known_occupied_probability), *corner, space.cell_m,
            at.x_m, at.y_m, at.yaw_rad, self._half_view_rad, self._bins, space.evidence_range_m,
        )  # fmt: skip
        reach = np.minimum(np.minimum(self._reach_m, returns - space.return_margin_m), things + space.cell_m)
        gridmath.add_free(
            self._change, self._last_seen_s, *corner, space.cell_m, at.x_m, at.y_m, at.yaw_rad,
            self._half_view_rad, reach, self._tuning.radar.range_min_m,
            weight * log_odds_of(space.free_probability), taken_s,
        )  # fmt: skip

    def _mark_returns(self, points, bearing, ranges, snr_db, theirs, taken_s):
        """Occupied evidence where something returned; a veil, no more than unknown, where a track did."""
        space, corner = self._space, self._corner_xy()
        occupied = log_odds_of(space.occupied_probability)
        sigma_rad = math.radians(space.azimuth_sigma_deg) * np.clip(10 ** ((20.0 - snr_db) / 20.0), 0.5, 2.0)
        for k in range(len(points)):
            x, y = points[k]
            if theirs[k]:
                body = self._tuning.people.body_radius_m
                gridmath.add_spot(
                    self._veil, self._last_seen_s, *corner, space.cell_m, x, y, 0.0, body, body, occupied, taken_s
                )
            else:
                across = max(space.cell_m, float(ranges[k] * sigma_rad[k]))
                gridmath.add_spot(
                    self._change, self._last_seen_s, *corner, space.cell_m, x, y,
                    float(bearing[k]), space.cell_m, across, occupied, taken_s,
                )  # fmt: skip
        edge = log_odds_of(space.edge_probability)
        if edge > 0 and np.count_nonzero(~theirs) > 1:
            own = np.ascontiguousarray(points[~theirs])
            gridmath.add_chords(
                self._change, self._last_seen_s, *corner, space.cell_m, own, space.edge_link_m, edge, taken_s
            )

    # -- ultrasonics --------------------------------------------------------------------------------------

    def _take_echoes(self, echoes, now_s):
        fresh = -1e-6 <= now_s - echoes.taken_s <= self._tuning.decision.data_timeout_s
        if echoes.taken_s <= self._last_echo_s or not fresh or echoes.health == Health.BLIND:
            return
        self._last_echo_s = echoes.taken_s
        if self._echo_mounts is None:
            from avoidkit.sensing import ultrasonic_mounts

            self._echo_mounts = np.asarray(ultrasonic_mounts(self._tuning), dtype=float)
        pose, space = self._history.at(echoes.taken_s).pose, self._space
        there = [compose(pose, Pose(*row)) for row in self._echo_mounts]
        mounts = np.array([[p.x_m, p.y_m, p.yaw_rad] for p in there])
        first = echoes.first_m.astype(float)
        reach = min(space.echo_range_m, self._tuning.ultrasonic.range_max_m)
        clear = np.minimum(np.where(np.isinf(first), np.inf, 0.9 * first - space.echo_margin_m), reach)
        near = np.where(first <= reach, first, np.inf)
        gridmath.add_cones(
            self._change, self._last_seen_s, *self._corner_xy(), space.cell_m, mounts,
            math.radians(self._tuning.ultrasonic.beam_deg) / 2, np.maximum(clear, 0.0), near,
            log_odds_of(space.echo_free_probability), log_odds_of(space.echo_occupied_probability), echoes.taken_s,
        )  # fmt: skip

    # -- the end of a cycle -------------------------------------------------------------------------------

    def _settle(self, ego):
        space = self._space
        gridmath.settle(
            self._log_odds, self._change, self._veil, self._last_seen_s, self._blind, self._declared, self._held,
            ego.time_s, log_odds_of(space.least_probability), log_odds_of(space.greatest_probability),
            space.unseen_after_s, math.exp(-self._dt_s / space.fade_s),
        )  # fmt: skip
        self._growth_cells += self._tuning.people.shadow_speed_mps * self._dt_s / space.cell_m
        steps = int(self._growth_cells)
        if steps > 0:
            self._growth_cells -= steps
            gridmath.grow_unknown(
                self._log_odds, self._last_seen_s, self._blind, self._held, self._window,
                log_odds_of(space.known_free_probability), log_odds_of(space.known_occupied_probability),
                ego.time_s - space.unseen_after_s, max(1, round(space.person_across_m / space.cell_m)), min(steps, 200),
            )  # fmt: skip

    def _record(self, ego):
        space = self._space
        return Grid(
            np.array(self._corner_xy()),
            space.cell_m,
            self._log_odds.copy(),
            self._last_seen_s.copy(),
            log_odds_of(space.known_free_probability),
            log_odds_of(space.known_occupied_probability),
            middle_of(self._tuning.vehicle, ego.pose),
            (self._declared > 0) & (self._log_odds <= log_odds_of(space.known_free_probability)),
            ego.time_s,
        )

    # -- checkpoints --------------------------------------------------------------------------------------

    def checkpoint(self):
        """All memory as a dict of arrays and plain values, from which `restore` goes on exactly as before."""
        if self._corner_cells is None:
            return {}
        egos = [
            (e.time_s, e.pose.x_m, e.pose.y_m, e.pose.yaw_rad, e.speed_mps, e.steering_rad, e.yaw_rate_radps)
            for e in self._egos
        ]
        return {
            "corner_cells": self._corner_cells.copy(),
            "log_odds": self._log_odds.copy(),
            "last_seen_s": self._last_seen_s.copy(),
            "declared": self._declared.copy(),
            "held": self._held.copy(),
            "egos": np.array(egos, dtype=float).reshape(-1, 7),
            "heard": {name: list(times) for name, times in self._heard.items()},
            "last_echo_s": self._last_echo_s,
            "growth_cells": self._growth_cells,
        }

    def restore(self, state):
        """Take up the memory of a `checkpoint`."""
        self.__init__(self._tuning)
        if not state:
            return
        self._corner_cells = np.array(state["corner_cells"], dtype=np.int64)
        self._log_odds = np.array(state["log_odds"], dtype=np.float32)
        self._last_seen_s = np.array(state["last_seen_s"], dtype=np.float32)
        self._declared, self._held = np.array(state["declared"], np.uint8), np.array(state["held"], np.uint8)
        shape = self._log_odds.shape
        self._change, self._veil = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        self._blind = np.zeros(shape, np.uint8)
        for time_s, x, y, yaw, speed, steering, rate in np.asarray(state["egos"], dtype=float):
            ego = Ego(float(time_s), Pose(float(x), float(y), float(yaw)), float(speed), float(steering), float(rate))
            self._history.add(ego)
            self._egos.append(ego)
        self._heard = {name: deque((float(t) for t in times), maxlen=16) for name, times in state["heard"].items()}
        self._last_echo_s, self._growth_cells = float(state["last_echo_s"]), float(state["growth_cells"])


def explained(points, taken_s, tracks):
    """Whether each of (n, 2) points, m, lies at a track that is believed: within its extent and 2 sigma, 0.3 m more.

    Only `CONFIRMED` and `COASTING` tracks explain returns; their place is taken back or on to `taken_s`.
    """
    out = np.zeros(len(points), bool)
    believed = np.isin(tracks.stage, (Stage.CONFIRMED, Stage.COASTING))
    if not believed.any() or not len(points):
        return out
    state, covariance = tracks.state[believed], tracks.covariance[believed]
    there = state[:, :2] + (taken_s - tracks.time_s) * state[:, 2:]
    sigma = np.sqrt(np.maximum(np.maximum(covariance[:, 0, 0], covariance[:, 1, 1]), 0.0))
    gate = tracks.extent_m[believed] + np.minimum(2.0 * sigma, 0.5) + 0.3
    gap = np.hypot(points[:, None, 0] - there[None, :, 0], points[:, None, 1] - there[None, :, 1])
    return (gap <= gate[None, :]).any(axis=1)


def _mount_row(mount):
    return mount.x_m, mount.y_m, math.radians(mount.yaw_deg)


def _shifted(array, by_cells, fill):
    """The same array seen from a corner moved by [rows, cols]; what comes in is `fill`."""
    out = np.full_like(array, fill)
    rows, cols = array.shape
    dr, dc = int(by_cells[0]), int(by_cells[1])
    if abs(dr) >= rows or abs(dc) >= cols:
        return out
    out[max(0, -dr) : rows - max(0, dr), max(0, -dc) : cols - max(0, dc)] = array[
        max(0, dr) : rows - max(0, -dr), max(0, dc) : cols - max(0, -dc)
    ]
    return out
