"""The arrays of the travelling grid between cycles, and the evidence of radars and ultrasonics that goes into them."""

import math
from collections import deque
from dataclasses import dataclass

import numpy as np

from avoidkit import gridmath, shademath
from avoidkit.frames import Pose, compose, to_local, to_scene
from avoidkit.grid import log_odds_of
from avoidkit.gridmath import NEVER_S
from avoidkit.sensing.equation import accuracy, range_at_probability
from avoidkit.sensing.records import Health
from avoidkit.sensing.repeats import Repeats, Usual

BIN_DEG = 1.0  # width of a bin of azimuth
BLUR_M = 0.15  # a return that is less sure across the line of sight says less about each cell
DEGRADED_SHARE = 0.3  # of its range that a radar surely has left which says it is degraded; our placeholder
KNOWN_WITHIN_M, KNOWN_BINS, GONE_SHARE = 8.0, 30, 0.7  # when known things have stopped returning; our placeholders
KEPT = ("log_odds", "last_seen_s", "declared", "held", "doubt_until_s")  # what a checkpoint holds and a scroll moves
EMPTY = {"log_odds": 0.0, "last_seen_s": NEVER_S, "declared": 0, "held": 0, "doubt_until_s": NEVER_S}
KIND = {"declared": np.uint8, "held": np.uint8}  # all others float32


@dataclass(eq=False)
class GridState:
    """Arrays (rows, cols), changed in place from cycle to cycle.

    `log_odds`, `last_seen_s`: as in `Grid`. `change`, `veil`: evidence of the cycle under way; a veil makes a cell
    unknown at most. `blind`: codes of `wedgemath.mark_blind`. `declared`: free by the operator's word. `held`:
    wedge cells in which by that word nobody stands. `doubt_until_s`: until when somebody may be in a blind cell.
    """

    corner_cells: np.ndarray  # [row, col] of the corner, in cells from the scene's origin
    cell_m: float
    cells: int

    def __post_init__(self):
        shape = (self.cells, self.cells)
        for name in KEPT:
            setattr(self, name, np.full(shape, EMPTY[name], KIND.get(name, np.float32)))
        self.change, self.veil = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        self.blind = np.zeros(shape, np.uint8)
        self.stamp, self.scans = np.zeros(shape, np.int32), 0  # number of the scan that last marked a cell
        self._tiles = None

    @property
    def place(self):
        """(corner x, corner y, cell) in m, as the compiled loops want them."""
        return float(self.corner_cells[1] * self.cell_m), float(self.corner_cells[0] * self.cell_m), self.cell_m

    @property
    def middle_xy(self):
        return (self.corner_cells[::-1] + self.cells / 2) * self.cell_m

    def tiles_to_things(self, occupied_above):
        """`shademath.tiles_to_things` of the log-odds, made once a cycle: these change only between cycles."""
        if self._tiles is None:
            self._tiles = shademath.tiles_to_things(self.log_odds, occupied_above)
        return self._tiles

    def forget_tiles(self):
        """To be called wherever `log_odds` have changed."""
        self._tiles = None

    def scroll(self, by_cells):
        """Move by whole cells; what comes in is unknown, what stays keeps its place in the scene."""
        self.corner_cells = self.corner_cells + by_cells
        for name in KEPT:
            setattr(self, name, shifted(getattr(self, name), by_cells, EMPTY[name]))
        self.blind = np.zeros_like(self.blind)


def shifted(array, by_cells, fill):
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


