"""From raw series to signals in SI: units, invalid codes, validity flags, a clock that only goes forward."""

from dataclasses import dataclass

import numpy as np

from avoidkit.logs.found import MOST_PLACES, Channel

GAP_PERIODS = 3.0  # samples farther apart than so many periods leave a gap
LEAST_GAP_S = 0.1
SAME_S = 1e-4  # samples nearer to each other in time are of one instant: rounding, or another group of the log
MOST, MOST_TIME = 1e7, 1e12  # values in SI beyond these are no numbers of a vehicle's log


@dataclass(frozen=True, eq=False, slots=True)
class Signal:
    """The valid samples of one channel, times growing, values in SI."""

    time_s: np.ndarray
    values: np.ndarray

    def __len__(self):
        return len(self.time_s)

    def at(self, times_s, gap_s, *, hold=False, turns=False):
        """Values at times, and whether they are known.

        Linear between samples (with `hold` that of the sample before; with `turns` along the shorter arc). Known
        is a value between two samples at most `gap_s` apart, or so near the first or last one.

        Returns
        -------
        values : (n,) array
        known : (n,) bool array
        """
        if not len(self):
            return np.full(len(times_s), np.nan), np.zeros(len(times_s), bool)
        values = np.unwrap(self.values) if turns else self.values
        after = np.searchsorted(self.time_s, times_s + 1e-9, side="right")
        before = np.clip(after - 1, 0, len(self) - 1)
        following = np.clip(after, 0, len(self) - 1)
        hit = np.abs(self.time_s[before] - times_s) <= 1e-9
        between = np.interp(times_s, self.time_s, values)
        out = np.where(hit | hold, self.values[before], between)
        apart = self.time_s[following] - self.time_s[before]
        beyond = np.maximum(self.time_s[0] - times_s, times_s - self.time_s[-1])
        return out, hit | ((apart <= gap_s) & (beyond <= gap_s))

    def shift(self, by_s):
        """The same signal with times counted from a later instant."""
        return Signal(self.time_s - by_s, self.values)


def factors_of(channel):
    """(scale, offset, factor) of a mapped channel, as readers of text logs take them for times."""
    return channel.scale, channel.offset, channel.factor


def converted(channel, raw):
    """Raw values in SI."""
    with np.errstate(over="ignore", invalid="ignore"):
        return (raw * channel.scale + channel.offset) * channel.factor


def judged(channel, raw, flags, report, *, infinite=False, most=MOST):
    """Which raw values are valid, (n,) bool; the others are counted in the report, each once."""
    with np.errstate(invalid="ignore"):
        number = np.abs(converted(channel, raw)) <= most
    number |= np.isinf(raw) if infinite else False
    coded = number & np.isin(raw, channel.invalid)
    flagged = np.zeros(len(raw), bool) if flags is None else number & ~coded & ~np.isin(flags, channel.valid_is)
    report.not_numbers += int(np.count_nonzero(~number))
    report.coded += int(np.count_nonzero(coded))
    report.flagged += int(np.count_nonzero(flagged))
    return number & ~coded & ~flagged


def forward(time_s, report):
    """Which samples lie after all before them, (n,) bool: the clock only goes forward."""
    ahead = np.ones(len(time_s), bool)
    if len(time_s) > 1:
        latest = np.maximum.accumulate(time_s)
        ahead[1:] = time_s[1:] > latest[:-1]
        report.clock_steps += int(np.count_nonzero(np.diff(time_s) <= 0))
        report.dropped += int(np.count_nonzero(~ahead))
    return ahead


def nearest(times_s, growing_s):
    """Index of the nearest of growing times for each time, and how far off it is, s; inf where there are none.

    Examples
    --------
    >>> nearest(np.array([0.1, 0.4, 2.0]), np.array([0.0, 0.5]))
    (array([0, 1, 1]), array([0.1, 0.1, 1.5]))
    """
    if not len(growing_s):
        return np.zeros(len(times_s), int), np.full(len(times_s), np.inf)
    after = np.clip(np.searchsorted(growing_s, times_s), 0, len(growing_s) - 1)
    before = np.maximum(after - 1, 0)
    k = np.where(np.abs(growing_s[before] - times_s) <= np.abs(growing_s[after] - times_s), before, after)
    return k, np.abs(growing_s[k] - times_s)


def of_same_instants(series, times_s):
    """Values of a series at times: those of samples of the same instant, NaN where there is none."""
    if len(series) == len(times_s) and np.array_equal(series.time_s, times_s):
        return series.values
    order = np.argsort(series.time_s, kind="stable")
    k, far_s = nearest(times_s, series.time_s[order])
    values = np.full(len(times_s), np.nan)
    same = far_s <= SAME_S
    values[same] = series.values[order][k[same]]
    return values


def note_gaps(time_s, report, least_s=LEAST_GAP_S):
    """Put span, period and gaps of growing times into the report."""
    if not len(time_s):
        return
    report.from_s, report.to_s = float(time_s[0]), float(time_s[-1])
    apart = np.diff(time_s)
    report.period_s = float(np.median(apart)) if len(apart) else 0.0
    gaps = np.flatnonzero(apart > max(GAP_PERIODS * report.period_s, least_s))
    report.gap_count, report.gaps_s = len(gaps), float(apart[gaps].sum())
    report.gaps = [(float(time_s[k]), float(time_s[k + 1])) for k in gaps[:MOST_PLACES]]


def signal_of(samples, channel, role, *, raw=False, infinite=False, most=MOST):
    """One mapped channel as a `Signal`, and the `found.Channel` that reports on it.

    Parameters
    ----------
    samples : Samples
    channel : mapping.Channel
    role : str
        What it is for.
    raw : bool
        Keep raw values, such as codes of a gear.
    infinite : bool
        Whether inf is a value.
    most : float
        Greater amounts, in SI, are no numbers.
    """
    series = samples.series[channel.group, channel.channel]
    report = Channel(role, channel.channel, len(series), units=_disagree(series.unit, channel))
    flags = flags_of(samples, channel, series, channel.channel)
    valid = judged(channel, series.values, flags, report, infinite=infinite, most=most)
    valid &= forward(series.time_s, report)
    values = series.values if raw else converted(channel, series.values)
    note_gaps(series.time_s[valid], report)
    return Signal(series.time_s[valid], values[valid]), report


def flags_of(samples, channel, series, name, valid=None):
    """Raw values of the channel's validity flag at the times of its samples; None where it has none."""
    valid = channel.valid if valid is None else valid
    if not valid:
        return None
    flag = samples.series[channel.group, valid]
    if len(flag) == len(series) and np.array_equal(flag.time_s, series.time_s):
        return flag.values
    if not len(flag):
        return np.full(len(series), np.nan)
    before = np.searchsorted(flag.time_s, series.time_s + 1e-9, side="right") - 1
    return np.where(before >= 0, flag.values[np.maximum(before, 0)], np.nan)


def _disagree(unit, channel):
    plain = {"kmh": "km/h", "kph": "km/h", "degree": "deg", "mps": "m/s"}.get(unit, unit)
    if not plain or not channel.unit or plain == channel.unit or channel.unit == "1":
        return ""
    return f"UNIT in the log is {unit[:20]!r}, the mapping says {channel.unit!r}"
