"""A foreign log to a recording: read in a child, cleaned, put on the kit's clock; nothing is decided here yet."""

import hashlib
import math
from collections import Counter
from dataclasses import replace
from pathlib import Path

import numpy as np

from avoidkit.checks import InputError
from avoidkit.logs.child import read_samples
from avoidkit.logs.dead_reckoning import driven_m, own_motion
from avoidkit.logs.found import Found
from avoidkit.logs.mapping import Channel, Layout, Marks, mapping_of
from avoidkit.logs.objects import TROUBLE, ObjectList
from avoidkit.logs.rows import rows_of
from avoidkit.logs.scans import holds_of, rounds_of, scans_of
from avoidkit.logs.signals import SAME_S, factors_of, signal_of
from avoidkit.logs.things import slot_names
from avoidkit.logs.way import course_of, reference_of, title_of
from avoidkit.recording.extras import mark_of
from avoidkit.recording.header import versions
from avoidkit.recording.packing import PathBook
from avoidkit.recording.record import Recording
from avoidkit.recording.store import MemoryStore

LONGEST_S, LONGEST_HOLE_S = 3600.0, 30.0
OWN = ("speed", "yaw_rate", "steering", "gear", "x", "y", "yaw", "known")
DATABASES = (".dbc", ".arxml")  # descriptions of a bus


def read_log(path, mapping, *, tuning=None, databases=(), from_s=None, to_s=None, limits=None):
    """A foreign log as a `Recording`, one row a cycle; no stage of the kit has been run on it: see `logs.play`.

    Parameters
    ----------
    path : path
        CSV, blocks of text or ASAM MDF4, as the mapping says.
    mapping : Mapping or path
    tuning : Tuning or None
        None: the baseline. Mounts and view of the radars come from the mapping.
    databases : paths
        DBC files, where an MDF file holds frames of a bus.
    from_s, to_s : float or None
        Only this part, s from the log's first sample.
    limits : child.Limits or None

    Returns
    -------
    Recording
        `recording.log` holds `found` (see `found.found_from`), `assumed`, the mapping and the file's hash.

    Raises
    ------
    InputError
        If the file, or what the mapping says of it, cannot be used.
    """
    from avoidkit.tuning import Tuning

    path, mapping = Path(path), mapping_of(mapping)
    for database in databases:
        if not Path(database).is_file():
            raise InputError(f"{database}: no such file")
        if Path(database).suffix.lower() not in DATABASES:
            raise InputError(f"{database}: a name that ends with {' or '.join(DATABASES)} was wanted")
    samples = part_of(path, read_samples(path, request_of(mapping, databases), limits), from_s, to_s)
    tuning = tuning_for(mapping, tuning or Tuning())
    try:
        return _Log(path, mapping, tuning, samples).recording()
    except InputError as error:  # of one of the kit's own records, which does not know the file
        raise InputError(str(error) if str(error).startswith(f"{path}: ") else f"{path}: {error}") from None


def request_of(mapping, databases=()):
    """What the reader in the child is asked for."""
    layout = mapping.table if mapping.format == "csv" else mapping.blocks
    return {
        "format": mapping.format,
        "wanted": sorted(wanted_of(mapping)),
        "layout": layout.model_dump(mode="json"),
        "time": [channel.channel for channel in mapping.time],
        "factors": [factors_of(channel) for channel in mapping.time],
        "databases": [str(Path(file).resolve()) for file in databases],
    }


def wanted_of(mapping):
    """Every (group, channel) that a mapping names, but for the time."""
    wanted = set()
    for layout, channel in _channels(mapping):
        for name in filter(None, (channel.channel, channel.valid)):
            slots = slot_names(layout, name) if layout is not None and layout.layout == "slots" else [name]
            wanted |= {(channel.group, one) for one in slots}
    return wanted


def _channels(model, layout=None):
    layout = model if isinstance(model, Layout) else None if isinstance(model, Marks) else layout
    for name in type(model).model_fields:
        value = getattr(model, name)
        for one in value if isinstance(value, tuple) else (value,):
            if isinstance(one, Channel):
                if name != "time":
                    yield layout, one
            elif hasattr(type(one), "model_fields"):
                yield from _channels(one, layout)


