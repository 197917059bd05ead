"""How long one radar scan takes, and how that grows: `python -m tests.benchmarks.bench_sensing`."""

import itertools
import platform
import time

import numpy as np

from avoidkit.frames import Pose
from avoidkit.sensing.corner import CornerRadar, surroundings_of
from avoidkit.sensing.equation import range_at_probability
from avoidkit.tuning import Tuning
from avoidkit.vehicle import Ego
from tests.sensing_yard import edges, people

EGO = Ego(0.0, Pose(0.0, 0.0, 0.1), 1.0, 0.0, 0.1)
PEOPLE = people((6, 1, 0, 1.3), (8, -2, 0, 1.3), (3, 3, 1.2, 0), (10, 2), (-3, 2), (12, 0))


def yard_of_60():
    """Twelve parked vehicles, four walls and eight kerbs."""
    rows = []
    for k in range(12):
        x, y = -12.0 + 3.0 * k, 4.5 if k % 2 else -7.5
        corners = [(x, y), (x + 2.0, y), (x + 2.0, y + 4.2), (x, y + 4.2), (x, y)]
        rows += [(*a, *b, "parked", 10.0) for a, b in itertools.pairwise(corners)]
    corners = [(-20.0, -12.0), (20.0, -12.0), (20.0, 12.0), (-20.0, 12.0), (-20.0, -12.0)]
    rows += [(*a, *b, "wall", 5.0) for a, b in itertools.pairwise(corners)]
    return edges(*rows, *[(k, 9.0, k + 1.0, 9.0, "kerb", -15.0) for k in range(8)])


def times_ms(radar, scans, group=PEOPLE):
    """Milliseconds of each scan by the clock and of the processor, (n, 2), the first ten left out."""
    out = []
    for cycle in range(scans + 10):
        begin, worked = time.perf_counter(), time.process_time()
        radar.returns(cycle, 0.05 * cycle, group, EGO)
        out.append((1e3 * (time.perf_counter() - begin), 1e3 * (time.process_time() - worked)))
    return np.array(out[10:])


def with_facets(number):
    """A radar with about so many scatterers in its view: one long wall, cut finer and finer."""
    tuning = Tuning().replace({"radar.facet_m": 0.05})
    walls = [(-12.0, 3.0 + 0.02 * k, 13.0, 3.0 + 0.02 * k, "fence", 5.0) for k in range(max(1, number // 500))]
    around = surroundings_of(edges(*walls), tuning.radar)
    return CornerRadar(0, around, tuning, 7), len(around.facets.xy)


def main():
    print(f"{platform.machine()}, Python {platform.python_version()}, NumPy {np.__version__}")
    tuned = Tuning().radar
    for who, less_db in (("adult", 0.0), ("child", tuned.child_below_db)):
        low, high = (
            range_at_probability(0.9, level - less_db, tuned) for level in (tuned.adult_low_dbsm, tuned.adult_high_dbsm)
        )
        print(f"{who}: seen nine times in ten straight ahead up to {low:.1f} m (weakest) or {high:.1f} m (strongest)")
    around = surroundings_of(yard_of_60(), tuned)
    radar = CornerRadar(0, around, Tuning(), 7)
    found = times_ms(radar, 600)
    print(f"one scan, {len(around.edges)} edges, {len(PEOPLE)} people, {len(around.facets.xy)} facets, n {len(found)}:")
    for name, column in zip(("by the clock", "of the processor"), found.T, strict=True):
        p5, p50, p95 = np.percentile(column, [5, 50, 95])
        print(f"  {name}: median {p50:.3f} ms, 5 % {p5:.3f}, 95 % {p95:.3f}")
    for number in (1000, 2500, 5000, 10_000):
        radar, facets = with_facets(number)
        median = np.median(times_ms(radar, 60)[:, 1])
        print(f"{facets:6d} facets: median {median:.3f} ms of the processor, {1e3 * median / facets:.3f} us each")


if __name__ == "__main__":
    main()
