"""Figures: what is drawn stands where it should, and no meaning hangs on colour alone."""

import itertools
import math
from types import SimpleNamespace

import matplotlib as mpl
import numpy as np
import pytest
from matplotlib.patches import Polygon

from avoidkit.frames import Pose
from avoidkit.paths import path_from_legs
from avoidkit.recording.rows import GridPicture
from avoidkit.sensing.records import Scan
from avoidkit.tracking.records import exact_tracks, no_tracks
from avoidkit.vehicle import outline_in_scene
from avoidkit.verdict import Action, Memory, Turn, Verdict, at_least, at_most
from avoidkit.views import figures, plots, style, tables

STRAIGHT = path_from_legs(Pose(0, 0, 0), [(1, [(10.0, 0.0)])])


@pytest.fixture
def ax():
    return style.new_figure().add_subplot()


def light(color):
    """Relative luminance after WCAG 2.1, definition of "relative luminance" (from memory)."""
    rgb = np.array(mpl.colors.to_rgb(color))
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


def contrast(one, other):
    low, high = sorted((light(one), light(other)))
    return (high + 0.05) / (low + 0.05)


def test_black_on_white_has_the_contrast_that_the_definition_gives():
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)


@pytest.mark.parametrize("what", ["letter", "marker", "color", "line", "hatch", "word"])
def test_every_action_differs_from_every_other_in_each_part_of_its_sign(what):
    assert set(style.SIGNS) == set(Action)
    for one, other in itertools.combinations(style.SIGNS.values(), 2):
        assert getattr(one, what) != getattr(other, what)


def test_letters_of_signs_and_soft_text_have_the_contrast_of_readable_text():
    for sign in style.SIGNS.values():
        assert contrast(sign.color, sign.ink) >= 4.5
    assert contrast(style.SOFT, style.PAPER) >= 4.5


def test_free_unknown_and_occupied_differ_in_grey_print():
    tones = [light(tone) for tone in (style.PAPER, style.UNSEEN_STRIPE, style.TAKEN)]
    assert tones[0] - tones[1] > 0.2
    assert tones[1] - tones[2] > 0.4


def test_the_look_ends_with_its_block_even_after_an_error():
    before = dict(mpl.rcParams)
    with style.look():
        assert mpl.rcParams["font.size"] == 14
    with pytest.raises(KeyError), style.look():
        mpl.rcParams["no such setting"]
    assert dict(mpl.rcParams) == before


def test_drawing_leaves_the_global_settings_alone(ax):
    before = dict(mpl.rcParams)
    plots.draw_tracks(ax, exact_tracks(0.0, [[1, 2]], [[1, 0]]))
    figures.draw_key(ax, Action.HALT)
    assert dict(mpl.rcParams) == before


def test_the_drawn_outline_is_the_vehicles_own(ax, tuning):
    pose = Pose(3.0, -2.0, 0.7)
    body = next(artist for artist in plots.draw_vehicle(ax, pose, tuning.vehicle) if isinstance(artist, Polygon))
    np.testing.assert_allclose(body.get_xy()[:4], outline_in_scene(tuning.vehicle, pose))


def test_a_track_is_drawn_with_two_and_a_half_sigma_and_one_second_of_velocity(ax):
    tracks = exact_tracks(0.0, [[5.0, 1.0]], [[-1.2, 0.5]], sigma_m=0.2)
    ellipse, extent, arrow, number = plots.draw_tracks(ax, tracks)
    assert ellipse.get_widths() == pytest.approx([1.0])  # 2 * 2.5 * 0.2 m
    assert extent.get_widths() == pytest.approx([0.6])  # twice the extent of 0.30 m
    np.testing.assert_allclose(ellipse.get_offsets(), [[5.0, 1.0]])
    assert arrow.xy == pytest.approx((3.8, 1.5))
    assert number.get_text() == "1"


def test_the_long_axis_of_an_ellipse_lies_along_the_largest_uncertainty():
    turned = np.array([[0.5, -0.3], [-0.3, 0.5]])  # largest along (1, -1), variance 0.8; smallest 0.2
    axes, angles = plots.ellipse_axes(turned[None], 1.0)
    assert sorted(axes[0]) == pytest.approx([2 * math.sqrt(0.2), 2 * math.sqrt(0.8)])
    wide = angles[0] + (0 if axes[0, 0] > axes[0, 1] else 90)
    assert math.tan(math.radians(wide)) == pytest.approx(-1.0)


def test_nobody_tracked_draws_nothing(ax):
    assert plots.draw_tracks(ax, no_tracks(0.0)) == []


