"""What all tests share: the baseline tuning, the folder of open data, quiet drawing, repeatable examples."""

import os
import signal
from pathlib import Path

import pytest
from hypothesis import settings

os.environ.setdefault("MPLBACKEND", "Agg")
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:  # started in the background of a script: tests of Ctrl-C need it
    signal.signal(signal.SIGINT, signal.default_int_handler)

collect_ignore = ["benchmarks", "evidence"]  # run by hand: python -m tests.benchmarks, python -m tests.evidence

settings.register_profile("repeatable", derandomize=True, deadline=None, database=None, max_examples=60)
settings.load_profile("repeatable")

ROOT = Path(__file__).resolve().parent.parent


def open_data_folder():
    """The folder of measurements by other people, or None where it is absent."""
    folder = Path(os.environ.get("AVOIDKIT_OPEN_DATA", ROOT.parent / "shared" / "data"))
    return folder if folder.is_dir() else None


@pytest.fixture(scope="session")
def open_data():
    """The folder of open data; skips where `AVOIDKIT_OPEN_DATA` leads nowhere."""
    folder = open_data_folder()
    if folder is None:
        pytest.skip("open data not found: set AVOIDKIT_OPEN_DATA to its folder")
    return folder


@pytest.fixture(scope="session")
def tuning():
    """The baseline tuning."""
    from avoidkit import Tuning

    return Tuning()
