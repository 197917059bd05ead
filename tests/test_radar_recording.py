"""One real walker of the open radar recording beside the simulated one: kinds of behaviour, not figures."""

import numpy as np
import pytest

from tests.evidence.radar_walk import FILE, kinds, moving, read_returns, runs, simulate, walk_of

SEEDS = range(4)


@pytest.fixture(scope="module")
def walked(open_data):
    """The recording's returns, the walk in it, its kinds, and the mean kinds of simulated recordings."""
    if not (open_data / FILE).is_file():
        pytest.skip(f"{FILE} not found in {open_data}")
    real, _ = read_returns(open_data / FILE)
    walk = walk_of(real)
    simulated = [kinds(simulate(walk, seed), walk) for seed in SEEDS]
    return real, walk, kinds(real, walk), {key: float(np.mean([k[key] for k in simulated])) for key in simulated[0]}


def test_runs_of_misses_are_counted_from_start_to_end():
    assert runs([True, True, False, True]).tolist() == [2, 1]
    assert runs([False, False]).tolist() == []


def test_the_recording_is_read_as_its_note_says(walked):
    real, walk, _, _ = walked
    assert len(walk) == pytest.approx(600, abs=10)  # 30 Hz, 20 s
    assert len(real) == 13279
    assert 0.6 < moving(real)[:, 1].min() < moving(real)[:, 1].max() < 2.8


def test_who_walks_is_lost_for_several_frames_in_a_row_as_on_the_recording(walked):
    _, _, real, simulated = walked
    assert simulated["share_walking"] == pytest.approx(real["share_walking"], abs=0.10)
    # 15 frames on the one recording; with fluctuation new in each scan the simulated longest is about 5
    assert simulated["longest_miss_walking"] > 0.5 * real["longest_miss_walking"]


def test_who_stands_or_crosses_has_no_range_rate_for_seconds_as_on_the_recording(walked):
    _, _, real, simulated = walked
    assert real["longest_miss"] > 60
    assert simulated["longest_miss"] > 30
    assert simulated["share"] < real["share"] + 0.15


def test_returns_of_one_body_scatter_in_range_and_azimuth_as_on_the_recording(walked):
    _, _, real, simulated = walked
    for key in ("range_spread_m", "azimuth_off_deg", "azimuth_far_deg"):
        assert 0.5 < simulated[key] / real[key] < 2.0, key
    assert simulated["per_frame"] > 1.2


def test_limbs_spread_the_range_rate_at_least_as_much_as_on_the_recording(walked):
    _, walk, real, simulated = walked
    assert simulated["rates"] >= real["rates"]
    stiff = kinds(simulate(walk, 0, {"radar.limbs": False}), walk)
    assert stiff["rates"] < simulated["rates"]
    assert stiff["azimuth_far_deg"] < 0.6 * real["azimuth_far_deg"]  # what the kit would be without limbs
