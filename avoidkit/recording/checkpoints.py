"""The memory of a stage as bytes and back: a NumPy archive, loaded without executing anything."""

import io
import json
import zipfile

import numpy as np

from avoidkit.checks import InputError

GREATEST_BYTES = 256 * 1024**2  # unpacked, one checkpoint
PLAIN = "#json"  # marks an entry that is not an array


def pack_checkpoint(checkpoint):
    """Nested dicts of arrays and plain values (numbers, text, lists, None) as the bytes of a `.npz` archive.

    Raises
    ------
    InputError
        If a value is something else, which would not come back equal.

    Examples
    --------
    >>> unpack_checkpoint(pack_checkpoint({"tracker": {"ids": np.arange(2), "next_id": 3}}))
    {'tracker': {'ids': array([0, 1]), 'next_id': 3}}
    """
    archive = io.BytesIO()
    np.savez(archive, **dict(_entries(checkpoint, "")))
    return archive.getvalue()


def _entries(value, place):
    if isinstance(value, np.ndarray) and value.dtype != object:
        yield place, value
    elif isinstance(value, dict) and value and all(map(_plain_key, value)):
        for key, part in value.items():
            yield from _entries(part, f"{place}/{key}" if place else key)
    else:
        plain = value.item() if isinstance(value, np.generic) else value
        try:
            text = json.dumps(plain)
        except (TypeError, ValueError) as error:
            raise InputError(f"checkpoint {place}: cannot be kept: {error}") from None
        yield place + PLAIN, np.frombuffer(text.encode(), np.uint8)


def _plain_key(key):
    return isinstance(key, str) and "/" not in key and "#" not in key


def unpack_checkpoint(data):
    """The nested dict that `pack_checkpoint` was given; `InputError` for bytes that are something else."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            content = sum(entry.file_size for entry in archive.infolist())
        if content > GREATEST_BYTES:
            most = f"at most {GREATEST_BYTES / 1e6:.0f} MB are read"
            raise InputError(f"checkpoint: is too large: {content / 1e6:.0f} MB; {most}")
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            found = {name: archive[name] for name in archive.files}
        return _nested(found)
    except (zipfile.BadZipFile, ValueError, OSError, KeyError, EOFError, MemoryError, NotImplementedError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"checkpoint: is damaged: {error}") from None


def _nested(found):
    out = {}
    for name, value in found.items():
        *places, last = name.removesuffix(PLAIN).split("/")
        inner = out
        for place in places:
            inner = inner.setdefault(place, {})
        inner[last] = json.loads(value.tobytes()) if name.endswith(PLAIN) else value
    return out
