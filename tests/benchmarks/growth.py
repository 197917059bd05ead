"""How time grows: with returns, tracks, cells, candidates, people; and the peers of the grid and of the paths."""

import math
import time

import numpy as np

from avoidkit import Tuning
from avoidkit.frames import Pose
from avoidkit.freespace import FreeSpace
from avoidkit.jit import compiled
from avoidkit.sensing.records import Scan
from avoidkit.tracking.records import exact_tracks, no_tracks
from avoidkit.vehicle import Ego


def spent_ms(call, repeat):
    """Milliseconds of processor time of each of so many calls; one more goes before them."""
    call()
    out = []
    for _ in range(repeat):
        before = time.thread_time()
        call()
        out.append(1e3 * (time.thread_time() - before))
    return out


def a_scan(returns, taken_s, seed=0):
    """A scan of the front left radar with so many returns, mostly along walls 8 m to the sides."""
    rng = np.random.default_rng(seed)
    azimuth = rng.uniform(-1.35, 1.35, returns).astype(np.float32)
    range_m = np.minimum(8.0 / np.maximum(np.abs(np.sin(azimuth)), 0.35), 20.0) + rng.normal(0.0, 0.03, returns)
    snr = rng.uniform(12.0, 35.0, returns)
    zero = np.zeros(returns, np.float32)
    return Scan(
        "front_left", taken_s, taken_s + 0.03, range_m.astype(np.float32), azimuth, zero, snr.astype(np.float32)
    )


class _OneScan:
    """A mapper that has watched for a while, and takes one more scan a call."""

    def __init__(self, cells, returns):
        self.tuning = Tuning().replace({"freespace.size_m": max(cells * 0.1, 12.0)})
        self.space, self.returns, self.k = FreeSpace(self.tuning), returns, 0
        for _ in range(8):
            self.step()
        self.radar, self.state = self.space._radars["front_left"], self.space._state

    def step(self):
        now_s = 0.05 * self.k
        ego = Ego(now_s, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0)
        self.space.step([a_scan(self.returns, now_s, self.k)], None, no_tracks(now_s), ego)
        self.k += 1

    def one(self):
        self.k += 1
        scan = a_scan(self.returns, 0.05 * self.k, self.k)
        before = time.thread_time()
        self.radar.add(self.state, scan, Pose(0.0, 0.0, 0.0), lambda points: np.zeros(len(points), bool))
        return 1e3 * (time.thread_time() - before)


@compiled
def bare_loop(change, last_seen_s, rows, cols, evidence, taken_s):
    """Touch the same cells and no more: the bound that memory sets."""
    for k in range(len(rows)):
        change[rows[k], cols[k]] += evidence
        last_seen_s[rows[k], cols[k]] = max(last_seen_s[rows[k], cols[k]], taken_s)


def plain_update(log_odds, corner, cell_m, scan, reach_m):
    """Polar to grid as one would write it in numpy in a day: nearest return a degree, free before it."""
    rows, cols = log_odds.shape
    y, x = np.mgrid[0:rows, 0:cols]
    dx, dy = corner[0] + (x + 0.5) * cell_m - 3.75, corner[1] + (y + 0.5) * cell_m - 0.85
    distance = np.hypot(dx, dy)
    bearing = np.remainder(np.arctan2(dy, dx) - math.radians(50.0) + math.pi, 2 * math.pi) - math.pi
    inside = np.abs(bearing) < math.radians(80.0)
    sector = np.clip(((bearing + math.radians(80.0)) / math.radians(1.0)).astype(int), 0, 159)
    nearest = np.full(160, reach_m)
    at = np.clip(((scan.azimuth_rad + math.radians(80.0)) / math.radians(1.0)).astype(int), 0, 159)
    for spread in range(-4, 5):
        np.minimum.at(nearest, np.clip(at + spread, 0, 159), scan.range_m - 0.2)
    log_odds[inside & (distance < nearest[sector])] -= 0.405
    px = 3.75 + scan.range_m * np.cos(scan.azimuth_rad + math.radians(50.0))
    py = 0.85 + scan.range_m * np.sin(scan.azimuth_rad + math.radians(50.0))
    r, c = ((py - corner[1]) / cell_m).astype(int), ((px - corner[0]) / cell_m).astype(int)
    good = (r >= 0) & (c >= 0) & (r < rows) & (c < cols)
    np.add.at(log_odds, (r[good], c[good]), 0.847)
    np.clip(log_odds, -3.5, 3.0, out=log_odds)


