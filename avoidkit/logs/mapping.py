"""The mapping file: which channels of a foreign log are what, in which unit, and what has to be assumed.

A mapping names things of somebody else's file, so nothing in it is guessed: whatever a log does not hold is either
stated here (`stands`, `straight`, `free_space`, ...) or missing, and what is missing leads to a halt.
"""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, model_validator

from avoidkit.logs.units import UNITS, units_of
from avoidkit.parameters import Model, degrees, metres, quantity, read_toml, seconds, speed, switch, validated
from avoidkit.sensor_tuning import Mount, RadarMounts

SENSORS = tuple(RadarMounts.model_fields)
SLOT = "{slot}"
Text = Annotated[str, Field(min_length=1, max_length=300)]
Sensor = Literal["front_left", "front_right", "rear_left", "rear_right"]


def _no_path(name):
    if any(ord(c) < 32 or c in "/\\:" for c in name) or name.strip(". ") == "":
        raise ValueError("a plain name was wanted, without / \\ : and control characters")
    return name


class Channel(Model):
    """One channel of the log: value = (raw * scale + offset) in `unit`; raw values in `invalid` count as missing."""

    channel: Text = Field(description="name in the log; {slot} stands for the number of the slot")
    group: str = Field(default="", max_length=300, description="part of the log that it is in; empty: the only one")
    unit: str = Field(default="", max_length=20, description="unit of the value; empty: SI")
    scale: float = quantity("", -1e12, 1e12, 1.0, doc="factor on the raw value", source="")
    offset: float = quantity("", -1e12, 1e12, 0.0, doc="added after the factor", source="")
    invalid: tuple[float, ...] = Field(default=(), max_length=100, description="raw values that mean: no value")
    valid: str = Field(default="", max_length=300, description="channel that says whether the value is one")
    valid_is: tuple[float, ...] = Field(default=(1.0,), max_length=100, description="its raw values that mean yes")

    @property
    def factor(self):
        """Factor from `unit` to SI."""
        return UNITS[self.unit][1] if self.unit else 1.0


def _of(kind):
    """A channel whose unit, if any, is of one kind."""

    def checked(channel):
        if channel.unit and UNITS.get(channel.unit, ("",))[0] != kind:
            raise ValueError(f"unit: one of {units_of(kind)} was wanted, got {channel.unit!r}")
        return channel

    return AfterValidator(checked)


Length = Annotated[Channel, _of("length")]
Speed = Annotated[Channel, _of("speed")]
Angle = Annotated[Channel, _of("angle")]
TurnRate = Annotated[Channel, _of("turn rate")]
Time = Annotated[Channel, _of("time")]
Level = Annotated[Channel, _of("level")]
Number = Annotated[Channel, _of("number")]


class Gear(Channel):
    """The gear: the raw values that mean reverse turn the sign of an unsigned speed."""

    reverse: tuple[float, ...] = Field(min_length=1, max_length=100, description="raw values that mean reverse")


class Own(Model):
    """Own motion. Pose by dead reckoning from speed and yaw rate (or steering), unless the log holds one."""

    speed: Speed | None = Field(default=None, description="own speed")
    yaw_rate: TurnRate | None = Field(default=None, description="counter-clockwise")
    steering: Angle | None = Field(default=None, description="road-wheel angle, positive to the left")
    gear: Gear | None = Field(default=None, description="turns the sign of the speed in reverse")
    x: Length | None = Field(default=None, description="pose, if the log holds one: middle of the rear axle")
    y: Length | None = Field(default=None, description="pose, if the log holds one")
    yaw: Angle | None = Field(default=None, description="pose, if the log holds one")
    known: Number | None = Field(default=None, description="0: what the log says of own motion is not to be trusted")
    stands: bool = switch(False, doc="the vehicle stands throughout; stated, not measured")
    straight: bool = switch(False, doc="the vehicle goes straight ahead; stated where there is no yaw rate or steering")
    gap_s: float = seconds(0.01, 10.0, 0.5, doc="own motion is unknown where samples are farther apart; then: halt")

    @model_validator(mode="after")
    def _complete(self):
        pose = [part is not None for part in (self.x, self.y, self.yaw)]
        if self.stands and (self.speed or any(pose)):
            raise ValueError("stands = true and a channel of own motion contradict each other")
        if not self.stands and self.speed is None:
            raise ValueError("speed: a channel was wanted, or stands = true")
        if any(pose) and not all(pose):
            raise ValueError("x, y and yaw belong together")
        turns = self.yaw_rate or self.steering or all(pose)
        if not (self.stands or self.straight or turns):
            raise ValueError("yaw_rate: a channel was wanted, or one of steering, or straight = true")
        if self.straight and turns:
            raise ValueError("straight = true and a channel of yaw rate, steering or pose contradict each other")
        return self


