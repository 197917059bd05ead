"""Every column of a recording with its unit and meaning, and the Arrow schema made of the same table.

For one column more: raise `FORMAT_VERSION`, add the column with `since` that version and what it stands for in older
files, write it in `packing.py`, read it in `unpacking.py`. A column is never renamed, taken out or given another kind.
"""

from dataclasses import dataclass

FORMAT_VERSION = 1


@dataclass(frozen=True, slots=True)
class Column:
    """One column: dotted names lie inside a `list` (of things) or a `record` of the same name.

    `kind` is f64, f32, i64, i8, u8, bool, text or bytes, with `[]` after it for a list of such; `list` and
    `record` have parts of their own. `?` at the end of a kind: the cell may be empty. `since` is the version
    of the format that brought the column; rows of an older file are read as if it held `absent` there.
    """

    name: str
    kind: str
    unit: str
    doc: str
    since: int = 1
    absent: object = None


COLUMNS = tuple(
    Column(*entry)
    for entry in (
        ("time_s", "f64", "s", "instant of the verdict, from the start of the drive"),
        ("ego", "record", "", "own motion: true, and what the vehicle's odometry says"),
        ("ego.time_s", "f64", "s", "instant it speaks of"),
        ("ego.x_m", "f64", "m", "middle of the rear axle, scene frame"),
        ("ego.y_m", "f64", "m", "middle of the rear axle, scene frame"),
        ("ego.yaw_rad", "f64", "rad", "heading, counter-clockwise"),
        ("ego.speed_mps", "f64", "m/s", "negative in reverse"),
        ("ego.steering_rad", "f64", "rad", "road-wheel angle, positive to the left"),
        ("ego.yaw_rate_radps", "f64", "rad/s", "counter-clockwise"),
        ("hold", "record", "", "last word of the remote device that had arrived"),
        ("hold.pressed", "bool", "", "hold-to-run is held"),
        ("hold.sent_s", "f64", "s", "when that word was sent"),
        ("hold.distance_m", "f64", "m", "operator to vehicle"),
        ("path", "text", "", "name of the active path, as the decision saw it"),
        ("along_m", "f64", "m", "rear axle along the active path"),
        ("reference_along_m", "f64", "m", "rear axle along the reference path"),
        ("action", "text", "", "verdict: continue, detour, halt or wait"),
        ("speed_cap_mps", "f64", "m/s", "verdict: greatest speed allowed"),
        ("verdict_path", "i64", "", "verdict: key of the path to follow, see new_paths; -1: none"),
        ("settled_by", "text", "", "name of the check that settled the verdict"),
        ("why", "text", "", "the verdict in one sentence"),
        ("checks", "list", "", "every comparison made, in order"),
        ("checks.name", "text", "", "what was compared"),
        ("checks.needed", "f64", "unit", "bound"),
        ("checks.found", "f64", "unit", "value held against it"),
        ("checks.unit", "text", "", "unit of both"),
        ("checks.holds", "bool", "", "whether it came out true"),
        ("checks.at_most", "bool", "", "true: found has to be at most needed; else at least"),
        ("checks.about", "text", "", "who or what it speaks of"),
        ("turn", "record?", "", "the smallest change that would turn the verdict"),
        ("turn.quantity", "text", "", "what would have to change"),
        ("turn.unit", "text", "", "unit of now and then"),
        ("turn.now", "f64", "unit", "its value"),
        ("turn.then", "f64", "unit", "value at which the verdict turns"),
        ("turn.becomes", "text", "", "action after that"),
        ("memory", "record", "", "what this verdict hands to the next"),
        ("memory.action", "text", "", "last action"),
        ("memory.since_s", "f64", "s", "since when"),
        ("memory.pending", "text", "", "answer that has not settled yet"),
        ("memory.pending_since_s", "f64", "s", "since when, later by what spoke against it; nan: nothing is pending"),
        ("memory.capped_since_s", "f64", "s", "since when the cap has been 0 although motion was wanted; or nan"),
        ("memory.halted", "bool", "", "a halt has happened that only a renewal ends"),
        ("memory.released", "bool", "", "the hold was released since that halt"),
        ("memory.ready", "bool", "", "the kit would move on once the operator acts"),
        ("memory.search_after_s", "f64", "s", "a standing vehicle searches no detour before; -inf: at once"),
        ("sensors", "list", "", "state of each radar, as the decision saw it"),
        ("sensors.name", "text", "", "mount"),
        ("sensors.health", "text", "", "ok, degraded or blind"),
        ("sensors.taken_s", "f64", "s", "when its last scan was taken; -inf or nan: none yet"),
        ("scans", "list", "", "radar scans that arrived since the row before"),
        ("scans.sensor", "text", "", "mount"),
        ("scans.taken_s", "f64", "s", "when it was taken"),
        ("scans.arrives_s", "f64", "s", "when it arrived"),
        ("scans.health", "text", "", "ok, degraded or blind"),
        ("scans.range_m", "f32[]", "m", "of each return"),
        ("scans.azimuth_rad", "f32[]", "rad", "from boresight, counter-clockwise"),
        ("scans.range_rate_mps", "f32[]", "m/s", "positive when the distance grows; own motion still in it"),
        ("scans.snr_db", "f32[]", "dB", "signal to noise"),
        ("echoes", "record?", "", "latest round of the ultrasonic ring; empty: none yet"),
        ("echoes.taken_s", "f64", "s", "when it was taken"),
        ("echoes.arrives_s", "f64", "s", "when it arrived"),
        ("echoes.health", "text", "", "ok, degraded or blind"),
        ("echoes.first_m", "f32[]", "m", "first echo of six in front and six behind, from left to right; inf: none"),
        ("tracks_time_s", "f64", "s", "instant that the tracks speak of"),
        ("tracks", "list", "", "people and what may be one, as tracked"),
        ("tracks.id", "i64", "", "never used twice in a drive"),
        ("tracks.stage", "i8", "", "0 tentative, 1 confirmed, 2 coasting, 3 possible"),
        ("tracks.x_m", "f64", "m", "middle of the body, scene frame"),
        ("tracks.y_m", "f64", "m", "middle of the body, scene frame"),
        ("tracks.vx_mps", "f64", "m/s", "scene frame"),
        ("tracks.vy_mps", "f64", "m/s", "scene frame"),
        ("tracks.covariance", "f64[]", "m^2, m^2/s, m^2/s^2", "upper triangle by rows (10); all 16 if not symmetric"),
        ("tracks.existence", "f64", "1", "probability that somebody is there"),
        ("tracks.standing", "f64", "1", "probability that they stand"),
        ("tracks.extent_m", "f64", "m", "radius that holds the body or the group"),
        ("tracks.age_s", "f64", "s", "age of the track"),
        ("tracks.last_seen_s", "f64", "s", "when the last measurement in it was taken"),
        ("tracks.standing_for_s", "f64", "s", "how long it has been taken to stand"),
        ("tracks.stood_ago_s", "f64", "s", "since it last was so; inf: never"),
        ("tracks.hits", "i64", "", "measurements taken in"),
        ("people_time_s", "f64", "s", "instant that the people speak of"),
        ("people", "list", "", "the truth: everybody in the scene, the operator as well"),
        ("people.name", "text", "", "unique in the scene"),
        ("people.kind", "text", "", "adult or child"),
        ("people.x_m", "f64", "m", "middle of the body, scene frame"),
        ("people.y_m", "f64", "m", "middle of the body, scene frame"),
        ("people.vx_mps", "f64", "m/s", "scene frame"),
        ("people.vy_mps", "f64", "m/s", "scene frame"),
        ("people.heading_rad", "f64", "rad", "where the body faces"),
        ("people.walked_m", "f64", "m", "distance walked so far"),
        ("people.height_m", "f64", "m", "how tall"),
        ("people.contact", "bool", "", "touches the outline"),
        ("people.is_operator", "bool", "", "holds the remote device"),
        ("contacts", "text[]", "", "names of the people whose body touched the outline"),
        ("gap_m", "f64", "m", "true least distance of the outline from a body's edge; inf: nobody about"),
        ("error", "text", "", "what a replaced stage raised or returned wrongly; the verdict is a halt then"),
        ("stages", "list", "", "computing time of each stage; no part of comparisons"),
        ("stages.name", "text", "", "stage"),
        ("stages.ms", "f64", "ms", "time it took"),
        ("grid", "record?", "", "the free space grid as a picture, every now and then"),
        ("grid.corner_x_m", "f64", "m", "outer corner of cell [0, 0], scene frame"),
        ("grid.corner_y_m", "f64", "m", "outer corner of cell [0, 0], scene frame"),
        ("grid.cell_m", "f64", "m", "edge of a cell"),
        ("grid.rows", "i64", "", "rows of the picture: y grows with them"),
        ("grid.cells", "bytes", "", "row by row, a byte a cell: 0 unknown, 1 known free, 2 occupied"),
        ("new_paths", "list", "", "paths that first appear in this row"),
        ("new_paths.key", "i64", "", "counts from 0 over the drive"),
        ("new_paths.name", "text", "", "reference, or the name of a detour"),
        ("new_paths.s_m", "f64[]", "m", "distance along the path"),
        ("new_paths.x_m", "f64[]", "m", "rear axle, scene frame"),
        ("new_paths.y_m", "f64[]", "m", "rear axle, scene frame"),
        ("new_paths.yaw_rad", "f64[]", "rad", "heading of the vehicle, unwrapped"),
        ("new_paths.curvature_1pm", "f64[]", "1/m", "tan(steering) / wheelbase"),
        ("new_paths.direction", "i8[]", "", "+1 forward, -1 in reverse"),
        ("checkpoint", "bytes?", "", "memory of tracker and free space before this row, each 2 s: NumPy .npz"),
    )
)  # fmt: skip


