"""The parts of the tracker: clusters, pairing, existence, standing, the memory of still things."""

import itertools
import math

import numpy as np
import pytest

from avoidkit.sensing.records import Scan
from avoidkit.tracking import bank as column
from avoidkit.tracking import life as lives
from avoidkit.tracking import settings as of
from avoidkit.tracking import still as stills
from avoidkit.tracking.association import NEVER, gate, nearest, soft
from avoidkit.tracking.cluster import accuracy_of, measure
from avoidkit.tracking.settings import settings_of
from avoidkit.tracking.standing import remember, standing_times
from tests.tracked_yards import MOUNTS, TUNING, scan_of, straight_drive

SETTINGS = settings_of(TUNING, gate(0.99, 3))
NOISE = accuracy_of(TUNING.radar)


def clusters_of(radar, polar, ego):
    """Clusters of returns given as (range, azimuth, range rate, dB) rows."""
    columns = np.array(polar, dtype=float).reshape(-1, 4).T
    return measure(Scan(radar, 0.0, 0.0, *columns), ego, getattr(MOUNTS, radar), NOISE, SETTINGS)


def test_what_stands_still_shows_no_range_rate_once_own_motion_is_out():
    ego = straight_drive(1.1, 0.25)(3.0)
    rng = np.random.default_rng(0)
    still = [(9.0, 3.0), (5.0, 6.0), (8.0, -1.0)]
    scan = scan_of(
        "front_left", 3.0, ego, np.zeros((0, 2)), np.zeros((0, 2)), rng, still_xy=still, chance=1.0, noise=False
    )
    clusters = measure(scan, ego, MOUNTS.front_left, NOISE, SETTINGS)
    assert len(clusters) > 0
    assert clusters.still.all()
    assert np.abs(clusters.z[:, 2]).max() < 0.05  # range rates travel as float32, with an error of 0.03 m/s drawn


def test_the_measurement_speaks_of_the_middle_of_the_body():
    ego = straight_drive(0.0)(0.0)
    rng, place = np.random.default_rng(0), np.array([[9.0, 3.0]])
    scan = scan_of("front_left", 0.0, ego, place, np.zeros((1, 2)), rng, chance=1.0, noise=False)
    clusters = measure(scan, ego, MOUNTS.front_left, NOISE, SETTINGS)
    np.testing.assert_allclose(clusters.xy, place, atol=1e-5)


def test_arms_legs_and_a_foot_on_the_ground_join_the_body():
    body = [(8.0, 0.0, -1.3, 30.0), (8.1, 0.01, 0.6, 22.0), (7.8, -0.02, -2.4, 20.0), (8.2, 0.02, 0.0, 18.0)]
    clusters = clusters_of("front_left", body, straight_drive(0.0)(0.0))
    assert clusters.count.tolist() == [4]
    assert clusters.z[0, 2] == pytest.approx(-1.3)  # half of the power is the torso's


def test_somebody_who_walks_past_a_stronger_wall_stays_apart_from_it():
    returns = [(8.0, 0.0, 0.0, 40.0), (8.2, 0.01, -1.2, 28.0), (7.9, 0.03, 0.0, 38.0)]
    clusters = clusters_of("front_left", returns, straight_drive(0.0)(0.0))
    assert sorted(clusters.count.tolist()) == [1, 2]
    assert clusters.still.tolist() == [True, False]


def test_gates_equal_the_printed_chi_square_table():
    # NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.4, printed to two or three decimals
    assert [gate(0.99, n) for n in (1, 2, 3)] == pytest.approx([6.635, 9.210, 11.345], abs=0.0005)
    assert [gate(0.95, n) for n in (1, 2)] == pytest.approx([3.841, 5.991], abs=0.0005)


def all_pairings(n, m):
    """Every way to give n tracks different measurements of m, -1: none."""
    for choice in itertools.product(range(-1, m), repeat=n):
        taken = [j for j in choice if j >= 0]
        if len(taken) == len(set(taken)):
            yield choice


