"""A mistake in a scene file is one message that names the file, the field, what it got and what was wanted."""

import copy
import math
import random
import re
import tomllib

import pytest

from avoidkit.checks import InputError
from avoidkit.scene import Scene, load_scene, scene_from, standing, walking

PLAIN = """
name = "yard"
duration_s = 20.0

[[walls]]
name = "mill house"
corners_m = [[-5.0, -4.0], [20.0, -4.0]]

[[path.legs]]
direction = "forward"
segments = [{length_m = 10.0}]

[[people]]
name = "Ada"
walk = [{t_s = 0.0, x_m = 9.0, y_m = 3.0}, {t_s = 4.0, x_m = 9.0, y_m = 5.0}, {t_s = 6.0, x_m = 9.0, y_m = 5.0}]
"""


def refused(tmp_path, text):
    """What loading a scene of this text complains of, without the name of the file in front."""
    file = tmp_path / "yard.toml"
    file.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_scene(file)
    lines = str(caught.value).splitlines()
    assert all(line.startswith(f"{file}: ") for line in lines)
    return "\n".join(line.removeprefix(f"{file}: ") for line in lines)


def fault(**keys):
    """The text of one fault; numbers as they are, words in quotes."""
    return "\n[[faults]]\n" + "\n".join(f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v}" for k, v in keys.items())


def person(name, *walk, more=""):
    """The text of one more person."""
    steps = ", ".join(f"{{t_s = {t}, x_m = {x}, y_m = {y}}}" for t, x, y in walk)
    return f'\n[[people]]\nname = "{name}"\nwalk = [{steps}]\n{more}'


def test_the_plain_scene_itself_is_accepted(tmp_path):
    file = tmp_path / "yard.toml"
    file.write_text(PLAIN, encoding="utf-8")
    assert load_scene(file).people[0].name == "Ada"


def swap(old, new):
    """The plain scene with one piece of its text changed; the piece has to be there."""
    assert PLAIN.count(old) == 1
    return PLAIN.replace(old, new)


