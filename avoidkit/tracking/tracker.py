"""The tracker: scans and own motion in, tracks at the present instant out.

Scans are worked in at the time they were taken. A snapshot of all tracks is kept for each scan of the last
`late_s`; one that comes late is put in its place and what followed is done again, so that once all have
arrived the result is that of scans in order. No output waits for a scan.
"""

import bisect
import math

import numpy as np

from avoidkit.checks import InputError
from avoidkit.jit import compiled
from avoidkit.sensing.radar import behind_own_body
from avoidkit.sensing.records import Health, age
from avoidkit.sensing.repeats import Repeats, Usual
from avoidkit.tracking import bank as column
from avoidkit.tracking import settings as of
from avoidkit.tracking.association import PAIRINGS, gate
from avoidkit.tracking.bank import Entry, empty_bank
from avoidkit.tracking.cluster import accuracy_of, measure
from avoidkit.tracking.doubt import reported
from avoidkit.tracking.engines import engine_named
from avoidkit.tracking.filters import combined
from avoidkit.tracking.keep import restore_tracker, saved_tracker
from avoidkit.tracking.records import Stage, Tracks
from avoidkit.tracking.scan import take_in
from avoidkit.tracking.settings import settings_of
from avoidkit.tracking.standing import standing_times
from avoidkit.tracking.still import StillMemory
from avoidkit.tracking.wedge import WedgeKeeper
from avoidkit.vehicle import EgoHistory

TENTATIVE, CONFIRMED, COASTING, POSSIBLE = (int(stage) for stage in Stage)
LEAST_EXISTENCE = 0.1  # an unconfirmed track below this is not handed out: nobody brakes for what has all but gone
TWO_SCANS_S = 0.15  # nor one of two measurements that two scans, with their way to the tracker, have not shown again
STIRS_BELOW = 0.3  # a small still thing that stands with less than this is about to walk: a person, to be braked for