@pytest.mark.parametrize("seed", range(20))
def test_nearest_finds_the_best_of_all_pairings(seed):
    rng = np.random.default_rng(seed)
    n, m = rng.integers(1, 5, 2)
    ratio = rng.normal(size=(n, m)) * 3
    ratio[rng.random((n, m)) < 0.3] = NEVER
    best = max(sum(ratio[i, j] for i, j in enumerate(choice) if j >= 0) for choice in all_pairings(n, m))
    weights = nearest(ratio)
    assert ratio[weights > 0].sum() == pytest.approx(max(best, 0.0))
    assert weights.sum(axis=0).max() <= 1
    assert weights.sum(axis=1).max() <= 1


def test_soft_pairing_of_one_track_is_exact_and_of_three_nearly_so():
    one = soft(np.log([[2.0, 1.0]]))
    np.testing.assert_allclose(one, [[0.5, 0.25]])  # 2 : 1 : 1 for none
    rng = np.random.default_rng(4)
    worst = 0.0
    for _ in range(30):
        ratio = rng.normal(size=(3, 3)) * 1.5
        exact, total = np.zeros((3, 3)), 0.0
        for choice in all_pairings(3, 3):
            weight = math.exp(sum(ratio[i, j] for i, j in enumerate(choice) if j >= 0))
            total += weight
            for i, j in enumerate(choice):
                if j >= 0:
                    exact[i, j] += weight
        worst = max(worst, np.abs(soft(ratio) - exact / total).max())
    assert worst < 0.08  # belief propagation on a graph with loops is close, not exact


def test_pairing_nothing_gives_nothing():
    assert nearest(np.zeros((0, 3))).shape == (0, 3)
    assert nearest(np.zeros((2, 0))).shape == (2, 0)
    assert soft(np.zeros((2, 0))).shape == (2, 0)


def one_life(**columns):
    life = np.zeros((1, column.LIFE))
    life[0, [column.OBSERVABLE, column.UNOBSERVABLE]] = 0.985, 0.010
    life[0, [column.STANDS_SINCE_S, column.WALKS_SINCE_S]], life[0, column.HITS] = np.inf, 200
    life[0, column.STOOD_S] = -np.inf
    for name, value in columns.items():
        life[0, getattr(column, name)] = value
    return life


def test_somebody_unseen_for_the_longest_run_of_an_open_recording_is_still_there_and_later_not():
    # 3.2 s is the longest run of misses of one walker in open radar recordings
    life, yes = one_life(), np.ones(1, bool)
    for k in range(20 * 20):
        lives.pass_time(life, 0.05, SETTINGS)
        lives.weigh(life, ~yes, np.ones(1), np.array([0.9]), yes)
        existence = life[0, column.OBSERVABLE] + life[0, column.UNOBSERVABLE]
        if k == 63:
            assert existence > lives.GONE_BELOW
    assert existence < lives.GONE_BELOW


def test_a_believed_track_of_few_measurements_ends_where_somebody_watched_for_long_is_waited_for():
    # Images of a walker that had 4 to 53 measurements halted the van for seconds after they had gone.
    ends_s = {}
    for hits in (5, 27, 200):
        life = one_life(HITS=hits, BELIEVED=1.0, SEEN_S=0.0, OPEN_HITS=hits, OBSERVABLE=0.999, UNOBSERVABLE=0.0)
        yes = np.ones(1, bool)
        for k in range(400):
            lives.pass_time(life, 0.05, SETTINGS)
            lives.weigh(life, ~yes, np.ones(1), np.array([0.9]), yes)
            if ended(life, now_s=0.05 * k):
                break
        ends_s[hits] = 0.05 * k
    assert ends_s[5] < 0.4
    assert ends_s[27] < 1.5
    assert ends_s[200] > 3.2  # the longest run of misses of one walker in open radar recordings