CASES = {
    "an unknown key": (
        swap("duration_s = 20.0", "duration = 20.0"),
        "duration: unknown key; did you mean 'duration_s'?",
    ),
    "an unknown key in a list": (
        swap('name = "mill house"', 'thicknes_m = 0.3\nname = "mill house"'),
        "walls.0.thicknes_m: unknown key; did you mean 'walls.0.thickness_m'?",
    ),
    "the folder, which is no key of a file": (
        'folder = "elsewhere"\n' + PLAIN,
        "folder: unknown key",
    ),
    "no path": (
        PLAIN[: PLAIN.index("[[path")] + PLAIN[PLAIN.index("[[people") :],
        "path: missing",
    ),
    "a path without legs": (
        swap('[[path.legs]]\ndirection = "forward"\nsegments = [{length_m = 10.0}]', "[path]\nlegs = []"),
        "path.legs: at least 1 was wanted, got 0",
    ),
    "a direction that is none": (
        swap('"forward"', '"backward"'),
        "path.legs.0.direction: input should be 'forward' or 'reverse', got 'backward'",
    ),
    "nan in the start": (
        PLAIN + "\n[start]\nx_m = nan",
        "start.x_m: input should be a finite number, got nan",
    ),
    "nan in a corner": (
        swap("[20.0, -4.0]", "[20.0, nan]"),
        "walls.0.corners_m.1.1: input should be a finite number, got nan",
    ),
    "nan in a walk": (
        swap("{t_s = 4.0, x_m = 9.0, y_m = 5.0}", "{t_s = 4.0, x_m = nan, y_m = 5.0}"),
        "people.0.walk.1.x_m: input should be a finite number, got nan",
    ),
    "infinity in a duration": (
        swap("duration_s = 20.0", "duration_s = inf"),
        "duration_s: input should be a finite number, got inf",
    ),
    "a text for a number": (
        swap("duration_s = 20.0", 'duration_s = "long"'),
        "duration_s: input should be a valid number, got 'long'",
    ),
    "a duration of nothing": (
        swap("duration_s = 20.0", "duration_s = 0.0"),
        "duration_s: input should be greater than or equal to 0.5, got 0.0",
    ),
    "a wall of one corner": (
        swap("[[-5.0, -4.0], [20.0, -4.0]]", "[[-5.0, -4.0]]"),
        "walls.0.corners_m: at least 2 were wanted, got 1",
    ),
    "a walk without places": (
        PLAIN + person("Bo"),
        "people.1.walk: at least 1 was wanted, got 0",
    ),
    "a corner twice": (
        swap("[[-5.0, -4.0], [20.0, -4.0]]", "[[-5.0, -4.0], [-5.0, -4.0]]"),
        "walls.0.corners_m.1: a corner at least 0.01 m from the one before was wanted, got (-5.0, -4.0)",
    ),
    "a path through a wall": (
        swap("[[-5.0, -4.0], [20.0, -4.0]]", "[[12.0, -4.0], [12.0, 4.0]]"),
        # front 3.85 m ahead of the axle, face of the wall at 11.9 m: met after 8.05 m, looked at each 0.2 m
        "path: a path clear of things by 0.8 m to each side was wanted, got walls.0 (mill house) in it after 8.2 m",
    ),
    "a path beside a wall that is too near": (
        swap("[[-5.0, -4.0], [20.0, -4.0]]", "[[-5.0, -0.85], [20.0, -0.85]]"),
        "path: a path clear of things by 0.8 m to each side was wanted, got walls.0 (mill house) in it after 0.0 m",
    ),
    "a trolley where the vehicle starts": (
        PLAIN + "\n[[trolleys]]\nx_m = 3.0\ny_m = 0.0",
        "path: a path clear of things by 0.8 m to each side was wanted, got trolleys.0 in it after 0.0 m",
    ),
    "a time below 0": (
        swap("{t_s = 0.0,", "{t_s = -601.0,"),
        "people.0.walk.0.t_s: input should be greater than or equal to -600, got -601.0",
    ),
    "times that do not grow": (
        swap("{t_s = 6.0,", "{t_s = 4.0,"),
        "people.0.walk.2.t_s: a time after the 4 s of the place before was wanted, got 4.0",
    ),
    "a walk that jumps": (
        swap("{t_s = 4.0, x_m = 9.0, y_m = 5.0}", "{t_s = 4.0, x_m = 9.0, y_m = 43.0}"),
        "people.0.walk.2: at most 8 m/s from the place before was wanted, got 19.0 m/s",
    ),
    "two people of one name": (
        PLAIN + person("Ada", (0, 1, 9)),
        "people.1.name: a name of their own was wanted, people.0 is called so as well, got 'Ada'",
    ),
    "two operators": (
        PLAIN + 'role = "operator"' + person("Bo", (0, 1, 9), more='role = "operator"'),
        "people.1.role: one operator was wanted, people.0 (Ada) is one already, got 'operator'",
    ),
    "two people in one place": (
        PLAIN + person("Bo", (0, 9.2, 3.0)),
        "people.1: 'Bo' and 'Ada' at least 0.3 m apart at all times were wanted, got 0.20 m at 0.00 s",
    ),
    "two people who walk through each other": (
        # Ada is at y = 3 + t / 2 between 0.5 and 3.5 s, Bo at 5.02 - t / 2: 0.3 m apart after 1.72 s; between two
        # looks, 0.05 s apart, the nearest approach counts: 0.27 m at 1.75 s
        PLAIN + person("Bo", (0, 9.0, 5.02), (4, 9.0, 3.02), (6, 9.0, 3.02)),
        "people.1: 'Bo' and 'Ada' at least 0.3 m apart at all times were wanted, got 0.27 m at 1.70 s",
    ),
    "somebody in a wall": (
        PLAIN + person("Bo", (0, 3.0, -4.0)),
        "people.1: 'Bo' at least 0.15 m from every thing was wanted, got (3.00, -4.00) m at 0.00 s in or at mill house",
    ),
    "somebody who walks through a parked vehicle": (
        PLAIN + person("Bo", (0, 2.0, 9.0), (6, 8.0, 9.0), (8, 8.0, 9.0)) + "\n[[parked]]\nx_m = 6.27\ny_m = 9.0",
        # its rear end is at 4.02 m: 3.87 m is the last place that is far enough
        "people.1: 'Bo' at least 0.15 m from every thing was wanted, "
        "got (3.90, 9.00) m at 1.90 s in or at a parked vehicle",
    ),
    "somebody where the vehicle stands": (
        PLAIN + person("Bo", (0, 1.0, 1.1)),
        "people.1: 'Bo' at least 0.25 m from the vehicle's outline at the start was wanted, "
        "got (1.00, 1.10) m at 0.00 s",
    ),
    "somebody with neither walk nor place": (
        PLAIN + '\n[[people]]\nname = "Bo"',
        "people.1: one of stands_at, walk and walks_file was wanted, got none",
    ),
    "somebody with both": (
        PLAIN + person("Bo", (0, 1, 9), more="stands_at = {x_m = 1.0, y_m = 9.0}"),
        "people.1: one of stands_at, walk and walks_file was wanted, got stands_at and walk",
    ),
    "a recorded walk without an id": (
        PLAIN + '\n[[people]]\nname = "Bo"\nwalks_file = "walks.txt"',
        "people.1: walks_file needs the id of a walker in it, got none",
    ),
    "a written walk that is to be turned": (
        PLAIN + person("Bo", (0, 1, 9), more="turn_deg = 90.0"),
        "people.1: turn_deg goes with walks_file only, got turn_deg = 90.0",
    ),
    "a walker who is to stay near": (
        PLAIN + person("Bo", (0, 1, 9), more="stays_within_m = 5.0"),
        "people.1: stays_within_m goes with stands_at only, got it with a walk",
    ),
    "an unknown sensor": (
        PLAIN + fault(sensor="frnt_left", kind="dead", from_s=1.0, to_s=2.0),
        "faults.0.sensor: one of front_left, front_right, rear_left, rear_right, ultrasonic, link was wanted, "
        "got 'frnt_left'; did you mean 'front_left'?",
    ),
    "a fault that ends before it begins": (
        PLAIN + fault(sensor="link", kind="lost", from_s=3.0, to_s=3.0),
        "faults.0: to_s after from_s = 3 was wanted, got to_s = 3",
    ),
    "a fault before the start": (
        PLAIN + fault(sensor="link", kind="lost", from_s=-1.0, to_s=3.0),
        "faults.0.from_s: input should be greater than or equal to 0, got -1.0",
    ),
    "two faults of one sensor at once": (
        PLAIN
        + fault(sensor="ultrasonic", kind="dead", from_s=1.0, to_s=5.0)
        + fault(sensor="link", kind="lost", from_s=1.0, to_s=5.0)
        + fault(sensor="ultrasonic", kind="stuck", from_s=4.0, to_s=6.0),
        "faults.2.from_s: times apart from the other fault of 'ultrasonic', 1 to 5 s, were wanted, got 4 to 6 s",
    ),
    "a kind that is not for the link": (
        PLAIN + fault(sensor="link", kind="dead", from_s=1.0, to_s=5.0),
        "faults.0: a kind of late, dropping, lost was wanted for the link, got kind = 'dead'",
    ),
    "a kind that is for the link only": (
        PLAIN + fault(sensor="rear_left", kind="lost", from_s=1.0, to_s=5.0),
        "faults.0: kind 'lost' is for the link only, got sensor = 'rear_left'",
    ),
    "a ring that is turned": (
        PLAIN + fault(sensor="ultrasonic", kind="misaligned", from_s=1.0, to_s=5.0, amount=3.0),
        "faults.0: kind 'misaligned' is for radars only, got sensor = 'ultrasonic'",
    ),
    "a fault without its amount": (
        PLAIN + fault(sensor="rear_left", kind="late", from_s=1.0, to_s=5.0),
        "faults.0: amount from 0 to 5 s (added to the time until it arrives) was wanted, got amount = None",
    ),
    "a share above 1": (
        PLAIN + fault(sensor="rear_left", kind="dropping", from_s=1.0, to_s=5.0, amount=1.5),
        "faults.0: amount from 0 to 1 1 (share that gets lost) was wanted, got amount = 1.5",
    ),
    "an amount that means nothing": (
        PLAIN + fault(sensor="rear_left", kind="dead", from_s=1.0, to_s=5.0, amount=1.5),
        "faults.0: no amount was wanted with kind 'dead', got amount = 1.5",
    ),
    "a press that ends before it begins": (
        PLAIN + '\n[hold]\nmode = "timed"\npresses = [{from_s = 4.0, to_s = 2.0}]',
        "hold.presses.0: to_s after from_s = 4 was wanted, got to_s = 2",
    ),
    "presses that overlap": (
        PLAIN + '\n[hold]\nmode = "timed"\npresses = [{from_s = 1.0, to_s = 5.0}, {from_s = 4.0, to_s = 9.0}]',
        "hold.presses.1.from_s: a time after the release at 5 s was wanted, got 4.0",
    ),
    "presses for an operator who decides": (
        PLAIN + "\n[hold]\npresses = [{from_s = 1.0, to_s = 5.0}]",
        'hold: presses go with mode = "timed" only, got mode = "operator"',
    ),
    "an unknown value of the true vehicle": (
        PLAIN + "\n[true_vehicle]\nbrakes_mps2 = 3.0",
        "true_vehicle.brakes_mps2: unknown key; did you mean 'brake_mps2'?",
    ),
    "a true vehicle out of bounds": (
        PLAIN + "\n[true_vehicle]\nbrake_mps2 = 30.0",
        "true_vehicle.brake_mps2: input should be less than or equal to 9, got 30.0",
    ),
    "not TOML at all": (
        "name = ",
        "is not valid TOML: Invalid value (at end of document)",
    ),
}


