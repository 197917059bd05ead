"""The scene: the yard, the people and their walks, the reference path, hold-to-run and faults; load, save, change."""

import os
from functools import cached_property
from pathlib import Path

from pydantic import Field, ValidationInfo, field_validator
from pydantic.json_schema import SkipJsonSchema

from avoidkit.checks import InputError
from avoidkit.people import Crowd, People, people_at
from avoidkit.remote import OperatorHand
from avoidkit.roles import Fault, HoldModel, PersonModel, Place, Step, walk_of
from avoidkit.scene_checks import check_faults, check_path, check_people, path_of, pose_of, union_of
from avoidkit.scene_text import scene_toml
from avoidkit.tuning import (
    Model,
    VehicleTuning,
    did_you_mean,
    quantity,
    read_toml,
    seconds,
    switch,
    validated,
    write_text,
)
from avoidkit.yard import (
    KINDS,
    LISTS,
    Course,
    Edges,
    Fence,
    Kerb,
    Parked,
    Pillar,
    Start,
    Trolley,
    Wall,
    complain,
    edges_of,
    many,
)

__all__ = [
    "KINDS",
    "Crowd",
    "Edges",
    "OperatorHand",
    "People",
    "PersonModel",
    "Scene",
    "load_scene",
    "people_at",
    "recorded",
    "save_scene",
    "standing",
    "walking",
]


class Scene(Model):
    """Everything a drive plays in. Frozen: `replace` and its relatives give changed, checked copies."""

    name: str = Field(min_length=1, max_length=80, description="short name")
    title: str = Field(default="", max_length=200, description="one line for people")
    duration_s: float = seconds(0.5, 3600.0, 40.0, doc="length of the drive")
    temperature_deg_c: float = quantity("deg C", -40, 60, 20.0, doc="true air temperature", step=1.0)
    sees_under_parked: bool = switch(True, doc="radars see under what is open below")
    true_vehicle: dict[str, float] = Field(default={}, description="true values of the vehicle, over the tuning's")
    start: Start = Field(default=Start(), description="where the vehicle stands at first")
    walls: tuple[Wall, ...] = many(doc="walls")
    parked: tuple[Parked, ...] = many(doc="parked vehicles")
    trolleys: tuple[Trolley, ...] = many(doc="delivery trolleys")
    pillars: tuple[Pillar, ...] = many(doc="pillars")
    kerbs: tuple[Kerb, ...] = many(doc="kerbs")
    fences: tuple[Fence, ...] = many(doc="wire fences")
    path: Course = Field(description="the reference path")
    hold: HoldModel = Field(default=HoldModel(), description="hold-to-run")
    faults: tuple[Fault, ...] = many(doc="what goes wrong, and when")
    folder: SkipJsonSchema[str] = Field(
        default="", exclude=True, description="where files of recorded walks are looked for; not in the file"
    )
    people: tuple[PersonModel, ...] = many(doc="guests and the operator")

    @field_validator("true_vehicle")
    @classmethod
    def _true_vehicle_is_one(cls, overrides):
        known = VehicleTuning.model_fields
        unknown = [key for key in overrides if key not in known]
        complain([((key,), f"unknown key{did_you_mean(key, known)}", {}) for key in unknown])
        VehicleTuning.model_validate({**VehicleTuning().model_dump(), **overrides})
        return overrides

    @field_validator("path")
    @classmethod
    def _path_is_clear(cls, course, info: ValidationInfo):
        check_path(course, info.data)
        return course

    @field_validator("faults")
    @classmethod
    def _faults_apart(cls, faults):
        check_faults(faults)
        return faults

    @field_validator("people")
    @classmethod
    def _people_fit(cls, people, info: ValidationInfo):
        check_people(people, info.data)
        return people

    @cached_property
    def start_pose(self):
        """The first `Pose` of the vehicle."""
        return pose_of(self.start)

    @cached_property
    def reference(self):
        """The reference `Path`."""
        return path_of(self.start, self.path)

    @cached_property
    def things(self):
        """Everything that stands in the yard, as (kind, model) pairs."""
        return tuple((kind, thing) for key, kind in LISTS.items() for thing in getattr(self, key))

    @cached_property
    def polygons(self):
        """Shapes of the things seen from above, shapely polygons in the order of `things`."""
        return [thing.polygon() for _, thing in self.things]

    @cached_property
    def solid(self):
        """All shapes that stop people, as one prepared shapely geometry; None where there are none."""
        return union_of(tuple(thing for kind, thing in self.things if kind != "kerb"))

    @cached_property
    def edges(self):
        """The `Edges` of all things."""
        return edges_of(self.things, sees_under=self.sees_under_parked)

    @cached_property
    def walks(self):
        """The `Walk` of each person, in the order of `people`."""
        return tuple(walk_of(person, self.folder) for person in self.people)

    def true_vehicle_of(self, tuning):
        """The vehicle as it really is: that of the tuning with the scene's `true_vehicle` over it."""
        plain = {**tuning.vehicle.model_dump(mode="json"), **self.true_vehicle}
        return validated(VehicleTuning, plain, f"scene {self.name}: true_vehicle")

    def replace(self, changes):
        """A copy with dotted names changed, checked like a file; list items go by number.

        Examples
        --------
        >>> yard = Scene(name="yard", path={"legs": [{"direction": "forward", "segments": [{"length_m": 9.0}]}]})
        >>> yard.replace({"duration_s": 12.0, "path.legs.0.segments.0.turn_deg": 10.0}).duration_s
        12.0
        """
        plain = _plain(self)
        for dotted, value in changes.items():
            *sections, last = dotted.split(".")
            place = plain
            for section in sections:
                place = _inside(place, section, dotted)
            if isinstance(place, list):
                _inside(place, last, dotted)
                place[int(last)] = value
            else:
                place[last] = value
        return self._again(plain)

    def replace_people(self, *people):
        """A copy with these people, and no others; see `standing`, `walking`, `recorded`."""
        return self._again(_plain(self) | {"people": [_bare(person) for person in people]})

    def with_people(self, *people):
        """A copy with these people added; one who has the name of another takes their place."""
        names = {person.name for person in people}
        return self.replace_people(*(person for person in self.people if person.name not in names), *people)

    def with_person(self, name, xy, velocity=(0.0, 0.0), *, at_s=0.0, **more):
        """A copy with one more person, at `xy` m at `at_s` and always at the same `velocity`, m/s."""
        x, y = (float(v) for v in xy)
        vx, vy = (float(v) for v in velocity)
        if vx == 0 and vy == 0:
            return self.with_people(standing(name, x, y, **more))
        return self.with_people(walking(name, [(at_s, x, y), (at_s + 1, x + vx, y + vy)], **more))

    def without_guests(self):
        """A copy with nobody but the operator, if there is one."""
        return self.replace_people(*(person for person in self.people if person.role == "operator"))

    def self_contained(self):
        """A copy in which recorded walks are written out, so that it needs no other file."""
        return self.replace_people(*(_written_out(p, w) for p, w in zip(self.people, self.walks, strict=True)))

    def to_toml(self):
        """The text of a scene file with every value; `Scene.from_toml` gives an equal scene."""
        return scene_toml(self)

    @staticmethod
    def from_toml(text, where="scene", folder=""):
        """A scene from the text of a scene file; recorded walks are looked for in `folder`."""
        import tomllib

        try:
            plain = tomllib.loads(text)
        except tomllib.TOMLDecodeError as error:
            raise InputError(f"{where}: is not valid TOML: {error}") from None
        return scene_from(plain, where, folder)

    def _again(self, plain):
        return scene_from(plain, f"scene {self.name}", self.folder)