def test_somebody_who_goes_out_of_view_after_few_measurements_is_kept_for_seconds():
    life, yes = one_life(HITS=5, BELIEVED=1.0, SEEN_S=0.0, OPEN_HITS=5), np.ones(1, bool)
    for k in range(60):
        lives.pass_time(life, 0.05, SETTINGS)
        lives.weigh(life, ~yes, np.ones(1), np.array([0.9]), ~yes)
        assert not ended(life, now_s=0.05 * k)


def test_a_miss_of_somebody_hidden_says_nothing():
    life, yes = one_life(), np.ones(1, bool)
    before = life.copy()
    lives.weigh(life, ~yes, np.ones(1), np.array([0.9]), ~yes)
    np.testing.assert_allclose(life, before)


def test_existence_after_one_hit_and_one_miss_is_what_bayes_gives():
    # prior 0.5; a hit 20 times likelier than clutter, detected with 0.8: 8 / (8 + 0.5) = 0.9412
    life, yes = one_life(OBSERVABLE=0.5, UNOBSERVABLE=0.0), np.ones(1, bool)
    lives.weigh(life, yes, np.array([20.0]), np.array([0.8]), yes)
    assert life[0, column.OBSERVABLE] == pytest.approx(8 / 8.5)
    # then a miss: 0.9412 * 0.2 / (0.9412 * 0.2 + 0.0588) = 0.7619
    lives.weigh(life, ~yes, np.ones(1), np.array([0.8]), yes)
    assert life[0, column.OBSERVABLE] == pytest.approx(0.7619, abs=5e-5)


def ended(life, hidden=False, now_s=10.0):
    """Whether one track, walking, known to 0.2 m, has ended."""
    states, covariances = np.zeros((1, 2, 4)), np.tile(np.eye(4) * 0.02, (1, 2, 1, 1))
    return bool(lives.over(life, states, covariances, np.array([[0.1, 0.9]]), np.array([hidden]), now_s, SETTINGS)[0])


def test_somebody_out_of_sight_behind_an_edge_is_left_to_the_shadow_and_somebody_only_missed_is_not():
    lately = one_life(BELIEVED=1.0, SEEN_S=10.0 - 0.9 * lives.BEHIND_S)
    long_ago = one_life(BELIEVED=1.0, SEEN_S=10.0 - 1.1 * lives.BEHIND_S)
    assert [ended(lately, hidden=True), ended(long_ago, hidden=True)] == [False, True]
    assert [ended(lately), ended(long_ago)] == [False, False]


def test_a_track_that_lives_on_an_edge_ends_when_it_is_as_likely_gone_and_one_from_the_open_does_not():
    image = {"BELIEVED": 1.0, "SEEN_S": 10.0, "EDGE_SHARE": 0.9, "OPEN_HITS": 3.0, "UNOBSERVABLE": 0.0}
    assert ended(one_life(**image, OBSERVABLE=0.45))
    assert not ended(one_life(**image, OBSERVABLE=0.55))
    assert not ended(one_life(**{**image, "OPEN_HITS": 40.0}, OBSERVABLE=0.45))


def test_chance_of_detection_is_that_of_a_fluctuating_target():
    # Swerling 1, Pfa 1e-6: 0.2848 at 10 dB, 0.5172 at 13 dB, 0.8722 at 20 dB: Mahafza eq. 2.75, Richards sec. 6.3.3;
    # three decibels are taken off the mean of what was seen, and 1 m has no loss by range
    numbers = settings_of(TUNING.replace({"radar.false_alarm_probability": 1e-6}), SETTINGS[of.GATE_D2])
    for level_db, printed in ((10.0, 0.2848), (13.0, 0.5172), (20.0, 0.8722)):
        life = one_life(HITS=5.0, STRENGTH_DB=level_db + 3.0)
        chance = lives.detection_chance(life, np.array([[1.0, 0.0]]), np.zeros(3), numbers)
        assert chance[0] == pytest.approx(printed, abs=5e-5)


