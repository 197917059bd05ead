"""The records of the decision: all it may look at, and its answer with every comparison made."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

from avoidkit.shown import shown

if TYPE_CHECKING:
    from avoidkit.freespace import Grid
    from avoidkit.paths import Path
    from avoidkit.sensing.records import Echoes, Health
    from avoidkit.tracking.records import Tracks
    from avoidkit.vehicle import Ego


class Action(StrEnum):
    """The answer, once a cycle."""

    CONTINUE = "continue"  # along the active path, up to the speed cap
    DETOUR = "detour"  # along a path round something
    HALT = "halt"  # stop, or stay: nothing else was proved
    WAIT = "wait"  # stay, although the way is free: the operator has to act


@dataclass(frozen=True, slots=True)
class Hold:
    """The last word of the remote device: held or not, when sent, how far away the operator is."""

    pressed: bool
    sent_s: float
    distance_m: float


@dataclass(frozen=True, slots=True)
class Check:
    """One comparison: `found` has to be at least (or, with `at_most`, at most) `needed`."""

    name: str
    needed: float
    found: float
    unit: str
    holds: bool
    at_most: bool = False
    about: str = ""  # who or what it speaks of, such as "track 7" or "front_left"

    @property
    def slack(self):
        """By how much it holds; negative where it does not; NaN is kept."""
        return self.needed - self.found if self.at_most else self.found - self.needed


def at_least(name, found, needed, unit, about=""):
    """A check that `found >= needed`; NaN on either side does not hold."""
    return Check(name, float(needed), float(found), unit, bool(found >= needed), False, about)


def at_most(name, found, needed, unit, about=""):
    """A check that `found <= needed`; NaN on either side does not hold."""
    return Check(name, float(needed), float(found), unit, bool(found <= needed), True, about)


@dataclass(frozen=True, slots=True)
class Turn:
    """The smallest change of one quantity that would turn the verdict."""

    quantity: str
    unit: str
    now: float
    then: float
    becomes: Action


@dataclass(frozen=True, slots=True)
class Memory:
    """What one decision hands to the next; nothing else is remembered."""

    action: Action = Action.WAIT
    since_s: float = 0.0
    pending: str = ""  # answer that has not settled yet
    pending_since_s: float = math.nan  # since when, later by what spoke against it
    capped_since_s: float = math.nan  # since when the cap has been 0 while motion was wanted
    halted: bool = False  # a halt has happened that only a renewal ends
    released: bool = False  # the hold was released since that halt
    ready: bool = False  # the kit would move on once the operator acts
    search_after_s: float = -math.inf  # a standing vehicle searches no detour before


@dataclass(frozen=True, slots=True)
class Verdict:
    """The answer of one cycle, with its reasons in the order in which they were checked."""

    action: Action
    path: Path
    speed_cap_mps: float
    memory: Memory
    checks: tuple[Check, ...] = ()
    settled_by: str = ""  # name of the check that settled it
    why: str = ""  # one sentence in plain words
    turn: Turn | None = None
    candidates: tuple[Path, ...] = field(default=(), compare=False)  # a few that were examined, for drawing

    def _repr_html_(self):
        return shown(self)


@dataclass(frozen=True, slots=True)
class Situation:
    """All that a decision may look at.

    `path` is the active path (the reference, or a detour under way) and `along_m` the distance of the
    rear axle along it; `reference_along_m` the same along the reference path.
    `sensors` maps each radar to (health, taken_s of its last scan).
    """

    time_s: float
    ego: Ego
    path: Path
    along_m: float
    reference: Path
    reference_along_m: float
    tracks: Tracks
    grid: Grid
    echoes: Echoes | None
    hold: Hold
    sensors: dict[str, tuple[Health, float]]
    memory: Memory
