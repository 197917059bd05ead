"""Every parameter of the kit, in frozen, checked models with units and bounds; load, save, replace, differ.

Bounds, unit, step, one line of doc and the source of the default stand beside each field. The check of a
file, the printed JSON schema and the sliders of the bench all come from there.
"""

import hashlib
import json
from pathlib import Path

from pydantic import Field, model_validator

from avoidkit.checks import InputError
from avoidkit.parameters import (  # noqa: F401  (passed on: whoever makes a model of parameters finds all of it here)
    PLACEHOLDER,
    PRACTICE,
    Model,
    acceleration,
    degrees,
    did_you_mean,
    field_names,
    fields,
    flat,
    metres,
    quantity,
    read_toml,
    seconds,
    share,
    speed,
    switch,
    toml_over,
    toml_text,
    validated,
    write_text,
)
from avoidkit.sensor_tuning import Mount, RadarMounts, RadarTuning, UltrasonicTuning  # noqa: F401  (passed on)
from avoidkit.tracking_tuning import TrackingTuning

THRUN = "Thrun, Burgard and Fox, Probabilistic Robotics, ch. 9"
MEASURED = "measured envelope: 1,066 pedestrians at an intersection and 208 beside a slow cart"


class VehicleTuning(Model):
    """The shuttle van: outline, steering limits, brakes, speeds."""

    length_m: float = metres(2.0, 8.0, 4.80, doc="overall length")
    width_m: float = metres(1.0, 2.6, 1.86, doc="overall width, mirrors folded")
    wheelbase_m: float = metres(1.0, 5.0, 2.90, doc="front axle to rear axle")
    rear_overhang_m: float = metres(0.0, 2.0, 0.95, doc="rear axle to the rear end")
    steering_max_deg: float = degrees(10, 60, 36.0, doc="greatest road-wheel angle of the bicycle model")
    steering_rate_max_deg_per_s: float = quantity(
        "deg/s", 5, 120, 35.0, step=1.0, doc="fastest change of the road-wheel angle"
    )
    latency_s: float = seconds(0.0, 1.0, 0.15, doc="time from the order to brake until the brake begins to act")
    brake_build_up_s: float = seconds(0.0, 1.0, 0.10, doc="time from the brake's first action until it is fully there")
    brake_mps2: float = acceleration(0.5, 9.0, 4.0, doc="deceleration with the brake fully built up")
    accel_mps2: float = acceleration(0.1, 3.0, 0.8, doc="greatest acceleration when driving off")
    creep_mps: float = speed(0.05, 1.0, 0.30, doc="slowest speed that can be held; a cap below it is 0")
    top_mps: float = speed(0.2, 2.77, 1.20, doc="greatest speed of the function; UN R79 category A allows 10 km/h")

    @model_validator(mode="after")
    def _proportions(self):
        if self.rear_overhang_m + self.wheelbase_m >= self.length_m:
            raise ValueError("rear_overhang_m + wheelbase_m must be below length_m")
        if self.creep_mps > self.top_mps:
            raise ValueError("creep_mps must not be above top_mps")
        return self


