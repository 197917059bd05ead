"""Who plays in a scene and what goes wrong in it, as checked models: people, hold-to-run, faults.

Places are m in the scene frame; angles in the file are degrees and say so. Times are s from the start.
"""

from itertools import pairwise
from typing import Annotated, Literal

import numpy as np
from pydantic import Field, field_validator, model_validator

from avoidkit.tuning import Model, RadarMounts, degrees, did_you_mean, metres, seconds, switch
from avoidkit.walks import JUMP_MPS, Walk, fastest_step, find_walks_file, recorded_walk
from avoidkit.yard import Number, Point, at_least, complain, many

RADARS = tuple(RadarMounts.model_fields)
NotNegative = Annotated[float, Field(ge=0.0, le=600.0)]
FAULTY = (*RADARS, "ultrasonic", "link")


class Place(Model):
    """A place on the ground."""

    x_m: Number
    y_m: Number


class Step(Model):
    """A place at a time."""

    t_s: float = seconds(-600.0, 3600.0, doc="time from the start; before 0 they are on their way already")
    x_m: Number
    y_m: Number


class PersonModel(Model):
    """Somebody in the yard: a written walk, a place, or a recorded walker.

    A walk ends as it began: it goes on with the velocity of its last second, so that one who shall stay
    needs a last second of standing, or `walks_on_s`. Nothing keeps somebody who walks on for ever from walking
    through a wall: only the walk itself is checked, and what `walks_on_s` adds.
    """

    name: str = Field(min_length=1, max_length=80, description="unique in the scene")
    kind: Literal["adult", "child"] = "adult"
    role: Literal["guest", "operator"] = "guest"
    stands_at: Place | None = Field(default=None, description="stands there for the whole drive")
    stays_within_m: float | None = Field(
        default=None,
        ge=3.0,
        le=20.0,
        description="one who stands walks up when the middle of the vehicle is farther [m]",
    )
    walk: Annotated[tuple[Step, ...] | None, at_least(1)] = Field(
        default=None, strict=False, description="places by time", json_schema_extra={"minItems": 1}
    )
    walks_file: str | None = Field(
        default=None, min_length=1, description="recorded walks, beside the scene or with the open data"
    )
    id: int | None = Field(default=None, ge=0, description="the walker's id in that file")
    shift_m: Point = Field(default=(0.0, 0.0), strict=False, description="moves a recorded walk, after the turn [m]")
    turn_deg: float = degrees(-360, 360, 0.0, doc="turns a recorded walk about the file's origin")
    start_s: float = seconds(-600.0, 3600.0, 0.0, doc="time of the first recorded place")
    file_clock: bool = switch(False, doc="start_s is the time of the file's frame 0, so that walkers keep their times")
    walks_on_s: tuple[NotNegative, NotNegative] | None = Field(
        default=None,
        strict=False,
        description="before its first place and after its last a walk goes straight on for so long [s], then stands; "
        "else for ever",
    )
    smooth_s: float | None = Field(
        default=None, ge=0.0, le=5.0, description="window of the moving average [s], else 1.0 written, 0.5 recorded"
    )
    facing_deg: float | None = Field(
        default=None, ge=-360, le=360, description="where one who stands looks, else where they go first"
    )
    height_m: float | None = Field(
        default=None, ge=0.4, le=2.5, description="else 1.72 m for an adult, 1.15 m for a child"
    )

    @field_validator("walk")
    @classmethod
    def _walk_is_walkable(cls, walk):
        for k, (a, b) in enumerate(pairwise(walk or ()), start=1):
            if b.t_s <= a.t_s:
                complain([((k, "t_s"), f"a time after the {a.t_s:g} s of the place before was wanted", b.t_s)])
        if walk:
            times, xy = np.array([s.t_s for s in walk]), np.array([[s.x_m, s.y_m] for s in walk])
            k, fastest = fastest_step(times, xy)
            if fastest > JUMP_MPS:
                complain(
                    [
                        (
                            (k + 1,),
                            f"at most {JUMP_MPS:g} m/s from the place before was wanted, got {fastest:.1f} m/s",
                            {},
                        )
                    ]
                )
        return walk

    @model_validator(mode="after")
    def _one_way_of_moving(self):
        given = [key for key in ("stands_at", "walk", "walks_file") if getattr(self, key) is not None]
        if len(given) != 1:
            raise ValueError(f"one of stands_at, walk and walks_file was wanted, got {' and '.join(given) or 'none'}")
        if self.walks_file is not None and self.id is None:
            raise ValueError("walks_file needs the id of a walker in it, got none")
        if self.walks_file is None:
            for key in ("id", "shift_m", "turn_deg", "start_s", "file_clock"):
                if getattr(self, key) != type(self).model_fields[key].default:
                    raise ValueError(f"{key} goes with walks_file only, got {key} = {getattr(self, key)}")
        if self.walks_on_s is not None and self.stands_at is not None:
            raise ValueError("walks_on_s goes with a walk only, got it with stands_at")
        if self.stays_within_m is not None and self.stands_at is None:
            raise ValueError("stays_within_m goes with stands_at only, got it with a walk")
        return self

    @property
    def tall_m(self):
        """Height, m, given or that of the kind."""
        return self.height_m if self.height_m is not None else {"adult": 1.72, "child": 1.15}[self.kind]

    def walk_of(self, recorded=None):
        """The `Walk`, without contacts; `recorded` is (t_s, xy) where it comes from a file."""
        window = self.smooth_s if self.smooth_s is not None else (1.0 if recorded is None else 0.5)
        if recorded is not None:
            return self._ended(Walk(*recorded, window))
        steps = self.walk if self.walk is not None else (Step(t_s=0.0, x_m=self.stands_at.x_m, y_m=self.stands_at.y_m),)
        walk = Walk(np.array([s.t_s for s in steps]), np.array([[s.x_m, s.y_m] for s in steps]), window)
        return self._ended(walk)

    def _ended(self, walk):
        """The walk, with its straight extensions cut off after `walks_on_s`."""
        if self.walks_on_s is None:
            return walk
        before_s, after_s = self.walks_on_s
        t_s, xy = walk.t_s, walk.xy
        first, last = xy[:1] - before_s * walk.slopes[0], xy[-1:] + after_s * walk.slopes[-1]
        t_s = np.concatenate([t_s[:1] - before_s, t_s, t_s[-1:] + after_s])
        grows = np.concatenate([[before_s > 0], np.ones(len(xy), bool), [after_s > 0]])
        return Walk(t_s[grows], np.concatenate([first, xy, last])[grows], walk.smooth_s, True)


