"""JSON schemas (draft 2020-12) of what goes in and out of each handed-over function, and of a file of vectors."""

from avoidkit.handover.records import SIGNS_OF_CELLS
from avoidkit.handover.wire import PROTOCOL
from avoidkit.sensing.records import Health
from avoidkit.tracking.records import Stage
from avoidkit.verdict import Action

DRAFT = "https://json-schema.org/draft/2020-12/schema"
TEXT, FLAG, WHOLE = {"type": "string"}, {"type": "boolean"}, {"type": "integer"}
NUMBER = {"$ref": "#/$defs/number"}
HEALTH = {"enum": [str(health) for health in Health]}


def ref(name):
    """One of the records below."""
    return {"$ref": f"#/$defs/{name}"}


def listed(item, n=None):
    """A list, of `n` where that is given."""
    return {"type": "array", "items": item} | ({} if n is None else {"minItems": n, "maxItems": n})


def record(**parts):
    """An object with these entries, all of them needed, and no others."""
    return {"type": "object", "properties": parts, "required": list(parts), "additionalProperties": False}


def maybe(item):
    """The same, or null."""
    return {"anyOf": [item, {"type": "null"}]}


def all_numbers(*names):
    """Entries that are numbers."""
    return dict.fromkeys(names, NUMBER)


def block(*shape):
    """Nested lists of numbers."""
    return NUMBER if not shape else listed(block(*shape[1:]), shape[0])


DEFS = {
    "number": {
        "description": "SI units and radians; what is not finite is a word",
        "anyOf": [{"type": "number"}, {"enum": ["nan", "inf", "-inf"]}],
    },
    "ego": record(**all_numbers("x_m", "y_m", "yaw_rad", "time_s", "speed_mps", "steering_rad", "yaw_rate_radps")),
    "path": record(
        name=TEXT, **{k: listed(NUMBER) for k in ("s_m", "x_m", "y_m", "yaw_rad", "curvature_1pm")},
        direction=listed({"enum": [1, -1]}),
    ),
    "track": record(
        id=WHOLE, stage={"enum": [stage.name.lower() for stage in Stage]}, hits=WHOLE, state=block(4),
        covariance=block(4, 4),
        **all_numbers(
            "existence", "standing", "extent_m", "age_s", "last_seen_s", "standing_for_s", "stood_ago_s"
        ),
    ),
    "tracks": record(time_s=NUMBER, tracks=listed(ref("track"))),
    "grid": record(
        corner_xy=block(2), cell_m=NUMBER, vehicle_xy=block(2), time_s=NUMBER,
        cells=listed(
            {
                "type": "string", "pattern": f"^[{''.join(SIGNS_OF_CELLS)}]*$", "maxLength": 40,
                "description": "a row, y grows with rows and x with columns: "
                + "; ".join(f"{sign} {words}" for sign, words in SIGNS_OF_CELLS.items()),
            }
        ) | {"maxItems": 40},
    ),
    "scan": record(
        sensor=TEXT, taken_s=NUMBER, arrives_s=NUMBER, health=HEALTH,
        **{k: listed(NUMBER) for k in ("range_m", "azimuth_rad", "range_rate_mps", "snr_db")},
    ),
    "echoes": record(taken_s=NUMBER, arrives_s=NUMBER, health=HEALTH, first_m=block(12)),
    "radar": record(health=HEALTH, taken_s=NUMBER),
    "hold": record(pressed=FLAG, sent_s=NUMBER, distance_m=NUMBER),
    "memory": record(
        action={"enum": [str(action) for action in Action]}, pending=TEXT, halted=FLAG, released=FLAG, ready=FLAG,
        **all_numbers("since_s", "pending_since_s", "capped_since_s", "search_after_s"),
    ),
    "check": record(
        name=TEXT, needed=NUMBER, found=NUMBER, unit=TEXT, holds=FLAG, at_most=FLAG, about=TEXT
    ),
    "situation": record(
        time_s=NUMBER, ego=ref("ego"), path=TEXT, along_m=NUMBER, reference=TEXT, reference_along_m=NUMBER,
        paths=listed(ref("path")), tracks=ref("tracks"), grid=ref("grid"), echoes=maybe(ref("echoes")),
        sensors={"type": "object", "additionalProperties": ref("radar")}, hold=ref("hold"), memory=ref("memory"),
    ),
}  # fmt: skip

_MASK = listed({"type": "string", "pattern": "^[01]*$", "maxLength": 40}) | {"maxItems": 40}
_MODELS = {"states": block(2, 4), "covariances": block(2, 4, 4), "modes": block(2)}
SCHEMAS = {
    "stop_distance": (
        record(**all_numbers("speed_mps", "latency_s", "build_up_s", "brake_mps2")),
        record(distance_m=NUMBER, time_s=NUMBER),
    ),
    "reach": (
        record(tracks=ref("tracks"), times_s=listed(NUMBER)),
        record(centres_m=listed(listed(block(2))), radii_m=listed(listed(NUMBER))),
    ),
    "speed_cap": (
        ref("situation"),
        record(speed_cap_mps=NUMBER, caps=listed(record(cap_mps=NUMBER, check=ref("check")))),
    ),
    "check_path": (
        ref("situation"),
        record(
            free_m=NUMBER, first_blocked=maybe(record(state={"enum": ["unknown", "occupied"]}, at_xy=block(2))),
            way_ahead=maybe(record(at_m=NUMBER, about=TEXT, things=listed(block(3)))),
        ),
    ),
    "verdict": (
        ref("situation"),
        record(
            action={"enum": [str(action) for action in Action]}, speed_cap_mps=NUMBER, path=TEXT,
            new_path=maybe(ref("path")), settled_by=TEXT, why=TEXT, checks=listed(ref("check")), memory=ref("memory"),
        ),
    ),
    "track_update": (
        record(
            **_MODELS, dt_s=NUMBER,
            measurement=maybe(record(polar=block(3), variances=block(2, 3), sensor=block(3))),
        ),
        record(**_MODELS, state=block(4), covariance=block(4, 4)),
    ),
    "grid_update": (
        record(
            cycles=listed(
                record(
                    ego=ref("ego"), scans=listed(ref("scan")), echoes=maybe(ref("echoes")), tracks=ref("tracks")
                )
            )
        ),
        record(
            corner_xy=block(2), cell_m=NUMBER, log_odds=listed(listed(NUMBER) | {"maxItems": 40}) | {"maxItems": 40},
            declared=_MASK, exposed=_MASK, vouched=_MASK,
        ),
    ),
}  # fmt: skip


def schema_of(name):
    """The schema of a file of vectors of one function.

    An input that has to be refused need not follow the schema of inputs: that is why it is refused.
    """
    wanted, given = SCHEMAS[name]
    good = record(name=TEXT, input=wanted, output=given)
    refused = record(name=TEXT, input={"type": "object"}, refused={"const": True})
    body = record(
        function={"const": name}, doc=TEXT, caution=TEXT, protocol={"const": PROTOCOL}, tuning_hash=TEXT,
        tuning_changes={"type": "object"}, tolerance=record(absolute=NUMBER, relative=NUMBER),
        vectors=listed({"anyOf": [good, refused]}),
    )  # fmt: skip
    return {"$schema": DRAFT, "title": f"Vectors of {name}"} | body | {"$defs": DEFS}
