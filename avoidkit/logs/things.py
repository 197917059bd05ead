"""Many things of one instant (returns, objects), in rows or in slots, as flat arrays with the scan each belongs to."""

from dataclasses import dataclass

import numpy as np

from avoidkit.logs.found import Channel
from avoidkit.logs.mapping import SLOT
from avoidkit.logs.signals import converted, flags_of, forward, judged, note_gaps


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
    """

    scan_s: np.ndarray
    scan: np.ndarray
    slot: np.ndarray
    values: dict

    def of(self, k):
        """The slice of all arrays that belongs to scan `k`."""
        return slice(*np.searchsorted(self.scan, [k, k + 1]))


def things_of(samples, layout, channels, role, needed):
    """All things of a table.

    Parameters
    ----------
    samples : Samples
    layout : mapping.Layout
    channels : dict
        {name: mapping.Channel}
    role : str
    needed : collection of str
        Names without which a thing is left out (and counted).

    Returns
    -------
    Things, found.Channel
    """
    first = next(iter(channels.values()))
    report = Channel(role, first.channel)
    if layout.layout == "slots":
        things = _from_slots(samples, layout, channels, report, needed)
    else:
        things = _from_rows(samples, layout, channels, report, needed)
    note_gaps(things.scan_s, report)
    return things, report


def slot_names(layout, name):
    """The names of a channel in all slots."""
    return [name.replace(SLOT, str(layout.first_slot + k)) for k in range(layout.slots)]


def _from_slots(samples, layout, channels, report, needed):
    first = next(iter(channels.values()))
    times = samples.series[first.group, slot_names(layout, first.channel)[0]].time_s
    keep = np.flatnonzero(forward(times, report))
    values, valid = {}, np.ones((len(times), layout.slots), bool)
    if layout.used is not None:
        for k, name in enumerate(slot_names(layout, layout.used.channel)):
            valid[:, k] = _same_times(samples, layout.used.group, name, times) > 0
    for name, channel in channels.items():
        columns, goods = [], []
        flags = slot_names(layout, channel.valid) if channel.valid else [""] * layout.slots
        for k, (one, flag) in enumerate(zip(slot_names(layout, channel.channel), flags, strict=True)):
            raw = _same_times(samples, channel.group, one, times)
            good = _good(samples, channel, one, flag, raw, valid[:, k], report)
            columns.append(converted(channel, raw))
            goods.append(good)
        values[name] = np.where(np.stack(goods, 1), np.stack(columns, 1), np.nan)
    for name in needed:
        valid &= np.isfinite(values[name])
    row, slot = np.nonzero(valid[keep])
    report.samples = len(times)
    return Things(times[keep], row, slot, {name: table[keep][row, slot] for name, table in values.items()})


def _good(samples, channel, name, flag, raw, used, report):
    """Valid ones of a column; only those of used slots are counted as invalid."""
    good = np.zeros(len(raw), bool)
    flags = flags_of(samples, channel, samples.series[channel.group, name], name, flag)
    good[used] = judged(channel, raw[used], None if flags is None else flags[used], report)
    return good


def _same_times(samples, group, name, times):
    series = samples.series[group, name]
    if len(series) == len(times) and np.array_equal(series.time_s, times):
        return series.values
    values = np.full(len(times), np.nan)  # only samples at the same instant count
    if len(series):
        at = np.clip(np.searchsorted(series.time_s, times), 0, len(series) - 1)
        same = np.abs(series.time_s[at] - times) <= 1e-9
        values[same] = series.values[at[same]]
    return values


def _from_rows(samples, layout, channels, report, needed):
    first = next(iter(channels.values()))
    times = samples.series[first.group, first.channel].time_s
    scan, scan_s = _scans_of_rows(samples, layout, times)
    ahead = forward(scan_s, report)
    used = np.ones(len(times), bool)
    if layout.used is not None:
        used = _same_rows(samples, layout.used.group, layout.used.channel, times) > 0
    values, keep = {}, used & (ahead[scan] if len(scan) else used)
    for name, channel in channels.items():
        raw = _same_rows(samples, channel.group, channel.channel, times)
        good = _good(samples, channel, channel.channel, channel.valid, raw, used, report)
        values[name] = np.where(good, converted(channel, raw), np.nan)
    for name in needed:
        keep &= np.isfinite(values[name])
    number = np.cumsum(ahead) - 1  # scans that were left out have no number
    starts = np.concatenate([[0], np.flatnonzero(np.diff(scan)) + 1]) if len(scan) else np.zeros(0, int)
    slot = np.arange(len(times)) - starts[scan] if len(scan) else np.zeros(0, int)
    report.samples = len(times)
    kept = {name: column[keep] for name, column in values.items()}
    return Things(scan_s[ahead], number[scan[keep]], slot[keep], kept)


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
        new = np.diff(times) != 0
    else:
        counter = _same_rows(samples, layout.new_scan.group, layout.new_scan.channel, times)
        new = ~(counter[1:] > counter[:-1])
    scan = np.concatenate([[0], np.cumsum(new)])
    return scan, times[np.concatenate([[True], new])]
