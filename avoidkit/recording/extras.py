"""What some recordings' files hold beside the usual: where a log came from, what a slice's first row remembers."""

import json
import math

from avoidkit.checks import InputError
from avoidkit.verdict import Action, Memory

ASSUMED = "ASSUMED, NOT MEASURED"


def mark_of(log):
    """What a recording from a log assumes, in words for every table and picture; empty where nothing was assumed.

    Examples
    --------
    >>> mark_of({"assumed": ["free space in view", "hold-to-run held"]})
    'ASSUMED, NOT MEASURED: free space in view; hold-to-run held'
    >>> mark_of(None)
    ''
    """
    assumed = (log or {}).get("assumed", ())
    return f"{ASSUMED}: {'; '.join(assumed)}" if assumed else ""


def pack_extras(log, before):
    """Metadata of a file as {name: text}."""
    out = {}
    if log is not None:
        out["log"] = json.dumps(log, allow_nan=False)
    if before is not None:
        plain = {name: getattr(before, name) for name in Memory.__slots__} | {"action": str(before.action)}
        out["before"] = json.dumps({name: _spelled(value) for name, value in plain.items()}, allow_nan=False)
    return out


def _spelled(value):
    return str(value) if isinstance(value, float) and not math.isfinite(value) else value


def read_extras(metadata, path):
    """`log` and `before` from a file's metadata, None each where the file has none; `InputError` if damaged."""
    try:
        log = json.loads(metadata["log"]) if "log" in metadata else None
        before = _memory(json.loads(metadata["before"])) if "before" in metadata else None
        assumed = [] if log is None else log.get("assumed", [])
        if not isinstance(assumed, list) or not all(isinstance(text, str) for text in assumed):
            raise TypeError("log.assumed is not a list of texts")
    except (ValueError, TypeError, AttributeError, RecursionError) as error:
        raise InputError(f"{path}: is damaged: its metadata cannot be read: {error}") from None
    return {"log": log, "before": before}


def _memory(plain):
    numbers = ("since_s", "pending_since_s", "capped_since_s", "search_after_s")
    return Memory(**plain | {"action": Action(plain["action"])} | {name: float(plain[name]) for name in numbers})
