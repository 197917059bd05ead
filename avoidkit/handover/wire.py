"""Values as lines of JSON and back, checked before anything is made of them; `InputError` names the field.

Non-finite numbers are the strings `nan`, `inf`, `-inf`.
"""

import json
import math

import numpy as np

from avoidkit.checks import InputError
from avoidkit.sensing.records import Health
from avoidkit.verdict import Action

PROTOCOL = 1
WORDS = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}
MOST_NUMBERS = 20_000  # in one list


def to_line(value):
    """One line of JSON, without a line break at its end.

    Examples
    --------
    >>> to_line({"gap_m": math.inf, "at": np.array([1.0, math.nan])})
    '{"gap_m":"inf","at":[1.0,"nan"]}'
    """
    return json.dumps(plain(value), separators=(",", ":"), allow_nan=False)


def from_line(text):
    """The value of one line of JSON; `InputError` for anything else, the bare word NaN as well."""
    try:
        return json.loads(text, parse_constant=_no_constant)
    except (ValueError, RecursionError) as error:
        raise InputError(f"a line of JSON was wanted, got {short(text)}: {error}") from None


def _no_constant(word):
    raise ValueError(f"{word} is no JSON number; say the string")


def plain(value):
    """Nested dicts, lists and plain values of what was handed in: arrays as lists, non-finite numbers as words."""
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, dict):
        return {str(key): plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [plain(part) for part in value]
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    if isinstance(value, Action | Health):
        return str(value)
    return value


def number(value, name):
    """A number, or one of the words for those that are not finite."""
    if isinstance(value, str) and value in WORDS:
        return WORDS[value]
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise InputError(f"{name} must be a number or one of {', '.join(WORDS)}, got {short(value)}")
    try:
        return float(value)
    except OverflowError:
        raise InputError(f"{name} must be a number of double precision, got {short(value)}") from None


def finite(value, name):
    """A finite number."""
    found = number(value, name)
    if not math.isfinite(found):
        raise InputError(f"{name} must be finite, got {found}")
    return found


def whole(value, name, most=2**53):
    """A whole number of at least 0."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value <= most:
        raise InputError(f"{name} must be a whole number from 0 to {most}, got {short(value)}")
    return value


def numbers(value, name, shape):
    """An array of a shape; `None` in it matches any length."""

    def read(part, depth, place):
        if depth == len(shape):
            return number(part, place)
        wanted = shape[depth]
        if not isinstance(part, list) or len(part) > MOST_NUMBERS or (wanted is not None and len(part) != wanted):
            raise InputError(f"{place} must be a list{'' if wanted is None else f' of {wanted}'}, got {short(part)}")
        return [read(one, depth + 1, f"{place}[{k}]") for k, one in enumerate(part)]

    found = np.array(read(value, 0, name), dtype=float)
    return found if found.size else found.reshape([0 if want is None else want for want in shape])


def table(value, name):
    """A JSON object."""
    if not isinstance(value, dict):
        raise InputError(f"{name} must be an object, got {short(value)}")
    return value


def part(value, key, name):
    """One entry of an object."""
    if key not in table(value, name):
        raise InputError(f"{name}.{key} is missing")
    return value[key]


def text(value, name, most=500):
    """A string that is not too long."""
    if not isinstance(value, str) or len(value) > most:
        raise InputError(f"{name} must be a text of at most {most} signs, got {short(value)}")
    return value


def flag(value, name):
    """true or false."""
    if not isinstance(value, bool):
        raise InputError(f"{name} must be true or false, got {short(value)}")
    return value


def one_of(value, kind, name):
    """A member of a `StrEnum`."""
    known = [str(member) for member in kind]
    if value not in known:
        raise InputError(f"{name} must be one of {', '.join(known)}, got {short(value)}")
    return kind(value)


def short(value):
    """A value as text that fits into a message."""
    shown = repr(value)
    return shown if len(shown) <= 80 else f"{shown[:77]}..."