def part_of(path, samples, from_s, to_s):
    """Only the samples from one time to another, s from the log's first sample; None: from there, up to the end."""
    if from_s is None and to_s is None:
        return samples
    first = min((float(one.time_s.min()) for one in samples.series.values() if len(one)), default=0.0)
    low, high = first + (from_s or 0.0), math.inf if to_s is None else first + to_s
    cut = {}
    for key, one in samples.series.items():
        keep = (one.time_s >= low) & (one.time_s <= high)
        cut[key] = replace(one, time_s=one.time_s[keep], values=one.values[keep])
    if not any(len(one) for one in cut.values()):
        raise InputError(f"{path}: from_s {from_s}, to_s {to_s}: no sample lies between")
    return replace(samples, series=cut)


def tuning_for(mapping, tuning):
    """A tuning with the mounts and the view of the log's radars, whose false alarms are not known.

    Without any to expect, a row of empty scans is an empty field and no radar that is stuck: see `sensing.repeats`.
    """
    changes = {"radar.false_alarms_per_scan": 0.0}
    changes |= {f"radar.{key}": value for key, value in mapping.view.model_dump().items() if value is not None}
    for radar in mapping.radars:
        mount = radar.mount.model_dump()
        changes |= {f"radar.mounts.{radar.sensor}.{key}": value for key, value in mount.items()}
    return tuning.replace(changes)


