"""A tracker's whole memory as plain values and arrays, and back."""

import numpy as np

from avoidkit.checks import InputError
from avoidkit.frames import Pose
from avoidkit.sensing.records import Health, Scan
from avoidkit.tracking.bank import Bank
from avoidkit.tracking.scan import take_in
from avoidkit.vehicle import Ego, EgoHistory

NEEDED = {"now_s", "dropped", "bank", "entries", "before", "still", "egos", "keys", "names", "next_name", "wedge"}
BANK = ("states", "covariances", "modes", "life")


def plain_bank(bank):
    """A bank as a dict of its time and arrays."""
    return {"time_s": float(bank.time_s)} | {name: getattr(bank, name).copy() for name in BANK}


def bank_from(plain):
    """The inverse of `plain_bank`."""
    return Bank(float(plain["time_s"]), *(np.array(plain[name], dtype=float) for name in BANK))


def plain_scan(scan):
    """A scan as a dict of plain values and arrays."""
    return {name: getattr(scan, name) for name in Scan.__slots__} | {"health": str(scan.health)}


def scan_from(plain):
    """The inverse of `plain_scan`."""
    return Scan(**plain | {"health": Health(plain["health"])})


def saved_tracker(tracker):
    """Everything that `restore_tracker` needs.

    Of the snapshots before each scan only the first is kept: clusters and the others follow from the scans by
    working them in again, and would be two thirds of a recording's size.
    """
    egos = tracker._history._egos
    return {
        "now_s": tracker._now_s,
        "dropped": dict(tracker.dropped),
        "bank": plain_bank(tracker._bank),
        "entries": [plain_scan(entry.scan) for entry in tracker._entries],
        "sees": [entry.sees for entry in tracker._entries],
        "usual": {name: usual.checkpoint() for name, usual in tracker.usual.items()},
        "looked_s": dict(tracker.looked_s),
        "before": plain_bank(tracker._entries[0].before) if tracker._entries else None,
        "still": tracker.still.checkpoint(),
        "repeats": {name: watch.checkpoint() for name, watch in tracker.repeats.items()},
        "egos": np.array(
            [
                [e.time_s, e.pose.x_m, e.pose.y_m, e.pose.yaw_rad, e.speed_mps, e.steering_rad, e.yaw_rate_radps]
                for e in egos
            ]
        ).reshape(-1, 7),
        "keys": np.array(list(tracker._names), dtype=float),
        "names": np.array(list(tracker._names.values()), dtype=np.int64),
        "next_name": tracker._next_name,
        "wedge": tracker.wedge.checkpoint(),
    }


def restore_tracker(tracker, saved):
    """Put a tracker into the state of `saved_tracker`."""
    missing = NEEDED - set(saved)
    if missing:
        raise InputError(f"checkpoint of the tracker lacks {', '.join(sorted(missing))}")
    tracker._now_s = float(saved["now_s"])
    tracker.dropped |= {key: int(value) for key, value in saved["dropped"].items()}
    tracker._bank = bank_from(saved["bank"])
    tracker.still.restore(saved["still"])
    for name, memory in saved.get("repeats", {}).items():
        tracker.repeats[name].restore(memory)
    for name, memory in saved.get("usual", {}).items():
        tracker.usual[name].restore(memory)
    tracker.looked_s = {name: float(at) for name, at in saved.get("looked_s", {}).items()}
    tracker._history = EgoHistory(keep_s=3.0)
    for t, x, y, yaw, speed, steering, yaw_rate in np.asarray(saved["egos"], float).reshape(-1, 7).tolist():
        tracker._history.add(Ego(t, Pose(x, y, yaw), speed, steering, yaw_rate))
    tracker._entries = []
    if saved["entries"]:
        sees = saved.get("sees", [True] * len(saved["entries"]))
        _work_in_again(tracker, map(scan_from, saved["entries"]), map(bool, sees), bank_from(saved["before"]))
    tracker._names = {float(k): int(v) for k, v in zip(saved["keys"], saved["names"], strict=True)}
    tracker._next_name = int(saved["next_name"])
    tracker.wedge.restore(saved["wedge"])


def _work_in_again(tracker, scans, sees, before):
    """Rebuild the snapshots of the last scans, as is done when a late scan comes."""
    tracker._bank = before
    for scan, seen in zip(scans, sees, strict=True):
        entry = tracker.entry_of(scan, seen)
        entry.before = tracker._bank.copy()
        tracker._entries.append(entry)
        take_in(tracker, entry)