def test_a_new_track_may_have_stood_a_moment_ago_until_it_was_watched_walking_long_enough():
    life, walks = one_life(), np.array([[0.02, 0.98]])
    for k in range(41):
        now_s = 0.05 * k
        life[0, column.SEEN_S] = now_s
        remember(life, walks, now_s, 0.9, 0.25)
        standing_for_s, ago_s = standing_times(life, walks[:, 0], now_s, 0.9, 1.0)
        assert standing_for_s[0] == 0.0
        assert ago_s[0] == (math.inf if now_s >= 1.0 else pytest.approx(now_s))


def test_standing_is_timed_from_its_beginning_and_after_its_end():
    life, stands, walks = one_life(), np.array([[0.95, 0.05]]), np.array([[0.1, 0.9]])
    for k in range(21):
        life[0, column.SEEN_S] = 0.05 * k
        remember(life, stands, 0.05 * k, 0.9, 0.25)
    assert standing_times(life, stands[:, 0], 1.0, 0.9, 1.0)[0][0] == pytest.approx(1.0)
    for k in range(21, 61):
        life[0, column.SEEN_S] = 0.05 * k
        remember(life, walks, 0.05 * k, 0.9, 0.25)
    standing_for_s, ago_s = standing_times(life, walks[:, 0], 3.0, 0.9, 1.0)
    assert standing_for_s[0] == 0.0
    assert ago_s[0] == pytest.approx(3.0 - 1.05)


def test_whoever_was_out_of_sight_may_have_stood():
    life, walks = one_life(SEEN_S=0.0), np.array([[0.02, 0.98]])
    for k in range(61):
        remember(life, walks, 0.05 * k, 0.9, 0.25)
    assert standing_times(life, walks[:, 0], 3.0, 0.9, 1.0)[1][0] == 0.0


def seen_for(memory, place_at, duration_s, rng, spread_m=0.05):
    """Count scans with returns at `place_at(t)` every 25 ms."""
    for k in range(round(duration_s / 0.025)):
        t = 0.025 * k
        points = np.asarray(place_at(t), dtype=float).reshape(-1, 2)
        points = points + rng.normal(size=points.shape) * spread_m
        memory.begin(t, "front_left")
        cells = stills.cells_of(points, np.ones(len(points), bool), SETTINGS[of.STILL_CELL_M])
        memory.touch(cells)
        stills.count_scan(memory.layers, cells, t, SETTINGS[of.STILL_KEEP_S])


def judged(memory, place, now_s, radar_at=(0.0, 0.0)):
    asked, radar = np.ones(1, bool), np.array([*radar_at, 0.0])
    edge, small, marks = stills.look_round(np.array([place]), asked, memory.layers, now_s, radar, SETTINGS)
    return bool(edge[0]), bool(small[0]), len(marks)


def test_a_wall_is_an_edge_and_a_post_is_a_small_thing():
    rng, wall, post = np.random.default_rng(0), stills.StillMemory(), stills.StillMemory()
    seen_for(wall, lambda t: [(3.0 + 0.3 * k, 2.0) for k in range(10)], 3.0, rng)
    seen_for(post, lambda t: (3.0, 2.0), 3.0, rng)
    assert judged(wall, (4.2, 2.0), 3.0)[0]
    assert judged(wall, (4.2, 2.0), 3.0)[2] > 4
    assert judged(post, (3.0, 2.0), 3.0) == (False, True, 0)


def test_somebody_and_their_image_right_behind_them_are_no_edge_and_a_wall_of_that_length_beside_them_is():
    # 1.55 m from the first to the last cell: along the line of sight of a radar at 0, 0 it may be an image.
    memory = stills.StillMemory()
    seen_for(memory, lambda t: [(5.0, 0.1), (5.6, 0.1), (6.3, 0.1)], 3.0, np.random.default_rng(0))
    assert judged(memory, (5.0, 0.1), 3.0) == (False, True, 0)
    assert judged(memory, (5.0, 0.1), 3.0, radar_at=(5.6, -4.0))[0]  # a radar to whose line of sight it lies across