@pytest.mark.parametrize("mistake", list(CASES))
def test_a_mistake_is_one_message_with_field_value_and_wish(tmp_path, mistake):
    text, message = CASES[mistake]
    assert refused(tmp_path, text) == message


WEIRD = ["", "x", math.nan, math.inf, -1e300, 1e300, -1, 0, True, [], {}, [1], [[1, 2]], {"a": 1}, 2**70, [{}], 3.0]


def spots(plain, before=()):
    """The places of all values within plain data, as tuples of keys and numbers."""
    inner = plain.items() if isinstance(plain, dict) else enumerate(plain) if isinstance(plain, list) else ()
    for key, value in inner:
        yield (*before, key)
        yield from spots(value, (*before, key))


@pytest.mark.parametrize("seed", range(4))
def test_whatever_is_put_anywhere_is_a_scene_or_a_message(seed):
    drawn = random.Random(seed)
    start = tomllib.loads(PLAIN + fault(sensor="link", kind="late", from_s=1.0, to_s=5.0, amount=0.5))
    start |= {"hold": {"mode": "timed", "presses": [{"from_s": 1.0, "to_s": 5.0}]}, "true_vehicle": {"brake_mps2": 3.0}}
    scene_from(copy.deepcopy(start), "yard")
    outcomes = set()
    for _ in range(80):
        plain = copy.deepcopy(start)
        *way, last = drawn.choice(list(spots(plain)))
        place = plain
        for key in way:
            place = place[key]
        place[last] = drawn.choice(WEIRD)
        try:
            scene_from(plain, "yard")
            outcomes.add("scene")
        except InputError as error:
            outcomes.add(str(error)[:6])
    assert outcomes == {"scene", "yard: "}


