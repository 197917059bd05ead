"""The tracker's compiled loops equal their slow, obvious versions, and the filter library over a whole scene."""

import math

import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from avoidkit import Tracker, Tuning, load_scene, shipped
from avoidkit.drive import drive
from avoidkit.tracking import bank as column
from avoidkit.tracking import life as lives
from avoidkit.tracking import settings as of
from avoidkit.tracking import still as stills
from avoidkit.tracking.association import NEVER, gate, nearest
from avoidkit.tracking.order import ascending, by_owner, each_once
from avoidkit.tracking.records import Stage
from avoidkit.tracking.scan import (
    BEHIND_M,
    BESIDE_M,
    FURTHER_RETURNS,
    HELD_M,
    HIDING_M,
    IMAGE_M,
    LEAST_IN_VIEW,
    LIMB_M,
    LIMB_PER_MPS,
    RIGHT_BEHIND_M,
    STRAY_SHARE,
    behind_somebody,
    can_be_born,
    chosen_to_be_born,
    disown,
    picked,
    score,
)
from avoidkit.tracking.settings import settings_of
from avoidkit.tracking.tracker import STIRS_BELOW, open_directions, stages

TUNING = Tuning()
SETTINGS = settings_of(TUNING, gate(0.99, 3))


def searched(log_ratio):
    """`nearest` by searching the whole table."""
    weights = np.zeros(log_ratio.shape)
    gain = np.maximum(log_ratio, 0.0)
    rows, cols = linear_sum_assignment(gain, maximize=True)
    for i, j in zip(rows, cols, strict=True):
        weights[i, j] = float(gain[i, j] > 0.0)
    return weights


@pytest.mark.parametrize("share", [0.02, 0.1, 0.4])
def test_pairing_only_the_disputed_is_pairing_the_whole_table(share):
    rng = np.random.default_rng(7)
    for _ in range(200):
        n, m = rng.integers(1, 12), rng.integers(1, 20)
        ratio = np.where(rng.random((n, m)) < share, rng.normal(3.0, 5.0, (n, m)), NEVER)
        np.testing.assert_array_equal(nearest(ratio), searched(ratio))


def test_the_pick_is_the_one_weight_above_a_half():
    rng = np.random.default_rng(3)
    weights = rng.dirichlet([0.1] * 6, size=50)[:, :5]
    best = weights.argmax(axis=1)
    assert picked(weights).tolist() == np.where(weights.max(axis=1) > 0.5, best, -1).tolist()
    assert picked(np.zeros((3, 0))).tolist() == [-1, -1, -1]


def random_tracks(rng, n):
    """States, modes and life of n tracks on a court of 16 m by 16 m."""
    states, standing, life = rng.uniform(-8, 8, (n, 2, 4)), rng.uniform(0, 1, n), np.zeros((n, column.LIFE))
    life[:, [column.BELIEVED, column.MOVED, column.STILL_BORN]] = rng.integers(0, 2, (n, 3))
    life[:, column.HITS], life[:, column.MISSES] = rng.integers(1, 12, n), rng.integers(0, 3, n)
    life[:, column.SEEN_S], life[:, column.OBSERVABLE] = rng.uniform(9.5, 10.0, n), rng.uniform(0, 0.5, n)
    return states, np.stack([standing, 1 - standing], axis=1), life


def test_stages_are_those_that_the_rules_give_one_by_one():
    rng, here = np.random.default_rng(11), (1.0, -2.0)
    states, modes, life = random_tracks(rng, 400)
    stage, shown = stages(states, modes, life, 10.0, *here, TUNING.tracking.possible_hits, True, SETTINGS)
    assert set(stage.tolist()) == set(Stage)
    for i in range(400):
        believed, moved = life[i, column.BELIEVED] == 1, life[i, column.MOVED] == 1
        possible = life[i, column.STILL_BORN] == 1 and not moved
        lately = 10.0 - life[i, column.SEEN_S] <= TUNING.tracking.coasting_s or life[i, column.MISSES] == 0
        wanted = Stage.POSSIBLE if possible and modes[i, 0] >= STIRS_BELOW else Stage.TENTATIVE
        if believed:
            wanted = Stage.CONFIRMED if lately else Stage.COASTING
        near = math.dist(states[i, 0, :2], here) <= TUNING.tracking.possible_range_m
        hits = life[i, column.HITS]
        assert stage[i] == wanted
        if possible:
            assert shown[i] == (near and hits >= TUNING.tracking.possible_hits)
        else:
            existence = life[i, column.OBSERVABLE] + life[i, column.UNOBSERVABLE]
            feeble = existence < 0.1 or (hits == 2 and 10.0 - life[i, column.SEEN_S] > 0.15)
            assert shown[i] == (believed or (moved and hits >= 2 and not feeble))


