"""Verdict maps: the same answers as asking on and on, the boundary by bisection, differences, sensed maps, pictures."""

from dataclasses import replace

import numpy as np
import pytest

from avoidkit import InputError, Tuning, decide, load_scene, load_tuning, shipped
from avoidkit.studies.places import Places
from avoidkit.studies.settled import settle, settled_situation
from avoidkit.studies.verdict_map import between, difference, verdict_map
from avoidkit.verdict import Action
from avoidkit.views import style
from avoidkit.views.maps import difference_figure, map_figure

X, Y = np.linspace(3.0, 13.0, 6), np.linspace(-2.6, 2.6, 5)


@pytest.fixture(scope="module")
def yard():
    return load_scene(shipped("scenes") / "guest_stands_room.toml")


@pytest.fixture(scope="module")
def coarse(yard):
    return verdict_map(yard, Tuning(), x_m=X, y_m=Y, progress=False)


@pytest.mark.parametrize("velocity", [(0.0, 0.0), (-0.4, 1.1)])
def test_one_question_with_a_memory_that_waited_answers_as_asking_on_and_on(yard, velocity):
    tuning = Tuning()
    places = Places(yard, tuning, velocity)
    for x in X[:4]:
        for y in (Y[1], 0.4):
            if places.is_free(x, y):
                situation = settled_situation(yard, tuning, [(x, y, *velocity)])
                assert places.answer(x, y).action == settle(situation, tuning).action, (x, y)


def test_a_map_has_all_three_answers_and_leaves_out_where_nobody_can_be(yard, coarse):
    assert set(coarse.counts()) == {"continue", "detour", "halt"}
    assert Places(yard, Tuning()).answer(2.0, 0.0).action == ""  # inside the vehicle
    assert Places(yard, Tuning()).answer(-2.2, 0.0).action == ""  # in the back wall of the carport
    assert len(coarse.frame()) == len(X) * len(Y)


def test_every_place_names_the_check_that_settled_it_with_its_slack(coarse):
    known = coarse.action != ""
    assert (coarse.settled_by[known] != "").all()
    assert np.isfinite(coarse.slack[known & (coarse.settled_by == "gap to reach")]).all()


