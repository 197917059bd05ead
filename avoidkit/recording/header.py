"""What stands in a recording's file beside its rows: scene, tuning, seed, versions, cautions."""

import importlib.metadata
import json
import platform
import sys
import tomllib

from avoidkit.checks import InputError
from avoidkit.parameters import Model, validated
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
        found["avoidkit"] = sys.modules["avoidkit"].__version__
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
    """What a file's metadata holds, checked: scene, tuning, seed, versions, and notes of what has changed since.

    Parameters of the tuning that this version of the kit does not know are left out, those that it did not
    have then get their default; the notes name both, since a drive with them would be another one.
    """
    from avoidkit.scene import Scene

    try:
        scene = Scene.from_toml(metadata["scene"], f"{path}: scene")
        plain = tomllib.loads(metadata["tuning"])
        gone, come = list(_unknown(plain, Tuning)), list(_missing(plain, Tuning))
        tuning = validated(Tuning, plain, f"{path}: tuning")
        seed, found = int(metadata["seed"]), json.loads(metadata["versions"])
    except (ValueError, RecursionError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{path}: is damaged: its metadata cannot be read: {error}") from None
    if not isinstance(found, dict):
        raise InputError(f"{path}: is damaged: avoidkit.versions is not a table")
    notes = [f"tuning: {name} is not known any more and was left out" for name in gone]
    notes += [f"tuning: {name} did not exist then and has its default" for name in come]
    return scene, tuning, seed, found, tuple(notes)


def _unknown(plain, model, prefix=""):
    """Take keys that a model does not have out of plain data, yielding their dotted names."""
    for key in list(plain):
        inner = _inner_model(model, key)
        if key not in model.model_fields:
            del plain[key]
            yield f"{prefix}{key}"
        elif inner is not None and isinstance(plain[key], dict):
            yield from _unknown(plain[key], inner, f"{prefix}{key}.")


def _missing(plain, model, prefix=""):
    """Yield the dotted names of a model's parameters that plain data does not have."""
    for key in model.model_fields:
        inner = _inner_model(model, key)
        if key not in plain:
            yield f"{prefix}{key}"
        elif inner is not None and isinstance(plain[key], dict):
            yield from _missing(plain[key], inner, f"{prefix}{key}.")


def _inner_model(model, key):
    kind = model.model_fields[key].annotation if key in model.model_fields else None
    return kind if isinstance(kind, type) and issubclass(kind, Model) else None