def slowly_born(z, R, at, still, snr_db, pick, small, points, sensor, open_to, states, modes, life, layers, most):
    """`chosen_to_be_born` with every question asked of every cluster."""
    hidden = stills.behind_edges(at, sensor, layers, 10.0, SETTINGS, BEHIND_M, STRAY_SHARE)
    xy = lives.places(states, modes)
    nearer = np.concatenate([points, xy[life[:, column.HITS] >= 5]])
    visible = lives.in_view(at, sensor, open_to, nearer, IMAGE_M, SETTINGS)
    taken = np.isin(np.arange(len(z)), pick) | hidden | ~visible
    moving, quiet = can_be_born(z, R, at, still, taken, small, xy, SETTINGS)
    kept = []
    for j in sorted(np.flatnonzero(moving | quiet), key=lambda j: -snr_db[j])[: 4 * most]:
        if len(kept) < most and all(math.dist(at[j], at[k]) > SETTINGS[of.APART_M] for k in kept):
            kept.append(int(j))
    return kept, moving[kept].tolist()


def test_births_are_those_of_asking_every_cluster_everything():
    rng, born = np.random.default_rng(5), 0
    mount = TUNING.radar.mounts.front_left
    open_to, sensor = open_directions(mount, TUNING), np.array([0.3, -0.2, 0.4])
    layers = stills.StillMemory().layers
    layers[
        stills.EDGE_S, stills.cells_of(rng.uniform(-8, 8, (60, 2)), np.ones(60, bool), SETTINGS[of.STILL_CELL_M])
    ] = 9
    for _ in range(60):
        at, m = rng.uniform(-8, 8, (30, 2)), 30
        z = np.stack([np.hypot(*(at - sensor[:2]).T), np.zeros(m), rng.normal(0, 1, m)], axis=1)
        R = np.tile([0.01, 0.001, 0.02], (m, 2, 1))
        still, small, snr = rng.random(m) < 0.4, rng.random(m) < 0.3, rng.uniform(8, 30, m)
        states, modes, life = random_tracks(rng, 4)
        pick = np.array([0, -1, 7, -1])
        args = (z, R, at, still, snr, pick, small, at, sensor, open_to, states, modes, life, layers)
        chosen, moving = chosen_to_be_born(*args, 10.0, 3, SETTINGS)
        assert (chosen.tolist(), moving.tolist()) == slowly_born(*args, 3)
        born += len(chosen)
    assert born > 30


class Both:
    """Tracks with the compiled filter and, beside it, with the library's, and compares each cycle's tracks."""

    seen = 0

    def __init__(self, tuning):
        self.ours, self.library = Tracker(tuning), Tracker(tuning.replace({"tracking.filter": "library"}))

    def step(self, scans, ego):
        ours, theirs = self.ours.step(scans, ego), self.library.step(scans, ego)
        assert ours.ids.tolist() == theirs.ids.tolist()
        for name in ("state", "covariance", "existence", "standing"):
            np.testing.assert_allclose(getattr(ours, name), getattr(theirs, name), rtol=0, atol=1e-9, err_msg=name)
        Both.seen += len(ours)
        return ours


def compared(scene, seconds):
    """Tracks compared in a drive; a difference would be the error of its cycle."""
    Both.seen = 0
    scene = load_scene(shipped("scenes") / f"{scene}.toml")
    recording = drive(scene, Tuning(), seed=1, duration_s=seconds, track=Both, stop_at_end=False)
    assert [row.error for row in recording.rows if row.error] == []
    return Both.seen


def test_over_the_scans_of_a_drive_the_batch_filter_equals_the_filter_library():
    assert compared("morning_departure", 3.0) > 20


@pytest.mark.slow
@pytest.mark.parametrize("scene", ["morning_departure", "guest_crosses"])
def test_over_all_scans_of_a_scene_the_batch_filter_equals_the_filter_library(scene):
    assert compared(scene, 20.0) > 500