def walk_of(person, folder=""):
    """The `Walk` of a person; recorded ones are read from their file."""
    if person.walks_file is None:
        return person.walk_of()
    path = find_walks_file(person.walks_file, folder)
    how = {key: getattr(person, key) for key in ("shift_m", "start_s", "file_clock")}
    track = recorded_walk(path, person.id, turn_rad=np.radians(person.turn_deg), **how)
    return person.walk_of(track)


class Press(Model):
    """The button of the remote device is held from one time to another."""

    from_s: float = seconds(0.0, 3600.0, doc="pressed")
    to_s: float = seconds(0.0, 36000.0, doc="released")

    @model_validator(mode="after")
    def _order(self):
        if self.to_s <= self.from_s:
            raise ValueError(f"to_s after from_s = {self.from_s:g} was wanted, got to_s = {self.to_s:g}")
        return self


class HoldModel(Model):
    """Hold-to-run: timed presses, or an operator who presses, and renews once the vehicle is ready again."""

    mode: Literal["operator", "timed"] = "operator"
    press_at_s: float = seconds(0.0, 3600.0, 1.0, doc="operator: first press")
    reaction_s: float = seconds(0.0, 60.0, 1.0, doc="operator: time from seeing that the vehicle is ready until acting")
    release_s: float = seconds(0.05, 10.0, 0.3, doc="operator: time between releasing and pressing anew")
    presses: tuple[Press, ...] = many(doc="timed: when the button is held")
    distance_m: float = metres(0.0, 50.0, 3.0, doc="distance of the remote device where no person is the operator")

    @field_validator("presses")
    @classmethod
    def _presses_in_order(cls, presses):
        for k, (a, b) in enumerate(pairwise(presses), start=1):
            if b.from_s <= a.to_s:
                complain([((k, "from_s"), f"a time after the release at {a.to_s:g} s was wanted", b.from_s)])
        return presses

    @model_validator(mode="after")
    def _presses_with_timed(self):
        if self.presses and self.mode != "timed":
            raise ValueError('presses go with mode = "timed" only, got mode = "operator"')
        return self