class FreeSpaceTuning(Model):
    """Scans, echoes and tracks to the grid."""

    cell_m: float = metres(0.05, 0.5, 0.10, step=0.05, doc="edge of a cell")
    size_m: float = metres(12.0, 80.0, 30.0, step=1.0, doc="edge of the square grid that travels with the vehicle")
    ahead_m: float = metres(0.0, 20.0, 5.0, step=0.5, doc="how far the grid's middle lies ahead of the vehicle's")
    start_clear_m: float = metres(
        0.0, 2.0, 0.50, doc="width round the outline that the operator declares free at the start"
    )
    evidence_range_m: float = metres(
        3.0, 60.0, 15.0, step=0.5, doc="beyond this range the absence of a return is no evidence of free space"
    )
    evidence_probability: float = share(
        0.8,
        low=0.3,
        high=0.99,
        doc="the absence of a return frees a cell only where one scan detects a weak adult at least this surely",
    )
    free_probability: float = share(
        0.40,
        low=0.05,
        high=0.49,
        doc="probability that a cell is occupied, judged by one scan without a return",
        source=THRUN,
    )
    occupied_probability: float = share(
        0.70, low=0.51, high=0.99, doc="probability that a cell is occupied, judged by one return in it", source=THRUN
    )
    edge_probability: float = share(
        0.60, low=0.5, high=0.99, doc="probability that a cell between two returns of one edge is occupied"
    )
    echo_free_probability: float = share(
        0.30,
        low=0.05,
        high=0.49,
        doc="probability that a cell is occupied, judged by one ultrasonic round that hears nothing so near",
    )
    echo_occupied_probability: float = share(
        0.55, low=0.5, high=0.99, doc="probability that a cell on the arc of an echo is occupied"
    )
    echo_range_m: float = metres(
        0.5, 5.0, 2.5, step=0.1, doc="beyond this range silence of the ultrasonics is no evidence"
    )
    echo_arc_m: float = metres(0.0, 4.0, 1.0, step=0.1, doc="an echo nearer than this of no known thing veils its arc")
    echo_margin_m: float = metres(0.0, 0.5, 0.10, doc="free ends so far before an echo, and a tenth of its distance")
    known_free_probability: float = share(
        0.12, low=0.01, high=0.4, doc="known free is a cell occupied with at most this"
    )
    known_occupied_probability: float = share(0.80, low=0.5, high=0.99, doc="occupied is a cell with at least this")
    least_probability: float = share(0.03, low=0.001, high=0.3, doc="no evidence takes a cell below this")
    greatest_probability: float = share(0.95, low=0.6, high=0.999, doc="no evidence takes a cell above this")
    return_margin_m: float = metres(0.0, 1.0, 0.20, doc="free ends so far before a radar's return")
    remember_s: float = seconds(0.0, 1.0, 0.15, doc="what a return hides stays hidden so long after it was seen")
    distrust_s: float = seconds(
        0.0, 60.0, 3.0, step=0.1, doc="a radar frees nothing for so long after most known things stopped returning"
    )
    azimuth_sigma_deg: float = degrees(
        0.2, 10, 1.5, step=0.1, doc="a return marks cells up to twice this to either side"
    )
    edge_link_m: float = metres(0.0, 3.0, 1.2, step=0.05, doc="returns nearer to each other belong to one edge")
    fade_s: float = seconds(
        0.2, 60.0, 4.0, step=0.1, doc="cells in nobody's view fade towards unknown with this time constant"
    )
    unseen_after_s: float = seconds(0.05, 2.0, 0.25, doc="a cell not looked at for so long is in nobody's view")
    wedge_m: float = metres(
        0.0, 8.0, 4.0, step=0.1, doc="so near the outline cells that no radar can see keep their state"
    )
    strip_m: float = metres(
        0.0, 1.5, 0.5, doc="blind cells so near the outline stay free, as exposed, if somebody could have entered"
    )
    doubt_s: float = seconds(
        0.0, 60.0, 2.0, step=0.1, doc="whoever enters a wedge unseen stays unseen in it for no longer than this"
    )
    person_across_m: float = metres(0.1, 1.0, 0.4, doc="whoever may come out of unseen cells is at least so wide")
    recentre_m: float = metres(
        0.2, 5.0, 2.0, step=0.1, doc="the grid moves on when the vehicle is so far from its middle"
    )


