"""The loop of exact knowledge but for what things hide: what is in sight, and that hiding does not help anybody."""

import numpy as np
import pytest
import shapely

from avoidkit import Tuning
from avoidkit.grid import free_grid
from tests.evidence.studies import hiding_adversaries as study
from tests.line_of_sight import Hiders, bodies_in_sight, in_sight, shaded

WALL = np.array([[2.0, -1.0, 2.0, 1.0]])  # square to the line of sight of an eye at the origin
EYE = np.zeros((1, 2))


def test_a_point_in_the_shadow_of_a_wall_is_out_of_sight_until_another_eye_sees_past_it():
    points = np.array([(1.0, 0.0), (4.0, 0.0), (4.0, 1.9), (4.0, 2.1)])  # the shadow's rim is y = x / 2
    assert in_sight(points, EYE, WALL).tolist() == [True, False, False, True]
    assert in_sight(points, np.array([(0.0, 0.0), (3.0, 3.0)]), WALL).tolist() == [True, True, True, True]


def test_a_body_shows_its_edge_before_its_middle():
    middle_hidden = np.array([(4.0, 1.9), (4.0, 1.2)])
    assert bodies_in_sight(middle_hidden, EYE, WALL).tolist() == [True, False]


def test_cells_out_of_sight_are_unknown_and_things_stay_occupied():
    thing = shapely.box(3.0, -0.5, 3.5, 0.5)
    grid = shaded(free_grid((0.0, 0.0), Tuning(), blocked=[thing]), EYE, WALL)
    assert grid.is_free([(1.0, 0.0), (4.0, 3.0), (5.0, 0.0), (3.2, 0.0)]).tolist() == [True, True, False, False]
    occupied = grid.occupied()
    assert occupied[tuple(grid.index_of(np.array([(3.2, 0.0)]))[0].T)].all()


def test_whoever_hides_keeps_out_of_the_van_and_to_the_speed_that_is_granted_somebody_hidden():
    near_m = study.HALF_M + 1.0
    van = shapely.box(6.6, near_m, 11.4, near_m + study.WIDE_M)
    tuning, starts = Tuning(), study.hiding_places(3, 2, near_m)
    crowd, corners = Hiders(starts, 3, tuning.people, van, tire_s=12.0), np.array([(8, -1), (12, -1), (12, 1), (8, 1)])
    nearest = np.inf
    for k in range(400):
        people = crowd.step(0.05 * k, 0.05 if k else 0.0, corners)
        assert (np.hypot(*people.velocity.T) <= tuning.people.shadow_speed_mps + 1e-9).all()
        assert not shapely.contains_xy(van.buffer(0.25), *people.xy.T).any()
        nearest = min(nearest, people.xy[:, 1].min())
    assert nearest < near_m  # they do come out


@pytest.mark.slow
def test_the_vehicle_stands_when_somebody_who_hid_touches_it():
    rows = [study.run(task) for task in study.tasks()[:3]]
    assert [row["contacts_moving"] for row in rows] == [0] * 3
    assert any(row["touched_at_rest"] for row in rows)
    assert all(row["reached_end"] for row in rows if row["could"])
