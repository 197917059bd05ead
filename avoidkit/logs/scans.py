"""Returns of logged radars, and rounds of logged ultrasonics, to the kit's own records."""

import numpy as np

from avoidkit.logs.found import Channel
from avoidkit.logs.signals import MOST, MOST_TIME, converted, flags_of, forward, judged, note_gaps, signal_of
from avoidkit.logs.things import things_of
from avoidkit.sensing.records import Echoes, Health, Scan

HEALTHS = (Health.OK, Health.DEGRADED, Health.BLIND)
SILENT = np.full(12, np.inf, np.float32)
NONE = np.zeros(0, np.float32)


def scans_of(samples, radar):
    """All scans of one logged radar in order of time, and the report on it."""
    channels = {name: getattr(radar, name) for name in ("range", "azimuth", "range_rate")}
    if radar.snr is not None:
        channels["snr"] = radar.snr
    things, report = things_of(samples, radar, channels, f"radar {radar.sensor}", list(channels))
    at_least_0 = things.values["range"] >= 0
    report.not_numbers += int(np.count_nonzero(~at_least_0))
    taken = {float(t): k for k, t in enumerate(things.scan_s)}
    moments = [(t, t + radar.latency_s, Health.OK) for t in taken] if radar.marks is None else _marks(samples, radar)
    return [_scan(radar, things, at_least_0, taken.get(t, -1), t, *rest) for t, *rest in moments], report


def _scan(radar, things, at_least_0, k, taken_s, arrives_s, health):
    here = things.of(k)
    keep = at_least_0[here]
    snr = things.values.get("snr", np.full(len(things.scan), radar.assume_snr_db))
    values = things.values | {"snr": snr}
    columns = [values[name][here][keep] for name in ("range", "azimuth", "range_rate", "snr")]
    return Scan(radar.sensor, taken_s, arrives_s, *columns, health)


def _marks(samples, radar):
    """(taken_s, arrives_s, health) of every scan, also of those without returns."""
    marks = radar.marks
    series = samples.series[marks.arrives.group, marks.arrives.channel]
    ahead = forward(series.time_s, Channel("", ""))
    there = converted(marks.arrives, series.values) - samples.start_s
    arrives = np.where(np.isfinite(there), there, series.time_s + radar.latency_s)
    codes = np.zeros(len(series)) if marks.health is None else _raw(samples, marks.health)
    return [
        (float(series.time_s[k]), float(max(arrives[k], series.time_s[k])), health_of(codes[k]))
        for k in np.flatnonzero(ahead)
    ]


def _raw(samples, channel):
    return samples.series[channel.group, channel.channel].values


def health_of(code):
    """Health by its number: 0 ok, 1 degraded; whatever else is blind."""
    return HEALTHS[int(code)] if code in (0, 1) else Health.BLIND


def rounds_of(samples, ring):
    """All rounds of the logged ultrasonic ring in order of time, and the report on it."""
    first = ring.first[0]
    series = samples.series[first.group, first.channel]
    report = Channel("ultrasonics", first.channel, len(series))
    ahead = forward(series.time_s, report)
    columns = [_first(samples, channel, len(series), report) for channel in ring.first]
    arrives = series.time_s
    if ring.arrives is not None:
        arrives = converted(ring.arrives, _raw(samples, ring.arrives)) - samples.start_s
    codes = np.zeros(len(series)) if ring.health is None else _raw(samples, ring.health)
    table = np.stack(columns, axis=1)
    good = ahead & ~np.isnan(table).any(axis=1) & (table >= 0).all(axis=1) & np.isfinite(arrives)
    note_gaps(series.time_s[good], report)
    rounds = [
        Echoes(float(series.time_s[k]), float(max(arrives[k], series.time_s[k])), table[k], health_of(codes[k]))
        for k in np.flatnonzero(good)
    ]
    return rounds, report


def _first(samples, channel, n, report):
    raw = _raw(samples, channel)
    if len(raw) != n:
        return np.full(n, np.nan)
    series = samples.series[channel.group, channel.channel]
    flags = flags_of(samples, channel, series, channel.channel)
    return np.where(judged(channel, raw, flags, report, infinite=True), converted(channel, raw), np.nan)


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