class Hold(Model):
    """Hold-to-run and the operator's distance. What is neither in the log nor assumed here is: not held, not known."""

    pressed: Number | None = Field(default=None, description="not 0: held")
    distance: Length | None = Field(default=None, description="operator to vehicle")
    sent: Time | None = Field(default=None, description="when that word was sent; none: its own time; the older counts")
    assume_pressed: bool = switch(False, doc="taken as held throughout; marked as assumed")
    assume_distance_m: float | None = Field(default=None, ge=0, le=100, description="m; marked as assumed")

    @model_validator(mode="after")
    def _once(self):
        if (self.assume_pressed and self.pressed) or (self.assume_distance_m is not None and self.distance):
            raise ValueError("something cannot be both a channel and assumed")
        return self


class Layout(Model):
    """How many things of one instant are laid out: a row each, or in numbered slots."""

    layout: Literal["rows", "slots"] = Field(description="a row for each, or numbered slots of one row")
    slots: int = Field(default=0, ge=0, le=1000, description="how many slots")
    first_slot: int = Field(default=0, ge=0, le=1000, description="number of the first")
    used: Number | None = Field(default=None, description="not 0: the slot (or row) holds something")
    new_scan: Number | None = Field(
        default=None, description="rows: a counter that starts again with each scan; none: one time is one scan"
    )

    def _check_slots(self, channels):
        wants = self.layout == "slots"
        if wants != (self.slots > 0):
            raise ValueError("slots: a number above 0 was wanted with layout = 'slots', and none with 'rows'")
        for name, channel in channels.items():
            if channel is not None and (SLOT in channel.channel) != wants:
                wanted = f"{SLOT} in its name was {'' if wants else 'not '}wanted"
                raise ValueError(f"{name}: {wanted}, got {channel.channel!r}")


class Marks(Model):
    """Instants at which a radar scanned, those without returns as well; its returns have the same times, to 0.1 ms."""

    arrives: Time = Field(description="when the scan arrived, on the log's clock; one sample a scan")
    health: Number | None = Field(default=None, description="0 ok, 1 degraded, 2 blind")


class Radar(Layout):
    """The returns of one radar."""

    sensor: Sensor = Field(description="which of the four mounts of the kit stands for it")
    mount: Mount = Field(description="where it sits and looks")
    range: Length
    azimuth: Angle = Field(description="from boresight, counter-clockwise")
    range_rate: Speed = Field(description="positive when the distance grows; own motion still in it")
    snr: Level | None = Field(default=None, description="signal to noise; none: `assume_snr_db`")
    assume_snr_db: float = quantity("dB", -20, 60, 15.0, doc="where the log holds no signal to noise", step=0.5)
    latency_s: float = seconds(0.0, 0.5, 0.0, doc="scan taken until it arrives, if `marks` do not say")
    marks: Marks | None = Field(default=None, description="instants of scans, those without returns as well")

    @model_validator(mode="after")
    def _slots_fit(self):
        names = ("range", "azimuth", "range_rate", "snr", "used")
        self._check_slots({name: getattr(self, name) for name in names})
        return self


class Objects(Layout):
    """A list of objects that a sensor or another system has tracked; it stands in place of the kit's own tracker."""

    radars: tuple[Sensor, ...] = Field(min_length=1, max_length=4, description="mounts of the kit that stand behind it")
    place: Literal["vehicle", "scene"] = Field(default="vehicle", description="frame of places and velocities")
    relative: bool = Field(description="true: velocities are relative to the vehicle; false: over ground")
    x: Length
    y: Length
    vx: Speed
    vy: Speed
    id: Number | None = Field(default=None, description="stays with an object; none: the slot's number")
    existence: Number | None = Field(default=None, description="probability; none: 0.99")
    extent: Length | None = Field(default=None, description="radius; none: `extent_m`")
    extent_m: float = metres(0.1, 2.0, 0.30, doc="radius that holds a body")
    sigma_m: float = metres(0.01, 2.0, 0.15, doc="standard deviation of a place, each axis")
    sigma_mps: float = speed(0.01, 2.0, 0.2, doc="standard deviation of a velocity, each axis")
    stands_below_mps: float = speed(0.0, 1.0, 0.15, doc="slower than this over ground counts as standing")
    keep_s: float = seconds(0.02, 1.0, 0.2, doc="a list is worth something for so long; then: halt")

    @model_validator(mode="after")
    def _slots_fit(self):
        names = ("x", "y", "vx", "vy", "id", "existence", "extent", "used")
        self._check_slots({name: getattr(self, name) for name in names})
        if self.layout == "rows" and self.id is None:
            raise ValueError("id: a channel was wanted with layout = 'rows'")
        if self.place == "scene" and self.relative:
            raise ValueError("relative: false was wanted with place = 'scene'")
        return self