def test_grid_cells_are_painted_where_they_lie(ax):
    cells = np.array([[0, 1, 2], [1, 1, 1]])  # unknown, free, occupied in the row of least y
    (image,) = plots.draw_grid(ax, GridPicture(np.array([2.0, -1.0]), 0.5, cells))
    assert tuple(image.get_extent()) == (2.0, 3.5, -1.0, 0.0)
    assert image.origin == "lower"
    rgb = np.asarray(image.get_array())
    hexes = ["#" + "".join(f"{part:02x}" for part in rgb[0, col]) for col in range(3)]
    assert hexes[0] in (style.UNSEEN, style.UNSEEN_STRIPE)
    assert hexes[1:] == [style.PAPER, style.TAKEN]


def test_the_swept_band_holds_every_outline_on_its_way(ax, tuning):
    from shapely import Polygon as Shape

    bend = path_from_legs(Pose(0, 0, 0), [(1, [(6.0, 0.9)])])
    band, _rim = plots.draw_swept(ax, bend, tuning.vehicle, 0.0, 6.0)
    shape = Shape(band.get_paths()[0].vertices).buffer(0.02)
    assert all(shape.covers(Shape(outline_in_scene(tuning.vehicle, bend.pose_at(s)))) for s in (0.0, 1.7, 4.4, 6.0))


def test_a_return_is_placed_by_mount_range_and_azimuth(tuning):
    scan = Scan("front_left", 0.0, 0.0, [2.0], [math.radians(-50.0)], [0.0], [20.0])  # looks 50 deg left
    points = figures.returns_in_scene([scan], tuning, Pose(10.0, 5.0, math.pi / 2))
    mount = tuning.radar.mounts.front_left
    np.testing.assert_allclose(points, [[10.0 - mount.y_m, 5.0 + mount.x_m + 2.0]], atol=1e-6)


def test_the_ribbon_gives_each_stretch_its_length_colour_and_letter(ax):
    times = 0.1 * np.arange(100)
    actions = [Action.CONTINUE] * 40 + [Action.HALT] * 60
    artists = figures.draw_ribbon(ax, times, actions)
    bars = [artist for artist in artists if hasattr(artist, "get_width")]
    assert [bar.get_width() for bar in bars] == pytest.approx([4.0, 6.0])
    assert [bar.get_hatch() for bar in bars] == ["", "xx"]
    assert [artist.get_text() for artist in artists if hasattr(artist, "get_text")] == ["C", "H"]


def test_a_short_stretch_has_no_letter_that_would_overlap(ax):
    actions = [Action.CONTINUE] * 99 + [Action.HALT]
    artists = figures.draw_ribbon(ax, 0.1 * np.arange(100), actions)
    assert [artist.get_text() for artist in artists if hasattr(artist, "get_text")] == ["C"]


def test_axes_of_a_plan_view_are_equal_and_in_metres(ax):
    plots.dress_axes(ax, window=(0, 10, -2, 2))
    assert ax.get_aspect() == 1.0
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("x (m)", "y (m)")
    assert ax.get_xlim() == (0, 10)


def test_the_window_of_a_yard_holds_things_and_path():
    yard = SimpleNamespace(edges=SimpleNamespace(xy=np.array([[-1.0, -3.0, 4.0, -3.0]])), reference=STRAIGHT)
    assert figures.yard_window(yard, margin_m=0.5) == (-1.5, 10.5, -3.5, 0.5)


def a_verdict(**changes):
    checks = (at_least("gap", 0.62, 0.83, "m", "track 7"), at_most("crossing <b>", 1.0, 2.0, "s"))
    plain = {"action": Action.HALT, "path": STRAIGHT, "speed_cap_mps": 0.0, "memory": Memory(), "checks": checks}
    return Verdict(**plain | {"settled_by": "gap", "why": "Someone stands in the way."} | changes)


def test_the_table_of_checks_shows_needed_found_and_slack_and_frames_what_settled_it():
    text = tables.checks_html(a_verdict())
    first = text.split("<tbody>")[1].split("</tr>")[0]
    assert "ak-fails ak-settles" in first
    assert all(part in first for part in ("at least", "0.83 m", "0.62 m", "-0.21 m", "track 7"))
    assert "ak-settles" not in text.split("<tbody>")[1].split("</tr>")[1]


def test_every_text_of_a_verdict_is_escaped():
    mean = "</script><img src=x onerror=alert(1)>"
    turn = Turn(mean, mean, 0.1, 0.2, Action.DETOUR)
    checks = (at_least(mean, 1.0, 2.0, mean, mean),)
    verdict = a_verdict(why=mean, turn=turn, checks=checks)
    text = tables.verdict_html(verdict, error=mean) + tables.checks_html(verdict)
    assert "<img" not in text
    assert "</script" not in text


def test_a_stale_answer_says_that_it_is_old():
    assert "This answer is old" in tables.verdict_html(a_verdict(), stale=True)
    assert "This answer is old" not in tables.verdict_html(a_verdict())


def test_numbers_that_are_not_known_are_never_shown_as_numbers():
    assert tables.number(math.nan, "m") == "unknown"
    assert tables.number(-math.inf, "m") == "below all"
    assert (tables.number(math.inf, "s"), tables.number(-math.inf, "s")) == ("never", "none")