class PeopleTuning(Model):
    """The envelope inside which people are taken to move."""

    body_radius_m: float = metres(
        0.1, 0.6, 0.30, doc="radius that holds a body", source="FHWA-RD-98-107: body ellipse 0.50 x 0.60 m"
    )
    standing_accel_mps2: float = acceleration(
        0.5, 6.0, 2.85, doc="acceleration of a start from standing, 99 % of people", source=MEASURED
    )
    walking_accel_mps2: float = acceleration(
        0.5, 6.0, 1.94, doc="change of a walker's velocity, p99 with sway", source=MEASURED
    )
    walking_from_mps: float = speed(
        0.2, 2.0, 1.0, doc="below this speed the acceleration of a start from standing holds"
    )
    after_standing_s: float = seconds(
        0.0, 3.0, 1.0, doc="time after having stood in which the acceleration of a start from standing holds"
    )
    top_speed_mps: float = speed(
        1.0, 8.0, 3.3, doc="greatest speed anybody reaches: hurrying out of the way; no joggers", source=MEASURED
    )
    standing_probability: float = share(
        0.9, low=0.5, high=0.999, doc="from this probability of standing on someone counts as standing"
    )
    standing_for_s: float = seconds(0.0, 3.0, 0.5, doc="time for which someone has to have stood to count as standing")
    unseen_s: float = seconds(
        0.1,
        10.0,
        1.0,
        doc="the reach of somebody out of sight grows for no longer: who came into view would have been seen",
    )
    standing_sigma_mps: float = speed(
        0.0, 1.0, 0.08, doc="velocity of someone who stands, standard deviation", step=0.01
    )
    k_sigma: float = quantity(
        "1",
        0.0,
        5.0,
        2.5,
        step=0.1,
        doc="standard deviations of position and velocity by which a person's reach is widened",
    )
    likely_standing_m: float = metres(
        0.1, 2.0, 0.35, doc="radius that holds 95 % of standing people after 2 s", source=MEASURED
    )
    likely_walking_mps: float = speed(
        0.2, 2.0, 0.95, doc="growth of the 95 % radius of a walker per second, up to 2 s", source=MEASURED
    )
    predict_s: float = seconds(1.0, 6.0, 3.0, step=0.1, doc="time ahead beyond which no walker is predicted")
    shadow_speed_mps: float = speed(
        0.5, 4.0, 1.6, doc="somebody may step out of a shadow so fast", source="ISO 13855:2010 K of walking"
    )
    possible_person_gap_m: float = metres(
        0.1, 2.0, 0.5, doc="distance kept from a small still thing that may be a person"
    )
    treat_small_still_as_person: bool = switch(True, doc="a small thing that never moved may be a person")


class DetourTuning(Model):
    """Paths round something."""

    lookahead_m: float = metres(3.0, 30.0, 14.0, step=0.5, doc="how far ahead the path is examined")
    greatest_offset_m: float = metres(
        0.5, 6.0, 3.2, step=0.1, doc="farthest that a detour goes beside the reference path"
    )
    extra_time_s: float = seconds(1.0, 120.0, 25.0, step=1.0, doc="extra time that a detour may cost")
    speed_mps: float = speed(0.1, 2.0, 0.6, doc="speed at which the steering rate has to suffice")
    steering_share: float = share(0.92, low=0.3, high=1.0, doc="share of the steering angle that a plan uses")
    spacing_m: float = metres(0.05, 0.5, 0.15, doc="distance of the poses at which a candidate is examined")
    pull_back_m: float = metres(
        0.0, 5.0, 0.0, step=0.5, doc="farthest that a standing vehicle backs off to make room for a detour; 0: never"
    )
    centre_in_gaps: bool = switch(True, doc="the reference path is moved into the middle of a gap that was measured")
    corridor_m: float = metres(
        0.2, 2.5, 1.5, step=0.1, doc="things on both sides with no more than this to spare on each are a gap"
    )


class DecisionTuning(Model):
    """Halt and wait, or go round."""

    clearance_m: float = metres(
        0.0, 1.5, 0.20, doc="distance kept between outline and every place that a person can reach"
    )
    static_clearance_m: float = metres(
        0.0, 1.0, 0.15, doc="distance kept between outline and whatever is not known to be free"
    )
    settle_s: float = seconds(0.0, 5.0, 0.4, step=0.05, doc="a detour has to be the answer so long before it is taken")
    halt_after_s: float = seconds(0.05, 5.0, 0.5, step=0.05, doc="a cap of 0 for so long is a halt, not a brake")
    resume_margin_mps: float = speed(
        0.0, 0.5, 0.1, doc="a brake is released once the speed cap is above creep speed by this"
    )
    least_brake_s: float = seconds(
        0.0, 5.0, 1.5, step=0.05, doc="a brake once begun lasts so long: somebody who comes nearer is braked for once"
    )
    foresee_s: float = seconds(
        0.0, 3.0, 2.0, step=0.25, doc="at rest it sets off only if nobody who walks on would halt it within so long"
    )
    renew_after_halt: bool = switch(True, doc="after a halt the operator releases and presses anew")
    remote_range_m: float = metres(
        1.0,
        20.0,
        6.0,
        step=0.1,
        doc="farthest that the operator may be from the vehicle",
        source="UN R79, remote controlled parking",
    )
    link_timeout_s: float = seconds(
        0.05, 2.0, 0.2, doc="age of the last word of the remote device at which motion stops"
    )
    data_timeout_s: float = seconds(0.1, 2.0, 0.3, doc="age of a radar's last scan at which its side counts as unseen")
    off_path_m: float = metres(0.0, 1.0, 0.3, step=0.05, doc="farther from its path than this the vehicle halts")
    standoff_m: float = metres(
        0.0, 4.0, 0.8, step=0.05, doc="distance kept from what blocks the path while approaching it"
    )
    guard_m: float = metres(0.0, 1.0, 0.30, doc="an unexplained ultrasonic echo this near the bumper halts")