class RadarEvidence:
    """What the scans of one radar say about cells; remembers its returns of the last few scans.

    An edge of small reflectivity does not return in every scan: what it hides is hidden as long as any scan of
    the last `remember_s` saw it. Three doubts keep a radar from freeing cells: it repeats itself although noise
    or own motion should change its returns (stuck), most of the things known in its view have stopped
    returning at once, or its scans hold far fewer returns than they used to (both: gone blind without knowing).
    A radar that was dirty from the start cannot be told from one that looks at an empty field.
    """

    def __init__(self, mount, tuning):
        self._space, self._radar, self._people = tuning.freespace, tuning.radar, tuning.people
        self._mount = Pose(mount.x_m, mount.y_m, math.radians(mount.yaw_deg))
        self._half_view_rad = math.radians(tuning.radar.field_of_view_deg) / 2
        self._bins = max(1, round(tuning.radar.field_of_view_deg / BIN_DEG))
        self._bin_of_slant = gridmath.bins_by_slant(self._bins, self._half_view_rad)
        passable_m = tuning.vehicle.width_m + 2 * tuning.decision.static_clearance_m
        self._link_m = max(tuning.freespace.edge_link_m, passable_m)
        self._adult_m = self._adult_reach()
        self.reach_m = np.minimum(self._adult_m, min(tuning.freespace.evidence_range_m, tuning.radar.range_max_m))
        self.recent = deque()  # (taken_s, points in the scene frame)
        self._repeats = Repeats(tuning.radar.noise, tuning.radar.false_alarms_per_scan)
        self.distrusted_until_s = -math.inf
        self._usual = Usual()

    def _adult_reach(self):
        """Range, m, by bin, up to which one scan would show a weak adult with `evidence_probability`."""
        radar, probability = self._radar, self._space.evidence_probability
        angles = (np.arange(self._bins) + 0.5) * (2 * self._half_view_rad / self._bins) - self._half_view_rad
        return np.array([range_at_probability(probability, radar.adult_low_dbsm, radar, a) for a in angles])

    def add(self, state, scan, vehicle_pose, theirs_of):
        """Take in one scan. `theirs_of(points)` says which (n, 2) scene points belong to tracks."""
        if self._repeats.seen(scan, vehicle_pose):
            return
        at = compose(vehicle_pose, self._mount)
        ranges, azimuths = scan.range_m.astype(float), scan.azimuth_rad.astype(float)
        points = to_scene(ranges[:, None] * np.stack([np.cos(azimuths), np.sin(azimuths)], axis=1), at)
        self._mark_returns(state, scan, points, at, theirs_of(points))
        while self.recent and self.recent[0][0] < scan.taken_s - self._space.remember_s - 1e-9:
            self.recent.popleft()
        self.recent.append((scan.taken_s, points))
        if self._usual.sparse(len(scan), scan.taken_s):
            return
        if scan.health == Health.OK:
            self._mark_free(state, scan.taken_s, at, self.reach_m)
        elif scan.health == Health.DEGRADED:
            self._mark_free(state, scan.taken_s, at, np.minimum(self.reach_m, DEGRADED_SHARE * self._adult_m))

    def _mark_free(self, state, taken_s, at, sure_m):
        space = self._space
        local = to_local(np.concatenate([points for _, points in self.recent]), at)
        returns = shademath.nearest_in_bins(
            np.ascontiguousarray(local[:, 0]), np.ascontiguousarray(local[:, 1]), self._half_view_rad, self._bins,
            self._people.body_radius_m, self._link_m, math.radians(self._radar.azimuth_cell_deg),
        )  # fmt: skip
        occupied = log_odds_of(space.known_occupied_probability)
        things = shademath.occupied_in_bins(
            state.log_odds, state.tiles_to_things(occupied), occupied, *state.place, at.x_m, at.y_m, at.yaw_rad,
            self._half_view_rad, self._bins, space.evidence_range_m,
        )  # fmt: skip
        sure = np.minimum(sure_m, returns - space.return_margin_m)
        if not self._is_trusted(sure, things, taken_s):
            return
        gridmath.add_free(
            state.change, state.last_seen_s, *state.place, at.x_m, at.y_m, at.yaw_rad, self._bin_of_slant,
            np.minimum(sure, things + space.cell_m), self._radar.range_min_m, log_odds_of(space.free_probability),
            taken_s,
        )  # fmt: skip

    def _is_trusted(self, sure_m, things_m, taken_s):
        """Whether the things known near by still return; if most have stopped at once, doubt lasts for a while."""
        known = things_m <= KNOWN_WITHIN_M
        gone = known & (sure_m > things_m + 2 * self._space.cell_m)
        if np.count_nonzero(known) >= KNOWN_BINS and np.count_nonzero(gone) > GONE_SHARE * np.count_nonzero(known):
            self.distrusted_until_s = taken_s + self._space.distrust_s
        return taken_s >= self.distrusted_until_s

    def _mark_returns(self, state, scan, points, at, theirs):
        """Occupied evidence where something returned; a veil, no more than unknown, where a track did."""
        space = self._space
        state.scans += 1
        bearing_rad = at.yaw_rad + scan.azimuth_rad.astype(float)
        snr, azimuth = 10 ** (scan.snr_db.astype(float) / 10), scan.azimuth_rad.astype(float)
        sigma_rad = np.minimum(accuracy(snr, azimuth, self._radar)[1], 2 * math.radians(space.azimuth_sigma_deg))
        across_m = np.maximum(space.cell_m, scan.range_m * sigma_rad)
        share = np.clip(BLUR_M / across_m, 0.25, 1.0)
        gridmath.add_returns(
            state.change, state.veil, state.last_seen_s, state.stamp, state.scans, *state.place, points, bearing_rad,
            across_m, share, theirs, self._people.body_radius_m, space.edge_link_m,
            log_odds_of(space.occupied_probability), log_odds_of(space.edge_probability), scan.taken_s,
        )  # fmt: skip

    def checkpoint(self):
        """What `restore` needs, as a dict of arrays and plain values."""
        return {
            "recent": [(t, points.copy()) for t, points in self.recent],
            "last": self._repeats.checkpoint(),
            "distrusted_until_s": self.distrusted_until_s,
            "usual": self._usual.checkpoint(),
        }

    def restore(self, saved):
        """Take up the memory of a `checkpoint`."""
        self.recent = deque((float(t), np.asarray(p, dtype=float).reshape(-1, 2)) for t, p in saved["recent"])
        self._repeats.restore(saved["last"])
        self.distrusted_until_s = float(saved["distrusted_until_s"])
        self._usual.restore(saved.get("usual", (math.nan, -math.inf)))


