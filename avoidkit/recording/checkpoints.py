"""The memory of a stage as bytes and back: a NumPy archive, loaded without executing anything."""

import io
import json
import math
import zipfile

import numpy as np

from avoidkit.checks import InputError

GREATEST_BYTES = 256 * 1024**2  # unpacked, one checkpoint
STRUCTURE = "structure"  # the entry that says what goes where, as JSON text
DAMAGES = (zipfile.BadZipFile, ValueError, TypeError, LookupError, OSError, EOFError, MemoryError, RuntimeError)
ARRAY = "#array"  # stands there for an array, with its kind and shape


def pack_checkpoint(checkpoint):
    """Nested dicts and lists of arrays and plain values (numbers, text, None) as the bytes of a `.npz` archive.

    All arrays of one kind are laid end to end; the entry `structure` says what is where. Tuples come back
    as lists, NumPy numbers as plain ones; everything else comes back equal.

    Raises
    ------
    InputError
        If a value is something else, which would not come back.

    Examples
    --------
    >>> unpack_checkpoint(pack_checkpoint({"tracker": {"ids": np.arange(2), "next_id": 3, "seen": [None, "left"]}}))
    {'tracker': {'ids': array([0, 1]), 'next_id': 3, 'seen': [None, 'left']}}
    """
    laid = {}
    structure = json.dumps(_plain(checkpoint, "checkpoint", laid))
    entries = {kind: np.concatenate(arrays) for kind, arrays in laid.items()}
    archive = io.BytesIO()
    np.savez(archive, **{STRUCTURE: np.frombuffer(structure.encode(), np.uint8)}, **entries)
    return archive.getvalue()


def _plain(value, place, laid):
    """The value with its arrays taken out into `laid`, {kind: list of flat arrays}."""
    if isinstance(value, np.ndarray) and value.dtype.kind in "biuf":
        laid.setdefault(value.dtype.str[1:], []).append(value.ravel())
        return {ARRAY: [value.dtype.str[1:], list(value.shape)]}
    if isinstance(value, dict) and all(isinstance(key, str) and key != ARRAY for key in value):
        return {key: _plain(part, f"{place}.{key}", laid) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part, f"{place}[{i}]", laid) for i, part in enumerate(value)]
    if isinstance(value, np.generic):
        value = value.item()
    if value is None or isinstance(value, str | bool | int | float):
        return value
    raise InputError(f"{place}: arrays of numbers and plain values were wanted, got {type(value).__name__}")


def unpack_checkpoint(data):
    """What `pack_checkpoint` was given; `InputError` for bytes that are something else."""
    try:
        _not_too_large(data)
        with np.load(io.BytesIO(data), allow_pickle=False) as archive:
            laid = {name: archive[name] for name in archive.files}
        structure = json.loads(laid.pop(STRUCTURE).tobytes())
        return _whole(structure, laid, dict.fromkeys(laid, 0))
    except InputError:
        raise
    except DAMAGES as error:
        raise InputError(f"checkpoint: is damaged: {error}") from None


def _not_too_large(data):
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        content = sum(entry.file_size for entry in archive.infolist())
    if content > GREATEST_BYTES:
        most = f"at most {GREATEST_BYTES / 1e6:.0f} MB are read"
        raise InputError(f"checkpoint: is too large: {content / 1e6:.0f} MB; {most}")


def _whole(value, laid, used):
    """The inverse of `_plain`; `used` counts how much of each kind has been taken up."""
    if isinstance(value, list):
        return [_whole(part, laid, used) for part in value]
    if not isinstance(value, dict):
        return value
    if ARRAY not in value:
        return {key: _whole(part, laid, used) for key, part in value.items()}
    kind, shape = value[ARRAY]
    start = used[kind]
    used[kind] = start + math.prod(shape)
    return laid[kind][start : used[kind]].reshape(shape).copy()
