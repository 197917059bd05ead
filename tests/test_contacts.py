"""Contacts while moving that happened in the long studies, each kept as a scene that replays it.

A file is called SCENE_SEED.toml and says how it came about. Whoever mends one sees this test fail: then the scene stays
here, and its line below says that nothing is touched any more.
"""

from pathlib import Path

import pytest

from avoidkit import Tuning, load_scene
from avoidkit.drive import drive

FOLDER = Path(__file__).parent / "contacts"
TOUCHED_AT_MPS = {"guest_to_flank_1031": 0.3, "clock_ahead_1": 0.0, "false_places_5": 0.0}  # by file; 0: mended


def test_each_kept_contact_has_its_scene_and_each_scene_its_line():
    assert {file.stem for file in FOLDER.glob("*.toml")} == set(TOUCHED_AT_MPS)


@pytest.mark.slow
@pytest.mark.parametrize(("name", "speed_mps"), TOUCHED_AT_MPS.items())
def test_a_kept_contact_happens_again(name, speed_mps):
    recording = drive(load_scene(FOLDER / f"{name}.toml"), Tuning(), seed=int(name.rsplit("_", 1)[1]), duration_s=25.0)
    touched = [abs(row.ego.speed_mps) for row in recording.rows if row.contacts and abs(row.ego.speed_mps) > 0.05]
    assert max(touched[:1], default=0.0) == pytest.approx(speed_mps, abs=0.1)