class EchoEvidence:
    """What a round of ultrasonics says about cells: free up to the first echo, a veil on the arc of a strange one."""

    def __init__(self, tuning):
        from avoidkit.sensing import ultrasonic_mounts

        self._space, self._ring = tuning.freespace, tuning.ultrasonic
        self._mounts = np.asarray(ultrasonic_mounts(tuning), dtype=float)

    def add(self, state, echoes, vehicle_pose):
        """Take in one round. An echo at the distance of a known thing is that thing's and marks nothing."""
        space = self._space
        xy = to_scene(self._mounts[:, :2], vehicle_pose)
        mounts = np.column_stack([xy, self._mounts[:, 2] + vehicle_pose.yaw_rad])
        first = echoes.first_m.astype(float)
        reach = min(space.echo_range_m, self._ring.range_max_m)
        clear = np.minimum(np.where(np.isinf(first), np.inf, 0.9 * first - space.echo_margin_m), reach)
        near = np.where(first <= space.echo_arc_m, first, np.inf)
        beam_rad = math.radians(self._ring.beam_deg)
        known = gridmath.echo_explained(
            state.log_odds, log_odds_of(space.known_occupied_probability), *state.place, mounts,
            min(beam_rad, math.pi / 2), near, space.echo_margin_m + 0.1 * near,
        )  # fmt: skip
        strange = np.where(known, np.inf, near)
        for end in (slice(0, 6), slice(6, 12)):
            gridmath.add_cones(
                state.change, state.veil, state.last_seen_s, *state.place, mounts[end], beam_rad / 2,
                np.maximum(clear[end], 0.0), strange[end], log_odds_of(space.echo_free_probability),
                log_odds_of(space.echo_occupied_probability), echoes.taken_s,
            )  # fmt: skip