def test_two_mistakes_are_both_named(tmp_path):
    text = swap("duration_s = 20.0", "duration_s = -1.0").replace("x_m = 9.0, y_m = 3.0", "y_m = 3.0")
    assert refused(tmp_path, text) == (
        "duration_s: input should be greater than or equal to 0.5, got -1.0\npeople.0.walk.0.x_m: missing"
    )


def test_a_missing_scene_file_is_named(tmp_path):
    with pytest.raises(InputError, match=f"^{re.escape(str(tmp_path / 'no.toml'))}: no such file$"):
        load_scene(tmp_path / "no.toml")


def test_a_missing_file_of_walks_is_named_with_the_places_looked_at(tmp_path, monkeypatch):
    monkeypatch.delenv("AVOIDKIT_OPEN_DATA", raising=False)
    text = PLAIN + '\n[[people]]\nname = "Bo"\nwalks_file = "walks.txt"\nid = 3'
    wanted = "a text file with the columns id, frame, x, y, z was wanted, got 'walks.txt'"
    looked = f"people.1.walks_file: no such file, looked at {tmp_path / 'walks.txt'}"
    assert refused(tmp_path, text) == f"{looked} (AVOIDKIT_OPEN_DATA is not set), {wanted}"
    monkeypatch.setenv("AVOIDKIT_OPEN_DATA", str(tmp_path / "open"))
    assert refused(tmp_path, text) == f"{looked} and {tmp_path / 'open' / 'walks.txt'}, {wanted}"


