"""Returns of logged radars, and rounds of logged ultrasonics, to the kit's own records."""

from dataclasses import dataclass

import numpy as np

from avoidkit.logs.found import Channel
from avoidkit.logs.samples import Series
from avoidkit.logs.signals import (
    MOST,
    MOST_TIME,
    SAME_S,
    converted,
    flags_of,
    forward,
    judged,
    nearest,
    note_gaps,
    of_same_instants,
    signal_of,
)
from avoidkit.logs.things import things_of
from avoidkit.sensing.records import Echoes, Health, Scan

HEALTHS = (Health.OK, Health.DEGRADED, Health.BLIND)
SILENT = np.full(12, np.inf, np.float32)
NONE = np.zeros(0, np.float32)


def scans_of(samples, radar):
    """All scans of one logged radar in order of time, and the report on it.

    A scan of which something is missing counts as blind: what is not in it could be anywhere.
    """
    channels = {name: getattr(radar, name) for name in ("range", "azimuth", "range_rate")}
    if radar.snr is not None:
        channels["snr"] = radar.snr
    things, report = things_of(samples, radar, channels, f"radar {radar.sensor}", list(channels), ("range",))
    at_least_0 = things.values["range"] >= 0
    report.not_numbers += int(np.count_nonzero(~at_least_0))
    broken = things.broken.copy()
    if radar.used is not None:  # there is something, and where is not known
        broken[things.scan[~at_least_0]] = True
    if radar.marks is None:
        instants = _Instants(things.scan_s, things.scan_s + radar.latency_s, [Health.OK] * len(broken), things.gone_s)
        scan_of, blind = np.arange(len(broken)), broken
    else:
        instants = _marks(samples, radar)
        scan_of, blind = _to_marks(things, broken, instants, report)
    report.blinded = int(np.count_nonzero(blind))
    belongs = scan_of[things.scan]
    keep = at_least_0 & (belongs >= 0)
    snr = things.values.get("snr", np.full(len(keep), radar.assume_snr_db))
    values = [column[keep] for column in (*map(things.values.get, ("range", "azimuth", "range_rate")), snr)]
    bounds = np.searchsorted(belongs[keep], np.arange(len(instants.taken_s) + 1))
    scans = []
    for k, (taken_s, arrives_s, health) in enumerate(instants.each()):
        columns = [column[bounds[k] : bounds[k + 1]] for column in values]
        scans.append(Scan(radar.sensor, taken_s, arrives_s, *columns, Health.BLIND if blind[k] else health))
    return scans, report


@dataclass(frozen=True, eq=False, slots=True)
class _Instants:
    """When scans were taken (growing) and arrived, and what the radar said of itself; times that were left out."""

    taken_s: np.ndarray
    arrives_s: np.ndarray
    healths: list
    gone_s: np.ndarray

    def each(self):
        """(taken_s, arrives_s, health) of each scan."""
        return zip(self.taken_s.tolist(), self.arrives_s.tolist(), self.healths, strict=True)


def _marks(samples, radar):
    """The `_Instants` of every scan, also of those without returns."""
    marks = radar.marks
    series = samples.series[marks.arrives.group, marks.arrives.channel]
    ahead = forward(series.time_s, Channel("", ""))
    there = converted(marks.arrives, series.values) - samples.start_s
    arrives = np.where(np.isfinite(there), there, series.time_s + radar.latency_s)
    taken = series.time_s[ahead]
    gone_s = np.sort(series.time_s[~ahead])
    return _Instants(taken, np.maximum(arrives[ahead], taken), _healths_at(samples, marks.health, taken), gone_s)


def _to_marks(things, broken, marks, report):
    """To which mark the returns of each scan belong (-1: to none that was kept), and which marks count as blind.

    Returns without a mark are in no scan, so that the scan nearest to them is not the whole truth. Not so where the
    clock stepped back and their mark was left out as well.
    """
    returns = np.bincount(things.scan, minlength=len(broken))
    k, far_s = nearest(things.scan_s, marks.taken_s)
    left_out = nearest(things.scan_s, marks.gone_s)[1] <= SAME_S
    own = far_s <= SAME_S
    stray = ~own & ~left_out & ((returns > 0) | broken)
    late, _ = nearest(things.gone_s, marks.taken_s)
    late_stray = nearest(things.gone_s, marks.gone_s)[1] > SAME_S
    report.strays = int(returns[stray].sum()) + int(np.count_nonzero(late_stray))
    blind = np.zeros(len(marks.taken_s), bool)
    if len(blind):
        blind[k[stray | (own & broken)]] = True
        blind[late[late_stray]] = True
    return np.where(own, k, -1), blind


def _healths_at(samples, channel, times_s):
    """Health at each time by the last word at or before it; blind where there is none, ok where no channel is."""
    if channel is None:
        return [Health.OK] * len(times_s)
    series = samples.series[channel.group, channel.channel]
    ahead = forward(series.time_s, Channel("", ""))
    codes = series.values[ahead]
    last = np.searchsorted(series.time_s[ahead], times_s + SAME_S, side="right") - 1
    return [health_of(codes[k]) if k >= 0 else Health.BLIND for k in last]


def health_of(code):
    """Health by its number: 0 ok, 1 degraded; whatever else is blind."""
    return HEALTHS[int(code)] if code in (0, 1) else Health.BLIND


def rounds_of(samples, ring):
    """All rounds of the logged ultrasonic ring in order of time, and the report on it."""
    first = ring.first[0]
    series = samples.series[first.group, first.channel]
    report = Channel("ultrasonics", first.channel, len(series))
    ahead = forward(series.time_s, report)
    columns = [_first(samples, channel, series.time_s, report) for channel in ring.first]
    arrives = series.time_s
    if ring.arrives is not None:
        there = samples.series[ring.arrives.group, ring.arrives.channel]
        arrives = converted(ring.arrives, of_same_instants(there, series.time_s)) - samples.start_s
    table = np.stack(columns, axis=1)
    good = ahead & ~np.isnan(table).any(axis=1) & (table >= 0).all(axis=1) & np.isfinite(arrives)
    taken = series.time_s[good]
    note_gaps(taken, report)
    moments = zip(taken.tolist(), np.maximum(arrives[good], taken).tolist(), table[good], strict=True)
    healths = _healths_at(samples, ring.health, taken)
    return [Echoes(*moment, health) for moment, health in zip(moments, healths, strict=True)], report


def _first(samples, channel, times_s, report):
    series = samples.series[channel.group, channel.channel]
    flags = flags_of(samples, channel, series, channel.channel)
    good = judged(channel, series.values, flags, report, infinite=True)
    valid = np.where(good, converted(channel, series.values), np.nan)
    return of_same_instants(Series(series.time_s, valid), times_s)


def silent_round(time_s):
    """A round in which nothing was heard, for a log whose mapping takes the ultrasonics as silent."""
    return Echoes(time_s, time_s, SILENT, Health.OK)


def holds_of(samples, hold):
    """Signals of hold-to-run by name, and the reports on them."""
    signals, reports = {}, []
    for name in ("pressed", "distance", "sent"):
        channel = getattr(hold, name)
        if channel is not None:
            how = {"infinite": name != "pressed", "most": MOST_TIME if name == "sent" else MOST}
            signals[name], report = signal_of(samples, channel, f"hold.{name}", **how)
            reports.append(report)
    if "sent" in signals:
        sent = signals["sent"]
        signals["sent"] = type(sent)(sent.time_s, sent.values - samples.start_s)
    return signals, reports