class Ultrasonic(Model):
    """First echoes of the ring of twelve, six in front from left to right, six behind from left to right."""

    first: tuple[Length, ...] = Field(min_length=12, max_length=12, description="first echo of each; inf: none")
    arrives: Time | None = Field(default=None, description="when the round arrived, on the log's clock")
    health: Number | None = Field(default=None, description="0 ok, 1 degraded, 2 blind")


class View(Model):
    """What the radars of the log see, in place of the tuning's."""

    field_of_view_deg: float | None = degrees(10, 180, None, doc="whole width", source="")
    range_max_m: float | None = metres(5.0, 100.0, None, doc="farthest range reported", source="")
    cycle_s: float | None = seconds(0.02, 0.2, None, doc="time between scans of one radar", source="")


class Table(Model):
    """How the text of a table (CSV) is laid out."""

    delimiter: Literal[",", ";", "\t", "|"] = Field(default=",", description="between cells")
    decimal: Literal[".", ","] = Field(default=".", description="in numbers")
    encoding: Literal["utf-8", "cp1252", "utf-16"] = Field(default="utf-8", description="of the text")
    skip_lines: int = Field(default=0, ge=0, le=1000, description="lines before the names of the channels")
    group_column: str = Field(default="", max_length=300, description="column that names each line's group")


class Blocks(Model):
    """How the text of a log of blocks of `key: value` lines is laid out."""

    separator: Text = Field(default="---", description="line between two blocks")


class Mapping(Model):
    """A mapping file as a whole."""

    name: Annotated[Text, Field(max_length=40), AfterValidator(_no_path)] = Field(description="what the log is called")
    format: Literal["csv", "mdf", "blocks"] = Field(description="kind of file")
    free_space: Literal["from_returns", "assume_free_in_view"] | None = Field(
        default=None, description="what is known free: by the radars' returns, or taken as free in their view"
    )
    ultrasonic_silent: bool = switch(False, doc="ultrasonics are taken to hear nothing; marked as assumed")
    path_ahead_m: float = metres(3.0, 50.0, 10.0, doc="the reference path goes on straight after the way driven")
    table: Table = Field(default=Table(), description="layout of a CSV file")
    blocks: Blocks = Field(default=Blocks(), description="layout of a file of blocks")
    time: tuple[Time, ...] = Field(default=(), max_length=3, description="channels that add up to the time; MDF: none")
    view: View = Field(default=View(), description="what the radars see")
    own: Own = Field(description="own motion")
    hold: Hold = Field(default=Hold(), description="hold-to-run")
    radars: tuple[Radar, ...] = Field(default=(), max_length=4, description="returns of radars")
    objects: Objects | None = Field(default=None, description="a list of objects")
    ultrasonic: Ultrasonic | None = Field(default=None, description="echoes of the ultrasonic ring")

    @model_validator(mode="after")
    def _whole(self):
        names = [radar.sensor for radar in self.radars]
        if len(set(names)) < len(names):
            raise ValueError(f"radars: each sensor once was wanted, got {', '.join(names)}")
        if (self.format == "mdf") == bool(self.time):
            raise ValueError("time: a channel was wanted; for mdf none, since its groups have a time of their own")
        if self.ultrasonic_silent and self.ultrasonic:
            raise ValueError("ultrasonic_silent = true and channels of ultrasonics contradict each other")
        if self.objects and not self.radars and self.free_space is None:
            raise ValueError(
                "free_space: 'from_returns' or 'assume_free_in_view' was wanted: an object list has no returns, "
                "so that with the first everything is unknown; the second is an assumption and is marked as one"
            )
        return self

    @property
    def assumed(self):
        """What is taken for granted rather than measured, each in a few words."""
        own, hold = self.own, self.hold
        said = {
            "free space in view": self.free_space == "assume_free_in_view",
            "ultrasonics silent": self.ultrasonic_silent,
            "vehicle stands": own.stands,
            "vehicle goes straight": own.straight,
            "hold-to-run held": hold.assume_pressed,
            f"operator {hold.assume_distance_m or 0:g} m away": hold.assume_distance_m is not None,
        }
        return [words for words, holds in said.items() if holds]


def load_mapping(path):
    """Read and check a mapping file; `InputError` names file, field, what it got and what was wanted."""
    return validated(Mapping, read_toml(path), str(path))


def mapping_of(mapping):
    """A `Mapping` as it is, or that of a file."""
    return mapping if isinstance(mapping, Mapping) else load_mapping(mapping)


def save_mapping(mapping, path):
    """Write a mapping file, only what differs from the defaults; `load_mapping` gives an equal mapping."""
    import tomlkit

    from avoidkit.parameters import write_text

    document = tomlkit.document()
    document.add(tomlkit.comment("A mapping file of avoidkit: which channel of a log is what."))
    for key, value in mapping.model_dump(mode="json", exclude_defaults=True).items():
        document.add(key, value)
    write_text(path, tomlkit.dumps(document))
