"""What a notebook shows of a record: made in the views when it is asked for, so that records depend on no drawing."""

import importlib


def shown(record):
    """The rich form of a scene, a tuning, a verdict or a recording, as HTML without any script.

    The one look downward of the kit: by name and at the moment of showing, so that no record imports a view.
    """
    return importlib.import_module("avoidkit.views.rich").html_of(record)