class Tuning(Model):
    """Every parameter, one section a step."""

    name: str = Field(default="baseline", min_length=1, max_length=80, description="what this tuning is called")
    cycle_s: float = seconds(0.02, 0.2, 0.05, doc="time between two verdicts")
    vehicle: VehicleTuning = Field(default=VehicleTuning(), description="outline, steering limits, brakes, speeds")
    radar: RadarTuning = Field(default=RadarTuning(), description="corner radars")
    ultrasonic: UltrasonicTuning = Field(default=UltrasonicTuning(), description="ultrasonic ring")
    tracking: TrackingTuning = Field(default=TrackingTuning(), description="scans to tracks")
    freespace: FreeSpaceTuning = Field(default=FreeSpaceTuning(), description="scans, echoes, tracks to the grid")
    people: PeopleTuning = Field(default=PeopleTuning(), description="the envelope inside which people move")
    detour: DetourTuning = Field(default=DetourTuning(), description="paths round something")
    decision: DecisionTuning = Field(default=DecisionTuning(), description="halt and wait, or go round")

    def replace(self, changes):
        """A new tuning with dotted names changed, checked like a file.

        Examples
        --------
        >>> Tuning().replace({"decision.clearance_m": 0.4}).decision.clearance_m
        0.4
        """
        plain = self.model_dump(mode="json")
        for dotted, value in changes.items():
            *sections, last = dotted.split(".")
            place = plain
            for section in sections:
                place = place.get(section) if isinstance(place, dict) else None
            if not isinstance(place, dict) or last not in place:
                raise InputError(f"tuning has no field {dotted!r}{did_you_mean(dotted, field_names(self))}")
            place[last] = value
        return validated(Tuning, plain, "tuning")

    def differ(self, other):
        """Dotted names whose values differ, as {name: (mine, other's)}."""
        mine, others = flat(self), flat(other)
        return {key: (mine[key], others[key]) for key in mine if mine[key] != others[key]}

    @property
    def hash(self):
        """First 12 hex digits of the SHA-256 of all values but the name, in canonical JSON."""
        values = {key: value for key, value in flat(self).items() if key != "name"}
        return hashlib.sha256(json.dumps(values, sort_keys=True).encode()).hexdigest()[:12]


def load_tuning(path):
    """Read and check a tuning file; a missing key has its default.

    Raises
    ------
    InputError
        If the file cannot be read or is no TOML, or for every key that is unknown and every value out of its bounds:
        a line each, with file, field, what it got and what was wanted. Another kind of file is named as what it is.
    """
    return validated(Tuning, read_toml(path), str(path))


def save_tuning(tuning, path):
    """Write a tuning; over an old file its comments and order stay, and only what differs is changed.

    A new file holds every value with unit, bounds, meaning and source.

    Raises
    ------
    InputError
        If the old file is no TOML (it is left alone), or the file cannot be written.
    """
    path = Path(path)
    old = path.read_text(encoding="utf-8") if path.is_file() else None
    write_text(path, tuning_toml(tuning) if old is None else toml_over(old, tuning, str(path)))


def tuning_toml(tuning):
    """The text of a tuning file: every value with its unit, bounds, meaning and where the default comes from."""
    return toml_text(
        tuning,
        "A tuning of avoidkit: SI units; angles in degrees where the name says so.",
        "A desk prototype's parameters, not evidence of safety: no use on a vehicle without",
        "the responsible engineers, the applicable standards and local law.",
    )
