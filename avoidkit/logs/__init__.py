"""Foreign measurement files: CSV, blocks of text and ASAM MDF4 to recordings, and recordings back to CSV and MDF4.

What is listed here is loaded when it is first used: the child that reads a file needs little of it.
"""

import importlib

_MODULE_OF = {
    "Mapping": "mapping",
    "export_log": "export",
    "found_from": "found",
    "load_mapping": "mapping",
    "play": "playing",
    "read_log": "reading",
    "save_mapping": "mapping",
}

__all__ = [*_MODULE_OF]


def __getattr__(name):
    if name not in _MODULE_OF:
        raise AttributeError(f"module 'avoidkit.logs' has no attribute {name!r}")
    return getattr(importlib.import_module(f"avoidkit.logs.{_MODULE_OF[name]}"), name)


def __dir__():
    return sorted(__all__)