def grid_times(cells, repeat, returns=40):
    """Milliseconds of one scan: the kit, plain numpy, a bare loop over the cells that the kit frees; and how many."""
    kit = _OneScan(cells, returns)
    kit.one()
    kit.state.change[:] = 0.0
    kit.one()
    rows, cols = np.nonzero(kit.state.change)
    change, seen = kit.state.change.copy(), kit.state.last_seen_s.copy()
    log_odds, corner = np.zeros_like(change), np.array(kit.state.place[:2])
    scan = a_scan(returns, 1.0)
    plain = spent_ms(lambda: plain_update(log_odds, corner, 0.1, scan, 15.0), max(repeat // 10, 3))
    bare = spent_ms(lambda: bare_loop(change, seen, rows, cols, -0.4, 1.0), repeat)
    return [kit.one() for _ in range(repeat)], plain, bare, len(rows)


def _search():
    """(situation, cells, blockers, tuning) of a search: somebody stands in the way, seven others stand about."""
    from avoidkit.caps import way_ahead
    from avoidkit.clearway import cells_of
    from avoidkit.studies.settled import settled_situation
    from tests.benchmarks.__main__ import court

    about = [(15.0, 0.3), (12.0, 4.5), (18.0, -4.5), (9.0, -5.0), (20.0, 5.0), (8.0, 8.0), (12.0, -7.0), (4.0, 9.0)]
    tuning = Tuning()
    situation = settled_situation(court(), tuning, [(x, y, 0.0, 0.0) for x, y in about])
    cells = cells_of(situation.grid)
    blocked = way_ahead(situation, situation.reference, 0.0, cells, tuning)
    return situation, cells, blocked.things, tuning


def path_times(repeat):
    """Milliseconds of a search, of shapely checking as many candidates, and how many there are."""
    import shapely

    from avoidkit.detour import find_detour
    from avoidkit.vehicle import outline_in_scene

    situation, cells, things, tuning = _search()
    found = find_detour(situation, cells, things, tuning, name="detour")
    candidates = sum(found.counts.values())
    kit = spent_ms(lambda: find_detour(situation, cells, things, tuning, name="detour"), repeat)
    free, path = situation.grid.boundary(), found.path
    shapely.prepare(free)
    people = shapely.points(situation.tracks.state[:, :2])
    outlines = [outline_in_scene(tuning.vehicle, path.pose_at(s)) for s in np.arange(0.0, path.length_m, 0.2)]

    def plain():
        for _ in range(candidates):
            for outline in outlines:
                polygon = shapely.Polygon(outline)
                if not free.contains(polygon) or (shapely.distance(polygon, people) < 0.8).any():
                    break

    return kit, spent_ms(plain, max(repeat // 20, 1)), candidates


def curve(name, sizes, times_ms):
    """A growth curve with its fitted exponent, over the larger half of the sizes."""
    n, t = np.asarray(sizes, float), np.asarray(times_ms, float)
    upper = slice(len(n) // 2 - 1, None)
    exponent = float(np.polyfit(np.log(n[upper]), np.log(t[upper]), 1)[0])
    return {"name": name, "n": list(map(int, sizes)), "median_ms": [float(x) for x in t], "exponent": exponent}


def curves(*, quick=False):
    """All growth curves."""
    repeat = 5 if quick else 40
    return [_by_returns(repeat), _by_tracks(repeat), _by_cells(repeat), _by_candidates(repeat), _by_people(repeat)]


def _by_returns(repeat):
    sizes = (10, 30, 100, 300, 1000, 3000, 10_000)
    out = []
    for n in sizes:
        kit = _OneScan(300, n)
        out.append(np.median([kit.one() for _ in range(max(3, min(repeat, 4000 // n)))]))
    return curve("grid: returns of a scan", sizes, out)


def _by_tracks(repeat):
    from tests.benchmarks.bench_tracking import KitTracker, timed

    sizes = (1, 5, 20, 60, 200, 500)
    out = [np.median(timed(KitTracker, n, 2.0 + 0.05 * max(repeat // 2, 3))[0]) for n in sizes]
    return curve("tracking: people in view", sizes, out)


def _by_cells(repeat):
    sizes = (120, 200, 400, 800)
    out = []
    for n in sizes:
        kit = _OneScan(n, 40)
        out.append(np.median(spent_ms(kit.step, repeat)))
    return curve("free space, whole step: cells along an edge", sizes, out)


def _by_candidates(repeat):
    from avoidkit.detour import LEAVE_M, _limits, _start, likely_bodies, plans_for, reference_ahead
    from avoidkit.detourmath import examine
    from avoidkit.vehicle import box

    situation, _, things, tuning = _search()
    vehicle, detour = tuning.vehicle, tuning.detour
    ref = reference_ahead(situation.reference, 0.0, detour.spacing_m, detour.lookahead_m + 14.0)
    limits = _limits(vehicle, detour)
    start = _start(situation.ego, situation.reference, 0.0, 1, vehicle)
    places = [(x, y, needed + vehicle.width_m / 2) for x, y, needed in things]
    some = plans_for(places, start, vehicle, limits, LEAVE_M)
    bodies = likely_bodies(situation.tracks, tuning, vehicle.creep_mps)
    sizes = (10, 100, 1000, 10_000)
    out = []
    for n in sizes:
        plans = np.resize(some, (n, 5))
        ends = np.full(n, len(ref), np.int64)
        given = (plans, start, ref, ends, limits, np.array(box(vehicle)), detour.speed_mps, bodies, 1.0)
        out.append(np.median(spent_ms(lambda g=given: examine(*g), max(3, min(repeat, 3000 // n)))))
    return curve("detours: candidates examined", sizes, out)


def _by_people(repeat):
    from avoidkit.caps import stops
    from avoidkit.separation import person_caps, sweep_poses

    sizes = (1, 3, 10, 30, 100)
    tuning = Tuning()
    table = stops(tuning.vehicle, tuning.cycle_s)
    situation, *_ = _search()
    poses = sweep_poses(situation.reference, 0.0, situation.ego.pose, table.distance_m)
    out = []
    for n in sizes:
        k = np.arange(n)
        places = np.column_stack([3.0 + 0.2 * k, 3.0 + 0.1 * (k % 7)])
        tracks = exact_tracks(0.0, places, np.tile([0.3, -0.2], (n, 1)))
        out.append(np.median(spent_ms(lambda t=tracks: person_caps(t, poses, table, tuning), repeat)))
    return curve("decision: people within reach", sizes, out)


def printed(one):
    points = ", ".join(f"{n}: {t:.3g}" for n, t in zip(one["n"], one["median_ms"], strict=True))
    return f"growth, {one['name']:45} ms {points}   n^{one['exponent']:.2f}"
