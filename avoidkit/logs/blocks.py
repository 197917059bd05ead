"""Text logs of blocks: lines `key: value`, one block a sample, a line of its own between two blocks."""

from array import array

import numpy as np

from avoidkit.checks import InputError
from avoidkit.logs.clock import add_up
from avoidkit.logs.samples import GREATEST_SAMPLES, Damage, Samples, Series

GREATEST_LINE = 10_000  # characters


def read_blocks(path, wanted, blocks, time, factors):
    """The wanted channels of a log of blocks; a block that lacks one is broken: counted, named and left out.

    Parameters
    ----------
    path : str
    wanted : list of (group, channel)
        All groups are "".
    blocks : dict
        As `mapping.Blocks`.
    time : list of str
        Keys that add up to the time, with `factors` as in `clock.add_up`.

    Returns
    -------
    Samples
    """
    grouped = next((group for group, _ in wanted if group), "")
    if grouped:
        raise InputError(f"{path}: blocks have no groups, group {grouped!r} was wanted")
    keys = list(dict.fromkeys([*time, *(channel for _, channel in wanted)]))
    columns, damage, known = {key: array("d") for key in keys}, Damage("broken blocks"), set()
    try:
        with open(path, encoding="utf-8-sig") as file:
            for number, (line, found) in enumerate(_blocks(path, file, blocks["separator"], set(keys), known), start=1):
                _take(found, columns, damage, f"block {number} (line {line})")
                if number * len(keys) > GREATEST_SAMPLES:
                    raise InputError(f"{path}: holds too much: over {GREATEST_SAMPLES} numbers are asked for")
    except UnicodeError as error:
        raise InputError(f"{path}: is not UTF-8 text: {error.reason}") from None
    _require_keys(path, keys, columns, known)
    arrays = {key: np.array(column, dtype=float) for key, column in columns.items()}
    time_s, start_s = add_up([arrays[key] for key in time], factors)
    keep = np.isfinite(time_s)
    times = time_s[keep]
    return Samples({("", key): Series(times, arrays[key][keep]) for _, key in wanted}, start_s, tuple(damage.lines()))


def _blocks(path, file, separator, keys, known):
    """Yield (number of its first line, {key: text}) of each block that holds anything."""
    found, first, any_line = {}, 1, False
    for number, line in enumerate(_lines(path, file), start=1):
        text = line.strip()
        if text == separator:
            if any_line:
                yield first, found
            found, first, any_line = {}, number + 1, False
            continue
        any_line = any_line or bool(text)
        key, colon, value = text.partition(":")
        if colon and key in keys:
            found[key] = value.strip()
            known.add(key)
    if any_line:
        yield first, found


def _lines(path, file):
    while line := file.readline(GREATEST_LINE):
        if len(line) == GREATEST_LINE:
            raise InputError(f"{path}: has a line of over {GREATEST_LINE} characters: not a log of blocks")
        yield line


def _take(found, columns, damage, place):
    """Append one block to all columns, or none of it."""
    values = {}
    for key in columns:
        try:
            values[key] = float(found[key])
        except KeyError:
            damage.add(f"{place}: {key!r} is missing")
            return
        except ValueError:
            damage.add(f"{place}: {key!r} is no number: {found[key][:20]!r}")
            return
    for key, value in values.items():
        columns[key].append(value)


def _require_keys(path, keys, columns, known):
    missing = [key for key in keys if key not in known]
    if missing:
        raise InputError(f"{path}: no block holds {missing[0]!r}")
    if not len(columns[keys[0]]):
        raise InputError(f"{path}: no block holds all of {', '.join(keys)}")
