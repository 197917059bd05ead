"""What stands in a recording's file beside its rows: scene, tuning, seed, versions, cautions."""

import importlib.metadata
import json
import platform
import tomllib

from avoidkit.checks import InputError
from avoidkit.parameters import validated
from avoidkit.recording.columns import FORMAT_VERSION
from avoidkit.recording.summary import CAUTION
from avoidkit.tuning import Tuning, tuning_toml

LIBRARIES = ("avoidkit", "numpy", "scipy", "filterpy", "shapely", "numba", "pyarrow")


def versions():
    """Versions of the kit, Python and whatever shapes the numbers, and the kind of processor."""
    found = {"python": platform.python_version(), "machine": platform.machine()}
    for name in LIBRARIES:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            found[name] = "not installed"
    if found["avoidkit"] == "not installed":  # a clone that was not installed
        from avoidkit import __version__

        found["avoidkit"] = __version__
    return found


def header(scene, tuning, seed, versions):
    """The metadata of a file as {name: text}."""
    return {
        "format": str(FORMAT_VERSION),
        "scene": scene.self_contained().to_toml(),
        "tuning": tuning_toml(tuning),
        "seed": str(int(seed)),
        "versions": json.dumps(versions),
        "cautions": CAUTION,
    }


def read_header(metadata, path):
    """(scene, tuning, seed, versions) from a file's metadata, all checked."""
    from avoidkit.scene import Scene

    try:
        scene = Scene.from_toml(metadata["scene"], f"{path}: scene")
        tuning = validated(Tuning, tomllib.loads(metadata["tuning"]), f"{path}: tuning")
        seed, found = int(metadata["seed"]), json.loads(metadata["versions"])
    except (ValueError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path}: is damaged: its metadata cannot be read: {error}") from None
    if not isinstance(found, dict):
        raise InputError(f"{path}: is damaged: avoidkit.versions is not a table")
    return scene, tuning, seed, found
