"""Many things of one instant (returns, objects), in rows or in slots, as flat arrays with the scan each belongs to.

A thing in use that holds an invalid number is left out, but never without a word: its scan is marked as broken.
"""

from dataclasses import dataclass

import numpy as np

from avoidkit.logs.found import Channel
from avoidkit.logs.mapping import SLOT
from avoidkit.logs.samples import Series
from avoidkit.logs.signals import SAME_S, converted, flags_of, forward, judged, note_gaps, of_same_instants


@dataclass(frozen=True, eq=False, slots=True)
class Things:
    """Things of all scans.

    Attributes
    ----------
    scan_s : (n,) array
        Time of each scan, growing; scans without things as well, where the log shows them.
    scan : (m,) int array
        Which scan each thing belongs to, not falling.
    slot : (m,) int array
        Number of its slot, or of its row within the scan.
    values : dict
        {name: (m,) array} in SI; NaN where an optional one is not valid.
    broken : (n,) bool array
        Whether a scan holds a thing in use that had to be left out, because a number in it is invalid.
    gone_s : (g,) array
        Times of things in use that were left out with their scan, because the clock had stepped back.
    """

    scan_s: np.ndarray
    scan: np.ndarray
    slot: np.ndarray
    values: dict
    broken: np.ndarray
    gone_s: np.ndarray

    def of(self, k):
        """The slice of all arrays that belongs to scan `k`."""
        return slice(*np.searchsorted(self.scan, [k, k + 1]))


def things_of(samples, layout, channels, role, needed, telling):
    """All things of a table.

    Parameters
    ----------
    samples : Samples
    layout : mapping.Layout
    channels : dict
        {name: mapping.Channel}
    role : str
    needed : collection of str
        Names without which a thing is left out (and counted), and its scan broken.
    telling : collection of str
        Those of `needed` of which a valid one shows that something is there, where the log has no word on that.

    Returns
    -------
    Things, found.Channel
    """
    first = next(iter(channels.values()))
    report = Channel(role, first.channel)
    if layout.layout == "slots":
        things = _from_slots(samples, layout, channels, report, needed, telling)
    else:
        things = _from_rows(samples, layout, channels, report, needed, telling)
    note_gaps(things.scan_s, report)
    return things, report


def slot_names(layout, name):
    """The names of a channel in all slots."""
    return [name.replace(SLOT, str(layout.first_slot + k)) for k in range(layout.slots)]


def _from_slots(samples, layout, channels, report, needed, telling):
    first = next(iter(channels.values()))
    times = samples.series[first.group, slot_names(layout, first.channel)[0]].time_s
    ahead = forward(times, report)
    used = np.full((len(times), layout.slots), np.nan)
    if layout.used is not None:
        for k, name in enumerate(slot_names(layout, layout.used.channel)):
            used[:, k] = of_same_instants(samples.series[layout.used.group, name], times)
    values = {}
    for name, channel in channels.items():
        columns, goods = [], []
        flags = slot_names(layout, channel.valid) if channel.valid else [""] * layout.slots
        for k, (one, flag) in enumerate(zip(slot_names(layout, channel.channel), flags, strict=True)):
            raw = of_same_instants(samples.series[channel.group, one], times)
            good = _good(samples, channel, Series(times, raw), one, flag, used[:, k] != 0, report)
            columns.append(converted(channel, raw))
            goods.append(good)
        values[name] = np.where(np.stack(goods, 1), np.stack(columns, 1), np.nan)
    there, whole = _there(used, values, needed, telling)
    row, slot = np.nonzero(whole[ahead])
    report.samples = len(times)
    kept = {name: table[ahead][row, slot] for name, table in values.items()}
    gone_s = np.repeat(times[~ahead], there[~ahead].sum(axis=1))
    return Things(times[ahead], row, slot, kept, (there & ~whole)[ahead].any(axis=1), gone_s)


def _there(used, values, needed, telling):
    """Where something is, and where all of it is valid; a word on its use that is no number does not hide it."""
    told = np.any([np.isfinite(values[name]) for name in telling], axis=0)
    there = (used != 0) & (told | ~np.isnan(used))
    return there, there & np.all([np.isfinite(values[name]) for name in needed], axis=0)


def _good(samples, channel, series, name, flag, used, report):
    """Valid ones of a column; only those that may be in use are counted as invalid."""
    good = np.zeros(len(series), bool)
    flags = flags_of(samples, channel, series, name, flag)
    good[used] = judged(channel, series.values[used], None if flags is None else flags[used], report)
    return good


def _from_rows(samples, layout, channels, report, needed, telling):
    first = next(iter(channels.values()))
    times = samples.series[first.group, first.channel].time_s
    scan, scan_s = _scans_of_rows(samples, layout, times)
    ahead = forward(scan_s, report)
    used, values = np.full(len(times), np.nan), {}
    if layout.used is not None:
        used = _same_rows(samples, layout.used.group, layout.used.channel, times)
    for name, channel in channels.items():
        raw = _same_rows(samples, channel.group, channel.channel, times)
        good = _good(samples, channel, Series(times, raw), channel.channel, channel.valid, used != 0, report)
        values[name] = np.where(good, converted(channel, raw), np.nan)
    there, whole = _there(used, values, needed, telling)
    kept = ahead[scan]
    broken = np.bincount(scan[there & ~whole], minlength=len(scan_s)) > 0
    number = np.cumsum(ahead) - 1  # scans that were left out have no number
    starts = np.searchsorted(scan, np.arange(len(scan_s)))
    slot = np.arange(len(times)) - starts[scan]
    report.samples = len(times)
    keep = whole & kept
    columns = {name: column[keep] for name, column in values.items()}
    return Things(scan_s[ahead], number[scan[keep]], slot[keep], columns, broken[ahead], times[there & ~kept])


def _same_rows(samples, group, name, times):
    series = samples.series[group, name]
    if len(series) == len(times) and np.array_equal(series.time_s, times):
        return series.values
    return np.full(len(times), np.nan)  # of another group: cannot be told which row it belongs to


def _scans_of_rows(samples, layout, times):
    """Scan of each row, counted from 0, and the time of each scan: that of its first row."""
    if not len(times):
        return np.zeros(0, int), np.zeros(0)
    if layout.new_scan is None:
        new = np.abs(np.diff(times)) > SAME_S
    else:
        counter = _same_rows(samples, layout.new_scan.group, layout.new_scan.channel, times)
        new = ~(counter[1:] > counter[:-1])
    scan = np.concatenate([[0], np.cumsum(new)])
    return scan, times[np.concatenate([[True], new])]
