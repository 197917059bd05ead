"""Scans to tracks."""

from avoidkit.tracking.records import STATE, Stage, Tracks, exact_tracks, no_tracks
from avoidkit.tracking.tracker import Tracker

__all__ = ["STATE", "Stage", "Tracker", "Tracks", "exact_tracks", "no_tracks"]
