"""Units that a mapping may name, with the factor to SI and the kind of quantity each belongs to."""

import math

UNITS = {
    "m": ("length", 1.0),
    "km": ("length", 1e3),
    "dm": ("length", 0.1),
    "cm": ("length", 0.01),
    "mm": ("length", 0.001),
    "m/s": ("speed", 1.0),
    "km/h": ("speed", 1 / 3.6),
    "cm/s": ("speed", 0.01),
    "mph": ("speed", 0.44704),
    "rad": ("angle", 1.0),
    "mrad": ("angle", 0.001),
    "deg": ("angle", math.pi / 180),
    "rad/s": ("turn rate", 1.0),
    "mrad/s": ("turn rate", 0.001),
    "deg/s": ("turn rate", math.pi / 180),
    "s": ("time", 1.0),
    "ms": ("time", 1e-3),
    "us": ("time", 1e-6),
    "ns": ("time", 1e-9),
    "dB": ("level", 1.0),
    "1": ("number", 1.0),
}


def units_of(kind):
    """The units of one kind of quantity, as text for a message.

    Examples
    --------
    >>> units_of("speed")
    'm/s, km/h, cm/s, mph'
    """
    return ", ".join(unit for unit, (of, _) in UNITS.items() if of == kind)