# kind: (unit, least, most, what amount means); no unit: no amount; only a blind sensor may do without
FAULT_KINDS = {
    "dead": ("", 0.0, 0.0, "nothing arrives any more"),
    "blind": ("1", 0.0, 1.0, "share of its range that dirt leaves"),
    "stuck": ("", 0.0, 0.0, "the last returns are sent again and again"),
    "lost": ("", 0.0, 0.0, "no word of the remote device arrives"),
    "misaligned": ("deg", -45.0, 45.0, "turned counter-clockwise from where it should look"),
    "late": ("s", 0.0, 5.0, "added to the time until it arrives"),
    "clock_offset": ("s", -5.0, 5.0, "added to the time at which it says it was taken"),
    "dropping": ("1", 0.0, 1.0, "share that gets lost"),
    "ghosts": ("1", 0.0, 50.0, "mean number of added returns per scan"),
}
LINK_KINDS = ("late", "dropping", "lost")


class Fault(Model):
    """Something goes wrong with one sensor, or the link of the remote device, for a time."""

    sensor: str = Field(description=f"one of {', '.join(FAULTY)}")
    kind: Literal["dead", "blind", "stuck", "lost", "misaligned", "late", "clock_offset", "dropping", "ghosts"]
    from_s: float = seconds(0.0, 3600.0, doc="begins")
    to_s: float = seconds(0.0, 36000.0, doc="ends")
    amount: float | None = Field(default=None, description="how much, in the unit of the kind: see FAULT_KINDS")

    @field_validator("sensor")
    @classmethod
    def _known(cls, sensor):
        if sensor not in FAULTY:
            raise ValueError(f"one of {', '.join(FAULTY)} was wanted{did_you_mean(sensor, FAULTY)}")
        return sensor

    @model_validator(mode="after")
    def _fits(self):
        if self.to_s <= self.from_s:
            raise ValueError(f"to_s after from_s = {self.from_s:g} was wanted, got to_s = {self.to_s:g}")
        if self.sensor == "link" and self.kind not in LINK_KINDS:
            raise ValueError(f"a kind of {', '.join(LINK_KINDS)} was wanted for the link, got kind = {self.kind!r}")
        if self.sensor != "link" and self.kind == "lost":
            raise ValueError("kind 'lost' is for the link only, got sensor = " + repr(self.sensor))
        if self.sensor == "ultrasonic" and self.kind == "misaligned":
            raise ValueError("kind 'misaligned' is for radars only, got sensor = 'ultrasonic'")
        unit, low, high, meaning = FAULT_KINDS[self.kind]
        if not unit and self.amount is not None:
            raise ValueError(f"no amount was wanted with kind {self.kind!r}, got amount = {self.amount:g}")
        if self.kind == "blind" and self.amount is None:
            return self
        if unit and (self.amount is None or not low <= self.amount <= high):
            raise ValueError(
                f"amount from {low:g} to {high:g} {unit} ({meaning}) was wanted, got amount = {self.amount}"
            )
        return self
