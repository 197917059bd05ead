"""What the page asks about, checked: where people and movable things are, and the vehicle on its path."""

import math
from dataclasses import dataclass

import numpy as np

from avoidkit.checks import InputError
from avoidkit.views.answers import obstacle_at

MOVABLE = {"trolley": "trolleys", "parked": "parked"}
MOST_PEOPLE, MOST_BLOCKS = 40, 40


@dataclass(frozen=True, slots=True)
class Asked:
    """One question of the page.

    Attributes
    ----------
    people : tuple of (x, y, vx, vy)
        m and m/s, scene frame.
    along_m : float
        Of the vehicle on the reference path.
    blocks : tuple of (kind, index, x, y, yaw_deg, length_m, width_m), or None
        Trolleys and parked vehicles; `index` is that in the scene's own list, -1 for one that was added. None: as in
        the scene.
    """

    people: tuple = ()
    along_m: float = 0.0
    blocks: tuple | None = None

    def scene_of(self, scene):
        """The scene with its movable things where the page has them; the very same where nothing was moved."""
        if self.blocks is None or self.blocks == blocks_of(scene):
            return scene
        lists = {key: [] for key in MOVABLE.values()}
        for kind, index, *place in self.blocks:
            lists[MOVABLE[kind]].append(_moved(scene, kind, index, place, len(lists[MOVABLE[kind]])))
        return scene.replace(lists)

    def require_standable(self, scene, tuning):
        """Raise `InputError` where somebody stands inside a thing or the vehicle."""
        for x, y, _, _ in self.people:
            inside = obstacle_at(scene, tuning, (x, y), self.along_m)
            if inside:
                raise InputError(f"Nobody can stand there: {inside}.")


def blocks_of(scene):
    """The movable things of a scene, as in `Asked`."""
    return tuple(
        (kind, k, *(round(float(getattr(thing, key)), 6) for key in ("x_m", "y_m", "yaw_deg", "length_m", "width_m")))
        for kind, key in MOVABLE.items()
        for k, thing in enumerate(getattr(scene, key))
    )


def asked_of(content, scene):
    """A question from a message of the page.

    Raises
    ------
    InputError
        Where a number is not finite, or there are too many of anything, or a kind is unknown.
    """
    people = np.asarray(content.get("people", []), float).reshape(-1, 4)
    along_m = float(content.get("along", 0.0))
    if not (np.isfinite(people).all() and math.isfinite(along_m)):
        raise InputError("places and velocities must be finite")
    if len(people) > MOST_PEOPLE:
        raise InputError(f"at most {MOST_PEOPLE} people were wanted, got {len(people)}")
    along_m = min(max(along_m, 0.0), scene.reference.length_m)
    blocks = content.get("blocks")
    return Asked(tuple(map(tuple, people.tolist())), along_m, None if blocks is None else _blocks(blocks))


def _blocks(rows):
    if len(rows) > MOST_BLOCKS:
        raise InputError(f"at most {MOST_BLOCKS} movable things were wanted, got {len(rows)}")
    blocks = []
    for kind, index, *numbers in rows:
        numbers = [round(float(value), 6) for value in numbers]
        if kind not in MOVABLE or len(numbers) != 5 or not np.isfinite(numbers).all():
            raise InputError("a movable thing must be a trolley or a parked vehicle with five finite numbers")
        blocks.append((kind, int(index), *numbers))
    return tuple(blocks)


def _moved(scene, kind, index, place, number):
    """The plain data of a movable thing of the scene at another place, or of a new one."""
    x, y, yaw_deg, length_m, width_m = place
    own = getattr(scene, MOVABLE[kind])
    plain = own[index].model_dump(mode="json", exclude_none=True) if 0 <= index < len(own) else None
    plain = plain or {"name": f"{kind} {number + 1} of the bench"}
    wrapped = math.remainder(yaw_deg, 360.0)
    return plain | {"x_m": x, "y_m": y, "yaw_deg": wrapped, "length_m": length_m, "width_m": width_m}
