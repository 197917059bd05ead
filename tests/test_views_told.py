"""Figures of the notebooks: ways and tracks, known free ground, separation over speed, drives side by side."""

from contextlib import suppress

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest

from avoidkit import Action, Scene, drive, load_scene, shipped
from avoidkit.scene import walking
from avoidkit.studies.settled import settled_situation
from avoidkit.studies.ultrasonic_only import decide_by_echoes
from avoidkit.vehicle import box
from avoidkit.views import (
    compared,
    look,
    show_beside,
    show_free_over_time,
    show_known_free,
    show_separation,
    show_walks,
)
from avoidkit.views.beside import draw_trail
from avoidkit.views.known import END_LOOKS, draw_boundary, free_over_time
from avoidkit.views.separated import gaps_over_speed, reach_by_hand
from avoidkit.views.walked import draw_track_ways


@pytest.fixture
def figure():
    made = plt.figure(figsize=(12, 8))
    yield made
    plt.close(made)


@pytest.fixture(scope="module")
def recording(tuning):
    path = {"legs": [{"direction": "forward", "segments": [{"length_m": 20.0}]}]}
    guest = walking("Ottilie", [(0.0, 6.5, 3.8), (6.0, 6.0, -3.5)])
    return drive(Scene(name="court", path=path, people=[guest]), tuning, seed=3, duration_s=3.0)


def texts(figure):
    return [t.get_text() for t in figure.findobj(mpl.text.Text)]


def test_the_first_figure_inside_the_look_switches_on_that_figures_show_themselves():
    before = mpl.rcParams["interactive"]
    with look():
        mpl.rcParams["interactive"] = True  # as the backend of a notebook does when the first figure is made
    assert mpl.rcParams["interactive"]
    with suppress(KeyError), look():
        mpl.rcParams["interactive"] = False
        raise KeyError
    assert not mpl.rcParams["interactive"]
    mpl.rcParams["interactive"] = before


# ---- ways ----


def test_ways_carry_names_of_people_and_numbers_of_tracks(figure, recording):
    ax = show_walks(figure, recording, from_s=1.0)
    said = texts(figure)
    assert "Ottilie" in said
    assert any(text.startswith("track ") for text in said)
    assert (ax.get_xlabel(), ax.get_ylabel()) == ("x (m)", "y (m)")


def test_tentative_tracks_and_short_ones_get_no_number(figure, recording):
    ax = figure.add_subplot()
    few = [row.tracks for row in recording.rows[40:50]]
    draw_track_ways(ax, few)
    assert not [text for text in texts(figure) if text.startswith("track")]


# ---- known free ground ----


def test_each_end_of_the_free_ground_has_a_look_of_its_own(figure, recording, tuning):
    situation = recording.situation(2.0)
    ax = figure.add_subplot()
    artists = draw_boundary(ax, situation.grid, 5.0)
    assert len(artists) == 3
    assert len({artist.get_linestyle()[0][1] is None for artist in artists}) == 2
    assert set(situation.grid.boundary_edges(5.0)) == set(END_LOOKS)
    axes = show_known_free(figure, recording.scene, tuning, situation, people=recording.row_at(2.0).people)
    assert len(axes) == 3


def test_free_area_over_time_is_that_of_each_rebuilt_situation(figure, recording):
    times_s, free_m2, entropy = free_over_time(recording, every=30)
    grid = recording.situation(times_s[1]).grid
    assert free_m2[1] == pytest.approx(grid.free_area_m2())
    assert entropy[1] == pytest.approx(grid.entropy())
    assert [ax.get_ylabel() for ax in show_free_over_time(figure, {"a": recording}, every=30)] == [
        "known free (m²)",
        "entropy (bit a cell)",
    ]


# ---- separation ----


def test_the_gap_by_hand_is_the_kits_beside_the_flank(tuning):
    scene = load_scene(shipped("scenes") / "open_yard.toml")
    situation = settled_situation(scene, tuning, [(8.0, 2.2, 0.0, 0.0)], along_m=5.0, speed_mps=0.8)
    speeds_mps, gaps_m, caps_mps = gaps_over_speed(situation, tuning)
    # by hand, baseline at 1.2 m/s: a stop of 0.05 + 0.15 + 0.05 + 1.2 / 4 = 0.55 s, seen 0.03 s earlier:
    # 2.85 / 2 * 0.58^2 = 0.4794 m; body 0.30; sigma 2.5 * 0.02 * sqrt(1 + 0.55^2) = 0.0571; half a van 0.93
    reach_m = 0.30 + 2.5 * 0.02 * np.hypot(1, 0.55) + 0.5 * 2.85 * 0.58**2
    assert speeds_mps[-1] == pytest.approx(1.2)
    assert gaps_m[0, -1] == pytest.approx(2.2 - box(tuning.vehicle)[2] - reach_m, abs=1e-9)
    parts = reach_by_hand(1.2, tuning, sigma_m=0.02 * np.hypot(1, 0.55), seen_ago_s=tuning.radar.latency_s)
    assert parts["reach_m"] == pytest.approx(reach_m)
    assert caps_mps[0] == pytest.approx(1.2)


def test_the_cap_stands_where_the_gap_meets_the_clearance(figure, tuning):
    scene = load_scene(shipped("scenes") / "open_yard.toml")
    situation = settled_situation(scene, tuning, [(8.0, 1.9, 0.0, 0.0)], along_m=6.0, speed_mps=0.8)
    speeds_mps, gaps_m, caps_mps = gaps_over_speed(situation, tuning)
    beyond = speeds_mps[speeds_mps > caps_mps[0] + 1e-9][0]
    needed = tuning.decision.clearance_m
    assert np.interp(caps_mps[0], speeds_mps, gaps_m[0]) >= needed > np.interp(beyond, speeds_mps, gaps_m[0])
    axes = show_separation(figure, situation, tuning)
    assert [ax.get_xlabel() for ax in axes] == ["speed (m/s)"] * 3


# ---- side by side ----


@pytest.fixture(scope="module")
def both(tuning):
    scene = load_scene(shipped("scenes") / "guest_stands_room.toml")
    return {
        "echoes": drive(scene, tuning, seed=0, duration_s=10.0, decide=decide_by_echoes),
        "radars": drive(scene, tuning, seed=0, duration_s=5.0),
    }


def test_drives_side_by_side_are_compared_by_their_summaries(both):
    table = compared(both)
    summary = both["echoes"].summary()
    assert table.loc["echoes", "halts"] == sum(stop["kind"] == "halt" for stop in summary["stops"]) == 1
    assert table.loc["echoes", "lost_s"] == summary["lost_s"]
    assert table.loc["radars", "halts"] == 0
    assert np.isnan(table.loc["radars", "end_s"])


def test_they_share_one_clock_and_the_trail_shows_where_the_van_stood(figure, both):
    axes = show_beside(figure, both)
    assert len(axes) == 8
    assert axes[1].get_xlim() == axes[5].get_xlim() == (0, 10.0)
    assert any(text.startswith("echoes: 1 halt,") for text in texts(figure))
    drawn = draw_trail(axes[0], both["echoes"])
    assert [a.get_text() for a in drawn if isinstance(a, mpl.text.Text)].count("H") >= 1
    assert len([a for a in drawn if isinstance(a, mpl.collections.LineCollection)]) == len(Action)