def test_a_longer_row_along_the_line_of_sight_is_an_edge():
    memory = stills.StillMemory()
    seen_for(memory, lambda t: [(5.0 + 0.4 * k, 0.1) for k in range(8)], 3.0, np.random.default_rng(0))
    assert judged(memory, (5.0, 0.1), 3.0)[0]


def test_what_is_weak_beside_something_strong_makes_it_no_longer_from_wherever_it_is_looked_at():
    # A post of two cells, and beside it two cells that few scans show: a tenth of the strongest cell's is not enough.
    memory, rng = stills.StillMemory(), np.random.default_rng(0)

    def post_and_strays(t):
        k = round(t / 0.025)
        stray = [(5.12, 1.12)] if k % 20 == 0 else [(5.12, 0.62)] if k % 20 == 10 else []
        return [(5.12, 0.12), (5.12, -0.38), *stray]

    seen_for(memory, post_and_strays, 3.0, rng, spread_m=0.02)
    assert judged(memory, (5.12, 0.12), 3.0) == (False, True, 0)
    assert judged(memory, (5.12, 1.12), 3.0)[0] is False


def test_the_trail_of_somebody_who_walks_across_is_no_edge():
    memory = stills.StillMemory()
    seen_for(memory, lambda t: (3.0 + 1.3 * t, 2.0), 3.0, np.random.default_rng(0))
    assert judged(memory, (6.5, 2.0), 3.0) == (False, False, 0)


def test_taking_scans_back_leaves_the_memory_as_it_was():
    rng, memory = np.random.default_rng(0), stills.StillMemory()
    seen_for(memory, lambda t: (3.0, 2.0), 1.0, rng)
    before = memory.layers.copy()
    for t in (1.0, 1.02):
        memory.begin(t, "rear_left")
        cells = np.array([5, 6, stills.cell_of(3.0, 2.0, SETTINGS[of.STILL_CELL_M])])
        memory.touch(cells)
        stills.count_scan(memory.layers, cells, t, SETTINGS[of.STILL_KEEP_S])
        memory.touch(cells[:2])
        memory.layers[stills.EDGE_S, cells[:2]] = t
    memory.back_to(1.0, "rear_left")
    np.testing.assert_array_equal(memory.layers, before)


def test_a_place_behind_a_marked_edge_is_hidden_and_one_before_it_is_not():
    layers = stills.StillMemory().layers
    for y in np.arange(-1.0, 1.1, 0.1):
        layers[stills.EDGE_S, stills.cell_of(4.0, y, SETTINGS[of.STILL_CELL_M])] = 0.0
    places = np.array([[6.0, 0.2], [3.0, 0.2]])
    assert stills.behind_edges(places, np.zeros(3), layers, 1.0, SETTINGS, 0.7, 0.0).tolist() == [True, False]


def test_a_cell_with_few_scans_beside_the_edge_itself_hides_nobody_and_the_edge_does():
    layers, cell_m = stills.StillMemory().layers, SETTINGS[of.STILL_CELL_M]
    for x, scans in ((4.0, 14.0), (4.5, 140.0)):
        cell = stills.cell_of(x + 0.1, 0.1, cell_m)
        layers[stills.EDGE_S, cell], layers[stills.COUNT, cell] = 0.0, scans
    before, past = np.array([[6.0, 0.1]]), np.array([[4.5, 0.1]])
    assert stills.behind_edges(before, np.zeros(3), layers, 1.0, SETTINGS, 0.25, 1 / 6).tolist() == [True]
    assert stills.behind_edges(past, np.zeros(3), layers, 1.0, SETTINGS, 0.25, 1 / 6).tolist() == [False]
    layers[stills.COUNT, stills.cell_of(4.1, 0.1, cell_m)] = 30.0
    assert stills.behind_edges(past, np.zeros(3), layers, 1.0, SETTINGS, 0.25, 1 / 6).tolist() == [True]
