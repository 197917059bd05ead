"""Pictures of what sensors see: they show what was computed, and where people truly are."""

import math

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.scene import people_at
from avoidkit.sensing.records import Scan
from avoidkit.sensing.sensors import scan_at
from avoidkit.tuning import Mount, Tuning
from avoidkit.vehicle import Ego
from avoidkit.views import sensed, style
from tests.sensing_yard import people, yard

WALKS = {
    "people": [{"name": "guest", "walk": [{"t_s": 0.0, "x_m": 9.0, "y_m": 6.0}, {"t_s": 9.0, "x_m": 9.0, "y_m": -3.0}]}]
}


@pytest.fixture
def axes():
    return style.new_figure().subplots(1, 2)


def test_contours_run_along_the_lattice_line_where_the_probability_is_that(axes):
    x = np.linspace(-1, 1, 41)
    drawn, *_ = sensed.draw_coverage(axes[0], x, x, np.tile(0.5 + 0.4 * x, (41, 1)), numbers=False)
    middle = drawn.get_paths()[1].vertices  # level 0.5
    np.testing.assert_allclose(middle[:, 0], 0.0, atol=1e-9)


def test_a_scan_is_drawn_at_its_ranges_azimuths_and_rates(axes):
    scan = Scan("front_left", 0.0, 0.03, [5.0, 9.0], [0.1, -0.2], [0.5, -1.0], [20.0, 40.0])
    (first,), (second,) = sensed.draw_over_azimuth(axes[0], scan), sensed.draw_over_range_rate(axes[1], scan)
    np.testing.assert_allclose(first.get_offsets(), [[math.degrees(0.1), 5.0], [math.degrees(-0.2), 9.0]], atol=1e-5)
    np.testing.assert_allclose(second.get_offsets(), [[math.degrees(0.1), 0.5], [math.degrees(-0.2), -1.0]], atol=1e-5)
    assert first.get_sizes()[1] > first.get_sizes()[0]


def test_crosses_stand_where_people_truly_are(axes):
    # A guest 5 m before the radar walks towards it at 1 m/s while the vehicle comes at 0.5 m/s: -1.5 m/s.
    ego = Ego(0.0, Pose(2.0, 1.0, math.pi / 2), 0.5, 0.0, 0.0)
    mount = Mount(x_m=3.0, y_m=0.0, yaw_deg=0.0)
    cross, rates = sensed.draw_truth(*axes, people((2.0, 9.0, 0.0, -1.0)), ego, mount)
    np.testing.assert_allclose(cross.get_xydata(), [[0.0, 5.0]], atol=1e-9)
    np.testing.assert_allclose(rates.get_xydata(), [[0.0, -1.5]], atol=1e-9)


def test_whatever_stands_lies_on_the_drawn_curve(axes):
    # A mount that looks straight ahead: range rate is -v cos(azimuth), on paper -1 at 0 and -0.5 at 60 degrees.
    ego, mount = Ego(0.0, Pose(0.0, 0.0, 0.0), 1.0, 0.0, 0.0), Mount(x_m=3.0, y_m=0.0, yaw_deg=0.0)
    (line,) = sensed.draw_still(axes[1], ego, mount, 60.0)
    np.testing.assert_allclose(line.get_ydata()[[0, 60, 120]], [-0.5, -1.0, -0.5], atol=1e-9)


def test_the_sensor_page_shows_coverage_and_one_scan():
    scene = yard(**WALKS)
    left, middle, right = sensed.show_sensors(style.new_figure(), scene, Tuning(), seed=3, time_s=4.0)
    assert len(left.collections) >= 5
    scan = scan_at(
        scene, Tuning(), 3, "front_left", 4.0, people_at(scene, 4.0), Ego(4.0, scene.start_pose, 0.0, 0.0, 0.0)
    )
    for ax, values in ((middle, scan.range_m), (right, scan.range_rate_mps)):
        np.testing.assert_allclose(ax.collections[0].get_offsets()[:, 1], values, atol=1e-6)


def test_a_dead_radar_gives_an_empty_page_and_less_coverage():
    dead = yard(faults=[{"sensor": "front_left", "kind": "dead", "from_s": 0.0, "to_s": 9.0}])
    axes = sensed.show_sensors(style.new_figure(), dead, Tuning(), seed=3, time_s=4.0)
    assert not axes[1].collections
    both = sensed.show_coverage(style.new_figure(), {"in order": yard(), "dead": dead}, Tuning(), time_s=4.0)
    assert [ax.get_title(loc="left") for ax in both] == ["in order", "dead"]


def test_an_unknown_radar_is_refused_with_the_nearest_name():
    with pytest.raises(InputError, match=r"^sensor must be one of .*, got 'front_lft'; did you mean 'front_left'\?$"):
        sensed.show_sensors(style.new_figure(), yard(), Tuning(), seed=3, sensor="front_lft")