def schema(metadata=None, version=None):
    """The Arrow schema of a recording, unit and meaning beside every field; None: of the present version.

    Examples
    --------
    >>> schema().field("time_s").metadata[b"unit"]
    b's'
    """
    import pyarrow as pa

    known = [column for column in COLUMNS if version is None or column.since <= version]
    return pa.schema([_field(column, known) for column in known if "." not in column.name], metadata=metadata)


def _field(column, known):
    import pyarrow as pa

    may_be_empty = column.kind.endswith("?")
    notes = {"unit": column.unit, "doc": column.doc}
    return pa.field(column.name.split(".")[-1], _type(column, known), nullable=may_be_empty, metadata=notes)


def _type(column, known):
    import pyarrow as pa

    kind = column.kind.removesuffix("?")
    if kind in ("list", "record"):
        inside = f"{column.name}."
        record = pa.struct([_field(part, known) for part in known if part.name.startswith(inside)])
        return pa.list_(pa.field("item", record, nullable=False)) if kind == "list" else record
    plain = {
        "f64": pa.float64(),
        "f32": pa.float32(),
        "i64": pa.int64(),
        "i8": pa.int8(),
        "bool": pa.bool_(),
        "text": pa.string(),
        "bytes": pa.binary(),
    }[kind.removesuffix("[]")]
    return pa.list_(pa.field("item", plain, nullable=False)) if kind.endswith("[]") else plain


def columns_since(version):
    """The columns that came after a version of the format."""
    return [column for column in COLUMNS if column.since > version]


def description():
    """The table of columns as text: name, kind, unit, meaning.

    Examples
    --------
    >>> print(description().splitlines()[1])
    time_s                  f64      s                   instant of the verdict, from the start of the drive
    """
    lines = [f"{'column':<24}{'kind':<9}{'unit':<20}meaning"]
    lines += [f"{c.name:<24}{c.kind:<9}{c.unit:<20}{c.doc}" for c in COLUMNS]
    return "\n".join(lines)