@pytest.mark.slow
def test_the_boundary_along_three_rays_is_where_bisection_of_the_decision_puts_it(yard):
    tuning = Tuning()

    def turn_by_settling(y, low, high):
        """Bisection of the decision itself, asked cycle by cycle as long as it takes to settle."""

        def action(x):
            return settle(settled_situation(yard, tuning, [(x, y, 0.0, 0.0)]), tuning, step_s=0.6).action

        first = action(low)
        assert first != action(high)
        while high - low > 0.005:
            middle = (low + high) / 2
            low, high = (middle, high) if action(middle) == first else (low, middle)
        return (low + high) / 2

    rays = np.array([-0.8, 0.8, 1.2])
    found = verdict_map(
        yard, tuning, x_m=np.linspace(4.5, 6.5, 3), y_m=rays, refine_m=0.02, progress=False
    ).boundary  # fmt: skip
    for y in rays:
        here = found[found["y_m"] == y].sort_values("x_m")
        assert len(here) >= 1
        for _, point in here.iterrows():
            step = (point["x_m"] // 1.0 - 0.5) if point["x_m"] % 1.0 < 0.5 else (point["x_m"] // 1.0 + 0.5)
            assert point["x_m"] == pytest.approx(turn_by_settling(y, step, step + 1.0), abs=0.02)
            assert point["within_m"] <= 0.01


def test_two_places_of_one_answer_have_no_boundary_between_them():
    class Same:
        action = "halt"

    assert between(lambda x, y: Same, (0.0, 0.0), (1.0, 0.0), 0.02) is None


def test_slower_brakes_halt_where_the_baseline_went_round_and_never_the_other_way(yard, coarse):
    slow = load_tuning(shipped("tunings") / "slow_brakes.toml")
    both = difference(coarse, verdict_map(yard, slow, x_m=X, y_m=Y, progress=False))
    assert both.disagree.any()
    table = both.table().set_index(["first", "second"])["places"]
    assert int(table.sum()) == int((coarse.action != "").sum())
    assert ("halt", "detour") not in table.index
    assert both.lines()[0].startswith(f"{int(both.disagree.sum())} of {int(table.sum())} places")


def test_maps_of_other_lattices_are_not_compared(yard, coarse):
    other = verdict_map(yard, Tuning(), x_m=X[:2], y_m=Y[:2], progress=False)
    with pytest.raises(InputError, match=r"^both maps must have the same lattice, x_m differs$"):
        difference(coarse, other)


def test_a_decision_of_ones_own_is_asked(yard):
    def timid(situation, tuning):
        verdict = decide(situation, tuning)
        if len(situation.tracks):
            return replace(verdict, action=Action.HALT, speed_cap_mps=0.0)
        return verdict

    found = verdict_map(yard, Tuning(), x_m=[8.0, 12.0], y_m=[-2.0, 2.0], decide=timid, progress=False)
    assert found.counts() == {"halt": 4}


def test_a_decision_that_raises_ends_the_map_with_its_words(yard):
    def broken(situation, tuning):
        raise ValueError("not today")

    with pytest.raises(InputError, match="a decision failed: ValueError: not today"):
        verdict_map(yard, Tuning(), x_m=[8.0, 12.0], y_m=[-2.0, 2.0], decide=broken, progress=False)


def test_a_sensed_map_sees_somebody_who_stands_in_the_lane_much_as_an_exact_one_does(yard):
    given = {"x_m": [7.0, 30.0], "y_m": [0.0, 6.0], "progress": False}
    sensed = verdict_map(yard, Tuning(), knowledge="sensed", watch_s=1.5, **given)
    assert sensed.settled_by[0, 0] == "way ahead"
    exact = verdict_map(yard, Tuning(), **given)
    assert exact.settled_by[0, 0] == "way ahead"
    assert sensed.cap_mps[0, 0] == pytest.approx(exact.cap_mps[0, 0], abs=0.2)


def test_a_walker_that_sensors_watch_is_where_the_map_puts_them_when_the_watching_ends(yard):
    places = Places(yard, Tuning(), (0.0, 1.2), watch_s=1.5)
    tracks = places.situation(6.0, 0.0).tracks
    k = int(np.argmin(np.hypot(*(tracks.state[:, :2] - [6.0, 0.0]).T)))
    assert tracks.state[k, :2] == pytest.approx([6.0, 0.0], abs=0.35)
    assert tracks.state[k, 3] == pytest.approx(1.2, abs=0.4)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"knowledge": "perfect"}, "knowledge must be one of exact, sensed, got 'perfect'"),
        ({"knowledge": "sensed", "vehicle_mps": 1.0}, "vehicle_mps must be 0 with sensed knowledge, got 1.0"),
        ({"refine_m": 0.0}, "refine_m must be above 0, got 0.0"),
        ({"x_m": [1.0]}, "x_m must hold at least 2 finite, growing numbers"),
        ({"y_m": [1.0, float("nan")]}, "y_m must hold at least 2 finite, growing numbers"),
        ({"along_m": 900.0}, "along_m must lie on the path, 0 to "),
        ({"x_m": range(1001), "y_m": range(1001)}, "at most 1000000 places were wanted, got 1001 times 1001"),
        ({"heading_deg": float("nan")}, "heading_deg must be finite, got nan"),
    ],
)
def test_a_mistake_is_refused_before_anything_is_asked(yard, change, said):
    with pytest.raises(InputError) as refused:
        verdict_map(yard, Tuning(), progress=False, **{"x_m": X, "y_m": Y, **change})
    assert said in str(refused.value)


def test_pictures_of_map_and_difference_have_units_and_a_word_for_every_answer(yard, coarse):
    slow = load_tuning(shipped("tunings") / "slow_brakes.toml")
    figure = map_figure(coarse)
    assert figure.axes[0].get_xlabel().endswith("(m)")
    said = [text.get_text() for text in figure.legends[0].get_texts()]
    assert said[:3] == ["C  continue", "D  go round", "H  halt"]
    assert "not evidence of safety" in figure.legends[0].get_title().get_text()
    both = difference(coarse, verdict_map(yard, slow, x_m=X, y_m=Y, progress=False))
    assert style.png(difference_figure(both, names=("baseline", "slow brakes")))[:4] == b"\x89PNG"