def load_scene(path):
    """Read and check a scene file; `InputError` names file, field, what it got and what was wanted."""
    return scene_from(read_toml(path), str(path), str(Path(path).parent))


def save_scene(scene, path):
    """Write a scene file; over an old one its comments and order stay, and only what differs is changed.

    Raises
    ------
    InputError
        If the old file is no TOML (it is left alone), or the file cannot be written.
    """
    from avoidkit.scene_text import scene_toml

    path = Path(path)
    if scene.folder and os.path.abspath(scene.folder) != os.path.abspath(path.parent):
        scene = scene.self_contained()
    old = path.read_text(encoding="utf-8") if path.is_file() else None
    write_text(path, scene_toml(scene, old, str(path)))


def scene_from(plain, where, folder=""):
    """A scene from plain data, checked; `where` begins every message."""
    if "folder" in plain:
        raise InputError(f"{where}: folder: unknown key")
    people = plain.get("people")
    if isinstance(people, list) and any(isinstance(person, dict) and "walks_file" in person for person in people):
        plain = plain | {"folder": folder}
    return validated(Scene, plain, where)


def standing(name, x_m, y_m, **more):
    """Somebody who stands at a place; `more` are fields of `PersonModel`, such as `kind` or `facing_deg`."""
    return PersonModel(name=name, stands_at=Place(x_m=float(x_m), y_m=float(y_m)), **more)


def walking(name, points, **more):
    """Somebody who walks by points (t_s, x_m, y_m); the last second's velocity goes on after the last."""
    steps = tuple(Step(t_s=float(t), x_m=float(x), y_m=float(y)) for t, x, y in points)
    return PersonModel(name=name, walk=steps, **more)


def recorded(name, walks_file, walker_id, **more):
    """A real walker from a file of recorded walks."""
    return PersonModel(name=name, walks_file=str(walks_file), id=int(walker_id), **more)


def _inside(place, section, dotted):
    if isinstance(place, list) and section.isdigit() and int(section) < len(place):
        return place[int(section)]
    if isinstance(place, dict) and section in place:
        return place[section]
    known = (
        [str(k) for k in range(len(place))]
        if isinstance(place, list)
        else list(place)
        if isinstance(place, dict)
        else []
    )
    raise InputError(f"scene has no field {dotted!r}: {section!r} is unknown{did_you_mean(section, known)}")


def _bare(person):
    return person.model_dump(mode="json", exclude_none=True)


def _plain(scene):
    return scene.model_dump(mode="json", exclude_none=True)


def _written_out(person, walk):
    if person.walks_file is None:
        return person
    steps = tuple(Step(t_s=float(t), x_m=float(x), y_m=float(y)) for t, (x, y) in zip(walk.t_s, walk.xy, strict=True))
    keep = {key: getattr(person, key) for key in ("name", "kind", "role", "facing_deg", "height_m")}
    on = (0.0, 0.0) if walk.ends_stand else None
    return PersonModel(walk=steps, smooth_s=walk.smooth_s, walks_on_s=on, **keep)
