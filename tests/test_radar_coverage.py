"""Coverage: where somebody standing would be seen, agrees with geometry and with scans drawn one by one."""

import math

import numpy as np
import pytest

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.sensing import blind_wedge_m, coverage
from avoidkit.sensing.equation import range_at_probability
from avoidkit.sensing.radar import RADARS
from avoidkit.tuning import Tuning
from tests.sensing_yard import QUIET, STILL, people, radar, stand_in, yard

ORIGIN = Pose(0.0, 0.0, 0.0)
AT_45 = {f"radar.mounts.{name}.yaw_deg": yaw for name, yaw in zip(RADARS, (45.0, -45.0, 135.0, -135.0), strict=True)}


def at(x, y, values, place):
    return values[np.argmin(np.abs(y - place[1])), np.argmin(np.abs(x - place[0]))]


def test_the_ninety_percent_contour_ahead_lies_at_the_range_of_the_equation():
    tuning = Tuning().replace(
        {"radar.mounts.front_left.yaw_deg": 0.0, "radar.front_of_body_m": 0.0, "radar.ground_db": -80.0}
    )
    x, y, each = coverage(stand_in(), tuning, pose=ORIGIN, half_m=25.0, spacing_m=0.25, level_dbsm=-8.0)
    row = each["front_left"][np.argmin(np.abs(y - tuning.radar.mounts.front_left.y_m))]
    beyond = x[x > 5.0][np.argmax(row[x > 5.0] < 0.9)]
    reach = tuning.radar.mounts.front_left.x_m + range_at_probability(0.9, -8.0, tuning.radar)
    assert beyond - 0.3 <= reach <= beyond + 0.05


def test_together_is_at_least_the_best_of_the_four():
    _, _, each = coverage(stand_in(), Tuning(), pose=ORIGIN, spacing_m=1.0)
    best = np.max([each[name] for name in RADARS], axis=0)
    seen = np.isfinite(best)
    assert (each["together"][seen] >= best[seen] - 1e-12).all()
    assert np.isnan(each["together"]).sum() > 0  # within the outline


def test_a_wall_shades_what_is_behind_it():
    x, y, each = coverage(stand_in((8.0, -4.0, 8.0, 4.0, "wall", 5.0)), Tuning(), pose=ORIGIN)
    assert at(x, y, each["together"], (7.0, 0.0)) > 0.99
    assert at(x, y, each["together"], (9.0, 0.0)) == 0.0


def test_faults_change_the_coverage_of_their_radar_alone():
    fault = {"sensor": "front_left", "from_s": 1.0, "to_s": 2.0}
    kinds = ({"kind": "dead"}, {"kind": "blind"}, {"kind": "misaligned", "amount": 20.0})
    whole = coverage(yard(), Tuning(), time_s=1.5, spacing_m=1.0)[2]
    for kind in kinds:
        scene = yard(faults=[{**fault, **kind}])
        before, during = (coverage(scene, Tuning(), time_s=t, spacing_m=1.0)[2] for t in (0.5, 1.5))
        for name in RADARS:
            np.testing.assert_array_equal(before[name], whole[name])
            assert np.array_equal(during[name], whole[name], equal_nan=True) == (name != "front_left")


def test_mounts_at_45_degrees_with_75_to_each_side_are_blind_beside_the_flank_out_to_almost_four_metres():
    narrow = Tuning().replace(AT_45 | {"radar.field_of_view_deg": 150.0})
    assert blind_wedge_m(narrow) == pytest.approx(3.9, abs=0.1)
    assert blind_wedge_m(Tuning()) < blind_wedge_m(narrow)
    assert blind_wedge_m(Tuning(), "left") == blind_wedge_m(Tuning(), "right")


def test_scans_drawn_one_by_one_see_somebody_as_often_as_the_coverage_says():
    changes = QUIET | {"radar.limbs": False, "radar.standing_memory_s": 0.0, "radar.adult_low_dbsm": -9.0}
    one, tuning = radar(changes | {"radar.adult_high_dbsm": -9.0})
    x, y, each = coverage(stand_in(), tuning, pose=ORIGIN, half_m=22.0, spacing_m=1.0)
    for place in ((12.0, 12.0), (14.0, 14.0), (6.0, 18.0)):
        expected = at(x, y, each["front_left"], place)
        seen = np.mean([len(one.returns(k, 0.05 * k, people(place), STILL)) > 0 for k in range(600)])
        assert 0.05 < expected < 0.999
        assert seen == pytest.approx(expected, abs=3.2 * math.sqrt(expected * (1 - expected) / 600) + 0.002)


def test_bad_lattices_and_sides_are_refused():
    with pytest.raises(InputError, match=r"^spacing_m must be finite and above 0, got 0\.0$"):
        coverage(stand_in(), Tuning(), pose=ORIGIN, spacing_m=0.0)
    with pytest.raises(InputError, match=r"^side must be left or right, got 'up'$"):
        blind_wedge_m(Tuning(), "up")
    with pytest.raises(InputError, match=r"^level_dbsm must be finite, got nan$"):
        coverage(stand_in(), Tuning(), pose=ORIGIN, level_dbsm=math.nan)