WALKS = {
    "no frame rate": (
        "1 0 1.0 9.0 1.7\n",
        "a comment line '# framerate: 25' (frames per second, above 0) was wanted, got None",
    ),
    "a frame rate of 0": (
        "# framerate: 0\n1 0 1.0 9.0 1.7\n",
        "a comment line '# framerate: 25' (frames per second, above 0) was wanted, got 0.0",
    ),
    "too few columns": (
        "# framerate: 25\n1 0 1.0\n",
        "line 2: id, frame, x, y, z were wanted, got '1 0 1.0'",
    ),
    "not a number": (
        "# framerate: 25\n1 0 1.0 nan 1.7\n",
        "line 2: a finite number was wanted, got 'nan'",
    ),
    "nobody": (
        "# framerate: 25\n",
        "at least one line id, frame, x, y, z was wanted, got none",
    ),
    "another walker": (
        "# framerate: 25\n1 0 1.0 9.0 1.7\n2 0 1.0 8.0 1.7\n",
        "an id from 1 to 2 was wanted, got 3",
    ),
    "a frame twice": (
        "# framerate: 25\n3 0 1.0 9.0 1.7\n3 0 1.1 9.0 1.7\n",
        "frames of walker 3 must grow, got the same frame twice",
    ),
}


@pytest.mark.parametrize("mistake", list(WALKS))
def test_a_mistake_in_a_file_of_walks_is_named(tmp_path, mistake):
    text, message = WALKS[mistake]
    file = tmp_path / "walks.txt"
    file.write_text(text, encoding="utf-8")
    found = refused(tmp_path, PLAIN + '\n[[people]]\nname = "Bo"\nwalks_file = "walks.txt"\nid = 3')
    assert found == f"people.1.walks_file: {file}: {message}, got 'walks.txt'"


def test_a_recorded_walk_that_jumps_is_refused(tmp_path):
    (tmp_path / "walks.txt").write_text("# framerate: 10\n3 0 1.0 9.0 1.7\n3 1 2.0 9.0 1.7\n", encoding="utf-8")
    found = refused(tmp_path, PLAIN + '\n[[people]]\nname = "Bo"\nwalks_file = "walks.txt"\nid = 3')
    assert found == "people.1.id: at most 8 m/s between recorded places was wanted, got 10.0 m/s at 0.00 s"


def message_of(function, *arguments):
    """The whole message of the `InputError` that a call raises."""
    with pytest.raises(InputError) as caught:
        function(*arguments)
    return str(caught.value)


def test_changed_copies_are_checked_like_a_file():
    scene = Scene.from_toml(PLAIN)
    assert message_of(scene.replace, {"duration_s": float("nan")}) == (
        "scene yard: duration_s: input should be a finite number, got nan"
    )
    assert message_of(scene.replace, {"hold.reacton_s": 1.0}) == (
        "scene yard: hold.reacton_s: unknown key; did you mean 'hold.reaction_s'?"
    )
    assert message_of(scene.replace, {"walls.7.thickness_m": 1.0}) == (
        "scene has no field 'walls.7.thickness_m': '7' is unknown"
    )
    assert message_of(scene.replace, {"wals.0.thickness_m": 1.0}) == (
        "scene has no field 'wals.0.thickness_m': 'wals' is unknown; did you mean 'walls'?"
    )
    assert message_of(scene.with_people, standing("Bo", 3.0, -4.0)) == (
        "scene yard: people.1: 'Bo' at least 0.15 m from every thing was wanted, "
        "got (3.00, -4.00) m at 0.00 s in or at mill house"
    )


def test_a_walk_made_in_code_is_checked_as_well():
    with pytest.raises(ValueError, match="a time after the 1 s of the place before was wanted"):
        walking("Bo", [(1.0, 0.0, 5.0), (1.0, 1.0, 5.0)])
