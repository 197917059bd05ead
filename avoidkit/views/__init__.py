"""Pictures, the bench and the stand-alone demo; each name is loaded when it is first used."""

import importlib

_MODULE_OF = {
    "bench": "bench",
    "bench_at": "pairs",
    "compared": "beside",
    "comparison_figure": "pairs",
    "demo_frame": "demo",
    "diagnosis_png": "diagnosed",
    "difference_figure": "maps",
    "draw_drive": "figures",
    "export_demo": "demo",
    "export_gif": "gif",
    "look": "style",
    "map_figure": "maps",
    "plan_png": "figures",
    "plan_view": "figures",
    "review_frame": "review",
    "show_beside": "beside",
    "show_coverage": "sensed",
    "show_diagnosis": "diagnosed",
    "show_free_over_time": "known",
    "show_known_free": "known",
    "show_moment": "moments",
    "show_sensors": "sensed",
    "show_separation": "separated",
    "show_walks": "walked",
    "stress_figure": "stressed",
    "tradeoff_figure": "tradeoff",
}

__all__ = [*_MODULE_OF]


def __getattr__(name):
    if name not in _MODULE_OF:
        raise AttributeError(f"module 'avoidkit.views' has no attribute {name!r}")
    value = getattr(importlib.import_module(f"avoidkit.views.{_MODULE_OF[name]}"), name)
    globals()[name] = value
    return value


def __dir__():
    return sorted(__all__)
