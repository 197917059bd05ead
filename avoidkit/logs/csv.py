"""Tables of text (CSV): a line of names, then a line per instant, or per thing where lines are of several groups."""

import csv
from array import array

import numpy as np

from avoidkit.checks import InputError
from avoidkit.logs.clock import add_up
from avoidkit.logs.samples import GREATEST_SAMPLES, Damage, Samples, Series
from avoidkit.parameters import did_you_mean

GREATEST_CELL = 100_000  # characters
GREATEST_COLUMNS = 20_000
WORDS = {"": np.nan, "true": 1.0, "false": 0.0, "True": 1.0, "False": 0.0, "TRUE": 1.0, "FALSE": 0.0}


def read_csv(path, wanted, table, time, factors):
    """The wanted channels of a table.

    Parameters
    ----------
    path : str
    wanted : list of (group, channel)
    table : dict
        As `mapping.Table`.
    time : list of str
        Columns that add up to the time, with `factors` as in `clock.add_up`.

    Returns
    -------
    Samples

    Raises
    ------
    InputError
        If it is not such a table, or a column is missing.
    """
    csv.field_size_limit(GREATEST_CELL)
    try:
        with open(path, encoding=_encoding(table), newline="") as file:
            lines = csv.reader(file, delimiter=table["delimiter"])
            for _ in range(table["skip_lines"]):
                next(lines, None)
            names = _names(path, next(lines, None))
            return _read(path, lines, names, wanted, table, time, factors)
    except UnicodeError as error:
        raise InputError(f"{path}: is not text in {table['encoding']}: {error.reason}") from None
    except csv.Error as error:
        raise InputError(f"{path}: line {lines.line_num}: cannot be read as a table: {error}") from None


def _encoding(table):
    return "utf-8-sig" if table["encoding"] == "utf-8" else table["encoding"]


def _names(path, names):
    if not names:
        raise InputError(f"{path}: is empty: a line with the names of the channels was wanted")
    if len(names) > GREATEST_COLUMNS:
        raise InputError(f"{path}: has {len(names)} columns, at most {GREATEST_COLUMNS} are read")
    return [name.strip() for name in names]


def column_of(path, names, name):
    """The number of a column; `InputError` where there is none, or more than one, of that name."""
    if names.count(name) != 1:
        found = f"{names.count(name)} of that name" if name in names else f"none{did_you_mean(name, names)}"
        raise InputError(f"{path}: column {name!r} was wanted, got {found}")
    return names.index(name)


def _read(path, lines, names, wanted, table, time, factors):
    channels = sorted({channel for _, channel in wanted})
    places = [column_of(path, names, name) for name in (*time, *channels)]
    by = column_of(path, names, table["group_column"]) if table["group_column"] else None
    groups = {group: k for k, group in enumerate(sorted({group for group, _ in wanted}))}
    number = _Numbers(table["decimal"])
    columns, of_group, at_line = [array("d") for _ in places], array("i"), array("q")
    broken, seen = Damage("broken lines (wrong number of cells)"), set()
    for cells in lines:
        if len(cells) != len(names):
            if cells:
                broken.add(f"line {lines.line_num} has {len(cells)} of {len(names)}")
            continue
        group = groups.get(cells[by].strip() if by is not None else "", -1)
        seen.add(cells[by] if by is not None and len(seen) < 1000 else "")
        if group < 0:
            continue
        for column, place in zip(columns, places, strict=True):
            column.append(number(cells[place], names[place], lines.line_num))
        of_group.append(group)
        at_line.append(lines.line_num)
        if len(of_group) * len(places) > GREATEST_SAMPLES:
            raise InputError(f"{path}: holds too much: over {GREATEST_SAMPLES} numbers are asked for; map less of it")
    _require_groups(path, groups, of_group, seen)
    columns = [np.frombuffer(column, dtype=float) if len(column) else np.zeros(0) for column in columns]
    return _samples(columns, np.array(of_group), np.array(at_line), groups, channels, wanted, factors, broken, number)


def _require_groups(path, groups, of_group, seen):
    if not len(of_group):
        raise InputError(f"{path}: holds no line of {', '.join(repr(group) for group in groups)} with all its cells")
    for group, k in groups.items():
        if group and group not in {name.strip() for name in seen}:
            near = did_you_mean(group, seen)
            raise InputError(f"{path}: no line is of group {group!r}{near}")
        del k


def _samples(columns, of_group, at_line, groups, channels, wanted, factors, broken, number):
    time_s, start_s = add_up(columns[: len(factors)], factors)
    known = np.isfinite(time_s)
    no_time = Damage("lines without a time")
    for k in np.flatnonzero(~known):
        no_time.add(f"line {at_line[k]}")
    by_name = dict(zip(channels, columns[len(factors) :], strict=True))
    picked = {group: np.flatnonzero(known & (of_group == k)) for group, k in groups.items()}
    times = {group: time_s[pick] for group, pick in picked.items()}
    series = {(group, name): Series(times[group], by_name[name][picked[group]]) for group, name in wanted}
    damage = (*broken.lines(), *no_time.lines(), *(line for one in number.damage.values() for line in one.lines()))
    return Samples(series, start_s, damage)


class _Numbers:
    """Cells to numbers; what is neither a number nor empty is counted by column."""

    def __init__(self, decimal):
        self._comma, self.damage = decimal == ",", {}

    def __call__(self, cell, name, line):
        try:
            return float(cell.replace(",", ".") if self._comma else cell)
        except ValueError:
            pass
        word = cell.strip()
        if word in WORDS:
            return WORDS[word]
        damage = self.damage.setdefault(name, Damage(f"cells of {name!r} that are no numbers"))
        damage.add(f"line {line}: {word[:20]!r}")
        return np.nan
