"""avoidkit: something is in the way of a slowly moving, supervised vehicle. Halt and wait, or go round?

A desk prototype, not evidence of safety. What is listed here is loaded when it is first used, so that
`import avoidkit` is light.
"""

import importlib
import sys
import types

__version__ = "0.1.0"

_MODULE_OF = {
    "InputError": "checks",
    "mine": "places",
    "shipped": "places",
    "Pose": "frames",
    "Tuning": "tuning",
    "load_tuning": "tuning",
    "save_tuning": "tuning",
    "Path": "paths",
    "Scene": "scene",
    "load_scene": "scene",
    "save_scene": "scene",
    "Tracker": "tracking.tracker",
    "exact_tracks": "tracking.records",
    "FreeSpace": "freespace",
    "Action": "verdict",
    "Check": "verdict",
    "Memory": "verdict",
    "Situation": "verdict",
    "Verdict": "verdict",
    "decide": "decision",
    "Recording": "recording",
    "load_recording": "recording",
    "read_log": "logs",
    "drive": "drive",
    "verdict_map": "studies.verdict_map",
    "difference": "studies.verdict_map",
    "sweep": "studies.sweep",
    "stress": "studies.stress",
    "compare": "studies.comparison",
    "redecide": "studies.redecide",
    "gate": "studies.gate",
    "external": "handover.external",
    "write_handover": "handover.folder",
}

__all__ = ["__version__", *_MODULE_OF]


class _Package(types.ModuleType):
    """The package: `avoidkit.drive` is the function, also after the module of that name has been imported."""

    def __setattr__(self, name, value):
        if name == "drive" and isinstance(value, types.ModuleType):
            value = value.drive
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package


def __getattr__(name):
    if name not in _MODULE_OF:
        raise AttributeError(f"module 'avoidkit' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"avoidkit.{_MODULE_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__():
    return sorted(__all__)