def test_small_sorts_order_as_those_of_numpy_with_ties_too():
    rng = np.random.default_rng(5)
    for n in (0, 1, 2, 17, 300):
        few, floats = rng.integers(0, 1 + n // 2, n), rng.normal(size=n)
        for values in (few, few.astype(float), floats):
            assert ascending(values).tolist() == np.argsort(values, kind="stable").tolist()
        assert each_once(few, n).tolist() == np.unique(few).tolist()
        members, start = by_owner(few, 1 + n // 2)
        assert members.tolist() == np.argsort(few, kind="stable").tolist()
        assert np.diff(start).tolist() == np.bincount(few, minlength=1 + n // 2).tolist()


def test_a_track_that_clings_to_an_edge_ends_in_seconds_unless_it_came_there_through_the_open():
    life = np.zeros((3, column.LIFE))
    life[:, column.OBSERVABLE], life[:, column.EDGE_SHARE] = 0.99, 0.9
    life[:, column.OPEN_HITS], life[:, column.HITS] = [3, 80, 3], 200
    life[2, column.STILL_BORN] = 1.0  # a small still thing is judged by its size, not by this
    for _ in range(100):
        lives.pass_time(life, 0.05, SETTINGS)
    existence = life[:, column.OBSERVABLE] + life[:, column.UNOBSERVABLE]
    assert existence[0] < lives.GONE_BELOW
    assert min(existence[1:]) > 0.7


def held(place, standing, still, marked):
    """Whether a track at (4, 2) is held in sight by one return at `place`, beside a marked edge or not."""
    layers = stills.StillMemory().layers
    if marked:
        layers[stills.EDGE_S, stills.cell_of(4.0, 2.0, SETTINGS[of.STILL_CELL_M])] = 9.9
    states = np.zeros((1, 2, 4))
    states[:, :, :2] = 4.0, 2.0
    covariances, modes = np.tile(0.02 * np.eye(4), (1, 2, 1, 1)), np.array([[standing, 1.0 - standing]])
    life = np.zeros((1, column.LIFE))
    life[0, [column.HITS, column.OBSERVABLE, column.STRENGTH_DB]] = 20.0, 0.9, 40.0
    at = np.array([place], float)
    z = np.array([[math.hypot(*place), math.atan2(place[1], place[0]), 0.0]])
    open_to = open_directions(TUNING.radar.mounts.front_left, TUNING)
    _, _, _, _, merged, kept, *_ = score(
        states, covariances, modes, life, z, np.tile([0.01, 0.001, 0.02], (1, 2, 1)), at, np.array([still]),
        np.array([marked]), np.zeros(3), open_to, at, layers, 10.0, SETTINGS,
    )  # fmt: skip
    assert merged[0] == marked
    return bool(kept[0])


def test_whoever_stands_at_an_edge_is_held_in_sight_by_still_returns_beside_them_and_by_nothing_else():
    near, far = (4.0 + 0.7 * HELD_M, 2.0), (4.0 + 1.3 * HELD_M, 2.0)
    assert held(near, 0.9, True, True)
    assert not held(far, 0.9, True, True)
    assert not held(near, 0.1, True, True)  # who walks past a wall has returns of their own
    assert not held(near, 0.9, False, True)
    assert not held(near, 0.9, True, False)  # in the open a miss is a miss


def test_the_chance_of_being_in_view_is_that_of_the_place_and_of_a_sigma_to_each_side():
    open_to = np.zeros(361, bool)
    open_to[180 - 75 : 180 + 76] = True  # 75 degrees to each side
    rim, far = math.radians(75.5), 4.0
    states = np.zeros((4, 2, 4))
    places = [(far * math.cos(a), far * math.sin(a)) for a in (0.0, rim - 0.1, rim + 0.1, rim + 0.1)]
    states[:, :, :2] = np.array(places)[:, None]
    sigma = far * np.array([0.2, 0.2, 0.2, 0.01])  # of the angle: 0.2 rad reaches over the rim, 0.01 rad does not
    covariances = sigma[:, None, None, None] ** 2 * np.eye(4) * np.ones((4, 2, 1, 1))
    modes = np.full((4, 2), 0.5)
    visible = lives.in_view(np.array(places), np.zeros(3), open_to, np.zeros((0, 2)), HIDING_M, SETTINGS)
    share = lives.share_in_view(
        np.array(places), covariances, modes, visible, np.zeros(3), open_to, np.zeros((0, 2)), HIDING_M, SETTINGS
    )
    assert share.tolist() == [1.0, 0.75, 0.25, 0.0]


def test_whoever_waits_out_of_view_beside_somebody_leaves_that_ones_arms_and_legs_alone():
    log_g = np.array([[-1.0, NEVER], [-1.0, -2.0]])  # two tracks, two measurements
    ratio = np.where(log_g > NEVER, log_g + 6.0, NEVER)
    xy, far = np.array([(4.0, 2.0), (4.0, 2.8)]), np.array([(4.0, 2.0), (4.0, 2.0 + 1.1 * BESIDE_M)])
    life, share, other = np.zeros((2, column.LIFE)), np.array([0.05, 1.0]), np.array([1e-3, 1e-3])
    life[1, column.BELIEVED] = 1.0
    at, z = np.array([(4.0, 5.0), (4.0, 5.0)]), np.array([(4.5, 0.4, -1.0), (4.5, 0.4, -1.0)])  # out of a limb's reach
    after = ratio.copy()
    disown(after, log_g, other, xy, life, share, at, z)
    explained = math.log(1.0 + 0.95 * FURTHER_RETURNS * math.exp(-1.0) / 1e-3)
    assert after[0, 0] == pytest.approx(5.0 + math.log(LEAST_IN_VIEW) - explained)
    assert after[0, 1] == NEVER  # never a pair
    assert after[1].tolist() == ratio[1].tolist()  # nobody believes in the first, so it explains nothing
    arm, after = xy[1] + [0.3, 0.0], np.array([[5.0], [NEVER]])  # outside the other's gate, but an arm reaches there
    disown(after, np.array([[-1.0], [NEVER]]), other, xy, life, share, arm[None], z)
    limb = LIMB_PER_MPS * 4.5 * math.exp(-0.5 * (0.3 / LIMB_M) ** 2) / (2.0 * math.pi * LIMB_M**2)
    explained = math.log(1.0 + 0.95 * FURTHER_RETURNS * limb / 1e-3)
    assert after[0, 0] == pytest.approx(5.0 + math.log(LEAST_IN_VIEW) - explained)
    for place, sees, believed in ((far, share, 1.0), (xy, np.ones(2), 1.0), (xy, share, 0.0)):
        life[1, column.BELIEVED], same = believed, ratio.copy()
        disown(same, log_g, other, place, life, sees, at, z)
        assert same[0, 0] == 5.0  # apart, or in view itself, or beside somebody whom nobody believes in


def test_two_who_are_believed_are_one_only_where_both_would_be_in_view():
    xy, states = np.array([(4.0, 2.0), (4.0, 2.3)]), np.zeros((2, 2, 4))
    life = np.zeros((2, column.LIFE))
    life[:, column.BELIEVED], life[:, column.HITS] = 1.0, (9.0, 30.0)
    assert lives.doubles(life, xy, states, np.ones(2), 0.4, 1.0).tolist() == [True, False]
    assert not lives.doubles(life, xy, states, np.array([1.0, 0.75]), 0.4, 1.0).any()
    life[0, column.BELIEVED] = 0.0  # nobody believes in the first: it lives on the other's arms and legs
    assert lives.doubles(life, xy, states, np.array([0.5, 1.0]), 0.4, 1.0).tolist() == [True, False]


def right_behind(aside_m, *, believed=0.0, turned_rad=0.0):
    """Whether a track at 5 m counts as measured right behind a person at 3 m, so far aside of the line of sight."""
    xy = np.array([(3.0, 0.0), (5.0, aside_m)])
    life = np.zeros((2, column.LIFE))
    life[:, column.HITS], life[:, column.BELIEVED] = (30.0, 2.0), (1.0, believed)
    open_to = np.zeros(361, bool)
    open_to[180 - 80 : 180 + 81] = True
    found = behind_somebody(
        np.array([-1, 0]), xy[1:], xy, life, np.zeros((0, 2)), np.array([0.0, 0.0, turned_rad]), open_to, SETTINGS
    )
    assert not found[0]
    return bool(found[1])


def test_a_measurement_right_behind_somebody_makes_nobody_believed_and_one_beside_him_does():
    assert right_behind(0.0)
    assert right_behind(0.9 * RIGHT_BEHIND_M * 5.0 / 3.0)
    assert not right_behind(1.2 * RIGHT_BEHIND_M * 5.0 / 3.0)
    assert not right_behind(0.0, believed=1.0)  # who is believed goes on when he walks behind somebody
    assert not right_behind(0.0, turned_rad=2.0)  # out of view it says nothing