class _Log:
    """What is known of one log on the way to its recording."""

    def __init__(self, path, mapping, tuning, samples):
        self.path, self.mapping, self.tuning, self.samples = path, mapping, tuning, samples
        self.found = Found(path.name, mapping.format, assumed=list(mapping.assumed), damage=list(samples.damage))
        self.own = self._signals(mapping.own, OWN)
        self.holds, reports = holds_of(samples, mapping.hold)
        self.found.channels += reports
        self.scans, self.rounds = [], []
        for radar in mapping.radars:
            scans, report = scans_of(samples, radar)
            self.scans += scans
            self.found.channels.append(report)
            self._tell_of_blinded(radar, report)
        if mapping.ultrasonic is not None:
            self.rounds, report = rounds_of(samples, mapping.ultrasonic)
            self.found.channels.append(report)
        self.objects = None
        if mapping.objects is not None:
            self.objects = ObjectList(samples, mapping.objects)
            self.found.channels.append(self.objects.report)

    def _tell_of_blinded(self, radar, report):
        """Notes on scans that count as blind, because returns of theirs are missing."""
        where = f"{self.path}: radars.{radar.sensor}"
        if report.strays:
            marks = radar.marks.arrives.channel
            self.found.notes.append(
                f"{where}.marks.arrives {marks!r}: {report.strays} returns of {report.name!r} are of none of its times "
                f"(within {SAME_S:g} s): the scans nearest to them count as blind"
            )
        if report.blinded:
            words = "scans count as blind: returns of theirs hold an invalid number or belong to no scan"
            self.found.notes.append(f"{where}: {report.blinded} {words}")

    def _signals(self, own, names):
        signals = {}
        for name in names:
            channel = getattr(own, name)
            if channel is not None:
                signals[name], report = signal_of(self.samples, channel, f"own.{name}", raw=name == "gear")
                self.found.channels.append(report)
        if "speed" in signals and not len(signals["speed"]):
            raise InputError(f"{self.path}: own.speed {own.speed.channel!r} holds no valid sample")
        return signals

    def recording(self):
        """The recording of all that there is."""
        start_s, stop_s = self._span()
        self._shift(start_s)
        cycle = self.tuning.cycle_s
        times = np.arange(math.floor((stop_s - start_s) / cycle + 1e-6) + 1) * cycle
        motion = own_motion(self.mapping.own, self.own, times, self.tuning.vehicle)
        if not (np.abs([motion.x_m, motion.y_m]) < 1e5).all():
            raise InputError(f"{self.path}: own motion leads farther than 100 km away: check units and invalid codes")
        self._prepare_objects(motion)
        path, along = reference_of(motion, self.mapping.path_ahead_m)
        rows = rows_of(self, motion, path, along)
        self._tell(start_s, times, motion, rows)
        return self._recorded(rows, path, times)

    def _span(self):
        """First and last instant that a row is made for, on the clock of the samples."""
        moments = [signal.time_s for signal in (*self.own.values(), *self.holds.values())]
        moments += [np.array([scan.taken_s for scan in self.scans]), np.array([one.taken_s for one in self.rounds])]
        moments += [self.objects.times_s] if self.objects is not None else []
        moments = np.sort(np.concatenate(moments))
        if not len(moments):
            raise InputError(f"{self.path}: holds no valid sample of anything that the mapping names")
        start, stop = float(moments[0]), float(moments[-1])
        hole = int(np.argmax(np.diff(moments))) if len(moments) > 1 else 0
        if len(moments) > 1 and moments[hole + 1] - moments[hole] > LONGEST_HOLE_S:
            places = f"{moments[hole] - start:.2f} to {moments[hole + 1] - start:.2f} s"
            raise InputError(
                f"{self.path}: nothing was logged from {places}: "
                f"at most {LONGEST_HOLE_S:g} s are bridged; read the parts with from_s and to_s"
            )
        if stop - start > LONGEST_S:
            most = f"at most {LONGEST_S:g} s are read; take a part with from_s and to_s"
            raise InputError(f"{self.path}: lasts {stop - start:.0f} s: {most}")
        return start, stop

    def _shift(self, by_s):
        """Count all times from the first row."""
        self.own = {name: signal.shift(by_s) for name, signal in self.own.items()}
        self.holds = {name: signal.shift(by_s) for name, signal in self.holds.items()}
        if "sent" in self.holds:
            sent = self.holds["sent"]
            self.holds["sent"] = type(sent)(sent.time_s, sent.values - by_s)
        self.scans = [_later(scan, by_s) for scan in self.scans]
        self.rounds = [_later(one, by_s) for one in self.rounds]
        if self.objects is not None:
            self.objects.shift(by_s)
        for channel in self.found.channels:
            channel.shift(by_s)

    def _prepare_objects(self, motion):
        if self.objects is None:
            return
        self.objects.work_out(motion)
        if not self.mapping.radars:
            free = self.mapping.free_space == "assume_free_in_view"
            self.scans = self.objects.stand_ins(self.tuning, free)

    def _tell(self, start_s, times, motion, rows):
        found, mapping = self.found, self.mapping
        found.start_s, found.duration_s = self.samples.start_s + start_s, float(times[-1])
        found.driven_m = driven_m(self.own["speed"]) if "speed" in self.own else 0.0
        lost = int(np.count_nonzero(~motion.known))
        if lost:
            found.notes.append(f"own motion is unknown in {lost} of {len(times)} rows: each of them is a halt")
        for text, n in Counter(row.error for row in rows if row.error.startswith(TROUBLE)).items():
            found.notes.append(f"{text.removeprefix('log: ')} in {n} of {len(times)} rows: each of them is a halt")
        missing = {
            "hold-to-run: taken as released, so that nothing moves": not (
                mapping.hold.pressed or mapping.hold.assume_pressed
            ),
            "the operator's distance: unknown, which halts": not mapping.hold.distance
            and mapping.hold.assume_distance_m is None,
            "ultrasonics: unknown, which halts": mapping.ultrasonic is None and not mapping.ultrasonic_silent,
            "radars and objects: nothing is sensed": not mapping.radars and mapping.objects is None,
        }
        found.missing += [words for words, is_so in missing.items() if is_so]
        if mapping.objects is not None and mapping.free_space == "from_returns" and not mapping.radars:
            found.notes.append("an object list has no returns: everything is unknown, which halts")

    def _recorded(self, rows, path, times):
        from avoidkit.scene import scene_from

        mapping, book = self.mapping, PathBook()
        book.key(path)
        log = {
            "file": self.path.name,
            "sha256": _hash(self.path),
            "mapping": mapping.model_dump(mode="json", exclude_defaults=True),
            "free_space": mapping.free_space or "from_returns",
            "assumed": mapping.assumed,
            "tracks": "logged" if mapping.objects is not None else "none",
            "found": self.found.plain(),
        }
        marked = " (assumed free space)" if mapping.free_space == "assume_free_in_view" else ""
        plain = {
            "name": f"{mapping.name}{marked}",
            "title": title_of(self.path.name, mark_of(log)),
            "duration_s": max(float(times[-1]), 0.5),
            "path": course_of(path),
        }
        cycles = [(row, book.since(0) if k == 0 else [], None) for k, row in enumerate(rows)]
        scene = scene_from(plain, f"scene of {self.path}")
        store = MemoryStore(cycles, book)
        return Recording(scene, self.tuning, 0, store, versions=versions(), ended="log end", log=log)


def _later(record, by_s):
    return replace(record, taken_s=record.taken_s - by_s, arrives_s=record.arrives_s - by_s)


def _hash(path):
    with open(path, "rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