class Tracker:
    """Memory between cycles; one a drive.

    Attributes
    ----------
    dropped : dict
        Scans not used, counted by reason: `late` (older than `tracking.late_s`), `repeated` (same radar and time),
        `future` (taken after now, so its clock is wrong), `unknown` (no such mount), `stuck` (the same returns although
        the vehicle moved, or too often).

    Examples
    --------
    >>> from avoidkit.frames import Pose
    >>> from avoidkit.tuning import Tuning
    >>> from avoidkit.vehicle import Ego
    >>> tracker = Tracker(Tuning())
    >>> len(tracker.step([], Ego(0.0, Pose(0.0, 0.0, 0.0), 0.0, 0.0, 0.0)))
    0
    """

    def __init__(self, tuning):
        self.tuning = tuning
        self.mounts = {name: getattr(tuning.radar.mounts, name) for name in type(tuning.radar.mounts).model_fields}
        self.radars = {name: k for k, name in enumerate(self.mounts)}
        self.settings = settings_of(tuning, gate(tuning.tracking.gate_probability, 3))
        self.filter, self.pair = engine_named(tuning.tracking.filter), PAIRINGS[tuning.tracking.pairing]
        self.noise = accuracy_of(tuning.radar)
        self.open_to = {name: open_directions(mount, tuning) for name, mount in self.mounts.items()}
        self.dropped = {"late": 0, "repeated": 0, "future": 0, "unknown": 0, "stuck": 0}
        radar = tuning.radar
        self.repeats = {name: Repeats(radar.noise, radar.false_alarms_per_scan) for name in self.mounts}
        self.usual = {name: Usual() for name in self.mounts}
        self.looked_s = {}  # of each radar, when its last scan was taken that says something of gaps
        self.still = StillMemory()
        self._history = EgoHistory(keep_s=3.0)
        self._bank, self._entries = empty_bank(), []
        self._names, self._next_name = {}, 1
        self.wedge = WedgeKeeper(tuning)
        self._now_s = -math.inf

    def step(self, scans, ego):
        """Work in the scans that have arrived and give all tracks at `ego.time_s`.

        Parameters
        ----------
        scans : sequence of Scan
            In any order.
        ego : Ego
            Own motion now; time must grow from call to call.

        Returns
        -------
        Tracks

        Raises
        ------
        InputError
            If time does not grow.
        """
        if ego.time_s <= self._now_s:
            raise InputError(f"ego.time_s must grow, got {ego.time_s} after {self._now_s}")
        self._history.add(ego)
        self._now_s = ego.time_s
        for scan in sorted(scans, key=lambda scan: (scan.taken_s, scan.sensor)):
            self._accept(scan)
        self._forget()
        timeout_s = self.tuning.decision.data_timeout_s
        awake = np.array([age(ego.time_s, self.looked_s.get(name, math.nan)) <= timeout_s for name in self.mounts])
        return self.wedge.step(self._tracks_now(), ego, awake)

    def _accept(self, scan):
        reason = self._reason_to_drop(scan)
        if reason:
            self.dropped[reason] += 1
            return
        sparse = self.usual[scan.sensor].sparse(len(scan), scan.taken_s)
        entry = self.entry_of(scan, scan.health == Health.OK and not sparse)
        if entry.sees:
            self.looked_s[scan.sensor] = max(scan.taken_s, self.looked_s.get(scan.sensor, -math.inf))
        place = self._place(scan)
        again = self._entries[place:]
        if again:
            self._bank = again[0].before
            self.still.back_to(*again[0].order)
        del self._entries[place:]
        for one in [entry, *again]:
            one.before = self._bank.copy()
            self._entries.append(one)
            take_in(self, one)

    def _place(self, scan):
        """Where a scan belongs among those worked in."""
        order, entries = (scan.taken_s, scan.sensor), self._entries
        if not entries or entries[-1].order < order:  # nearly always the latest
            return len(entries)
        return bisect.bisect_left(entries, order, key=lambda known: known.order)

    def entry_of(self, scan, sees):
        """A scan with its clusters, not yet worked in; unless it `sees`, nobody is missed who is not in it."""
        ego = self._history.at(scan.taken_s)
        return Entry(scan, measure(scan, ego, self.mounts[scan.sensor], self.noise, self.settings), self._bank, sees)

    def _reason_to_drop(self, scan):
        if scan.sensor not in self.mounts:
            return "unknown"
        if math.isinf(age(self._now_s, scan.taken_s)):
            return "future"
        if scan.taken_s < self._now_s - self.tuning.tracking.late_s - 1e-9:
            return "late"
        place = self._place(scan)
        if place < len(self._entries) and self._entries[place].order == (scan.taken_s, scan.sensor):
            return "repeated"
        return "stuck" if self.repeats[scan.sensor].seen(scan, self._history.at(scan.taken_s).pose) else None

    def _forget(self):
        """Drop snapshots older than any scan that may still be worked in."""
        oldest_s = self._now_s - self.tuning.tracking.late_s - 0.1
        while self._entries and self._entries[0].taken_s < oldest_s:
            del self._entries[0]
        self.still.forget(oldest_s)

    @property
    def bank(self):
        """The tracks at the latest scan, as arrays (to be changed only by `take_in`)."""
        return self._bank

    def _tracks_now(self):
        bank = self._bank.copy()
        self.filter.advance(bank, max(self._now_s, bank.time_s), self.settings)
        return self._report(bank)

    def _report(self, bank):
        tuning, people, now_s = self.tuning.tracking, self.tuning.people, self._now_s
        here = self._history.at(now_s).pose
        treated = people.treat_small_still_as_person
        stage, shown = stages(bank.states, bank.modes, bank.life, now_s, here.x_m, here.y_m,
                              tuning.possible_hits, treated, self.settings)  # fmt: skip
        bank.keep(shown)
        state, covariance = combined(bank.states, bank.covariances, bank.modes)
        standing = bank.modes[:, 0].copy()
        at_edge = np.where(bank.life[:, column.BELIEVED] > 0.5, bank.life[:, column.EDGE_SHARE], 0.0)
        before = self.wedge.before_bumper(state[:, :2], here)
        covariance = reported(covariance, state, standing, stage[shown], at_edge, before, tuning)
        standing_for_s, ago_s = standing_times(
            bank.life, standing, now_s, people.standing_probability, people.after_standing_s
        )
        return Tracks(
            time_s=now_s,
            ids=self._named(bank.life[:, column.KEY]),
            stage=stage[shown],
            state=state,
            covariance=covariance,
            existence=bank.existence,
            standing=standing,
            extent_m=np.maximum(people.body_radius_m, bank.life[:, column.WIDTH_M] / 2 + tuning.body_offset_m),
            age_s=now_s - bank.life[:, column.BORN_S],
            last_seen_s=bank.life[:, column.SEEN_S].copy(),
            standing_for_s=standing_for_s,
            stood_ago_s=ago_s,
            hits=bank.life[:, column.HITS].astype(np.int64),
        )

    def _named(self, keys):
        """Short names, given when a track is first shown and never again to another."""
        for key in keys:
            if key not in self._names:
                self._names[key] = self._next_name
                self._next_name += 1
        return np.array([self._names[key] for key in keys], np.int64)

    def checkpoint(self):
        """All memory as plain values and arrays, for `restore` in a tracker with the same tuning."""
        return saved_tracker(self)

    def restore(self, saved):
        """Go on from a checkpoint as if nothing had been between."""
        restore_tracker(self, saved)


def open_directions(mount, tuning):
    """Whether a radar sees past the vehicle's own body and in its field of view, (361,) bool by degree from -180."""
    azimuth = np.radians(np.arange(-180, 181))
    inside = np.abs(azimuth) <= math.radians(tuning.radar.field_of_view_deg) / 2
    return inside & ~behind_own_body(mount, tuning.vehicle, azimuth)


@compiled
def stages(states, modes, life, now_s, here_x_m, here_y_m, possible_hits, treated, settings):
    """Stage of each track, (n,) int8, and whether it is handed out, (n,) bool."""
    n = len(life)
    stage, shown = np.full(n, TENTATIVE, np.int8), np.zeros(n, np.bool_)
    for i in range(n):
        believed, moved = life[i, column.BELIEVED] > 0.5, life[i, column.MOVED] > 0.5
        hits = life[i, column.HITS]
        if life[i, column.STILL_BORN] > 0.5 and not moved:
            if modes[i, 0] >= STIRS_BELOW:
                stage[i] = POSSIBLE
            dx, dy = states[i, 0, 0] - here_x_m, states[i, 0, 1] - here_y_m
            near = math.sqrt(dx * dx + dy * dy) <= settings[of.POSSIBLE_RANGE_M]
            shown[i] = treated and near and hits >= possible_hits
        else:
            existence = life[i, column.OBSERVABLE] + life[i, column.UNOBSERVABLE]
            lost = existence < LEAST_EXISTENCE or (hits < 3 and now_s - life[i, column.SEEN_S] > TWO_SCANS_S)
            shown[i] = believed or (moved and hits >= 2 and not lost)
        if believed:
            lately = now_s - life[i, column.SEEN_S] <= settings[of.COASTING_S] or life[i, column.MISSES] < 1
            stage[i] = CONFIRMED if lately else COASTING
    return stage, shown
