"""Drives with simulated radars: every shipped scene, random seeds, and a random walker in each.

In 377 drives the walker is a real one of the open corridor data, at a random place and angle about the vehicle's way,
within 4 s of when it is there. The straight extension of a recorded walk would lead through walls: it goes on for as
long as nothing is in its way, and begins at least 6 m from wherever the vehicle has been by then. In 130 more the walk
is made to meet the path ("aimed"): drawn from the courses of the stress search, which is where the worst are. The
operator has looked: nobody is within 4 m of the vehicle when hold-to-run is first pressed. A contact is set apart where
nobody could have seen it coming: the person set out (from standing, or into the wedge) and reached the outline without
once being in the view of a radar.
"""

import math
import os

import numpy as np
from scipy.stats import chi2

from avoidkit import Action, shipped
from avoidkit.checks import InputError
from avoidkit.people import signed_distance
from avoidkit.scene import recorded
from avoidkit.studies.metrics import undisturbed
from avoidkit.studies.statistics import rate_bound, rate_words
from avoidkit.studies.tracked import seen_by
from avoidkit.studies.walker import course_bounds, course_from, scene_of
from avoidkit.tracking.diagnostics import nees
from avoidkit.tracking.records import Stage
from avoidkit.vehicle import outline_in_scene
from avoidkit.walks import Walk, read_walks
from tests.conftest import open_data_folder
from tests.evidence.runner import Unavailable
from tests.evidence.studies._drives import (
    changes,
    clear_of_things,
    drive_row,
    run_drive,
    scene_named,
    sequence,
    spread,
    tuning_named,
)
from tests.evidence.studies._truth import could_go_on
from tests.evidence.studies.corridor_walkers import FILE

ABOUT = "377 drives with simulated radars and a real walker, 130 with an aimed walk: contacts, end against oracle, NEES"
REAL, AIMED, LONGEST_S = 29, 10, 60.0
TRIES, STEP_S, COMES_FROM_M = 20000, 0.1, 6.0
HALT_S = 15.0  # a drive ends after so long a halt: a recorded walker stands where the vehicle stopped him, for ever
LOOKED_M, PRESS_S = 4.0, 1.0  # nobody so near when hold-to-run is first pressed
MOVES_MPS, MOVING_MPS = 0.15, 0.05
ENCOUNTER_M, GONE_ON_S = 6.0, 3.0  # ours: so near somebody is met; after so long a drive that is over


def tasks():
    folder = open_data_folder()
    if folder is None or not (folder / FILE).is_file():
        raise Unavailable(f"{FILE} not found: set AVOIDKIT_OPEN_DATA to the folder of the open data")
    scenes = sorted(file.stem for file in shipped("scenes").glob("*.toml"))
    return [
        {"scene": name, "seed": 1000 + k, "walker": "real" if k < REAL else "aimed"}
        for k in range(REAL + AIMED) for name in scenes
    ]  # fmt: skip


def yard(task, tuning):
    """The scene with its guests left out and one random walker instead; `LookupError` where none is found."""
    scene = scene_named(task["scene"])
    rng = np.random.default_rng([task["seed"], *task["scene"].encode()])
    for _ in range(TRIES):
        made = (_real if task["walker"] == "real" else _aimed)(scene, tuning, rng)
        if made is not None and _looked(made, tuning):
            return made
    raise LookupError(f"no walk for {task}")


def _aimed(scene, tuning, rng):
    bounds = course_bounds(scene, tuning)
    return scene_of(course_from(rng.random(len(bounds)), bounds)[0], scene, tuning)


def _real(scene, tuning, rng):
    """A recorded walker whose middle lies within 3 m beside the way, within 4 s of when the vehicle would be there."""
    file = open_data_folder() / FILE
    rate_hz, rows = read_walks(file)
    walker = int(rng.choice(np.unique(rows[:, 0])))
    track = rows[rows[:, 0] == walker]
    turn, middle = rng.uniform(-math.pi, math.pi), len(track) // 2
    cos, sin = math.cos(turn), math.sin(turn)
    along = rng.uniform(2.0, scene.reference.length_m)
    x, y = scene.reference.poses_at(along)[:2] + rng.uniform(-3.0, 3.0, 2)
    shift = (
        x - (cos * track[middle, 2] - sin * track[middle, 3]),
        y - (sin * track[middle, 2] + cos * track[middle, 3]),
    )
    times, distances = undisturbed(scene, tuning.vehicle, tuning.cycle_s)
    start_s = float(np.interp(along, distances, times)) + rng.uniform(-4.0, 4.0) - middle / rate_hz
    walk = Walk(
        start_s + np.arange(len(track)) / rate_hz, track[:, 2:4] @ np.array([[cos, sin], [-sin, cos]]) + shift, 0.0
    )
    on_s = _walks_on(walk, scene, tuning)
    if on_s is None:
        return None
    guest = recorded(
        f"walker {walker}", FILE, walker, turn_deg=math.degrees(turn), shift_m=shift, start_s=round(start_s, 3),
        walks_on_s=on_s,
    )  # fmt: skip
    try:
        return scene.without_guests().replace_people(*scene.without_guests().people, guest)
    except InputError:
        return None


def _walks_on(walk, scene, tuning):
    """How long somebody goes straight on before and after what was recorded, s; None where a thing is in their way.

    Beforehand for as long as the drive, or else they set out from a thing, `COMES_FROM_M` or more from wherever the
    vehicle has been by then; afterwards until a thing is near.
    """
    before = np.arange(walk.t_s[0], -STEP_S, -STEP_S)
    after = np.arange(walk.t_s[-1], LONGEST_S + STEP_S, STEP_S)
    own, back, on = (clear_of_things(walk.places(times), scene) for times in (walk.t_s, before, after))
    if not own.all():
        return None
    back_s, on_s = (STEP_S * max(_run(free) - 1, 0) for free in (back, on))
    if not back.all():
        times, along = undisturbed(scene, tuning.vehicle, tuning.cycle_s)
        been = np.arange(0.0, np.interp(walk.t_s[0] - back_s, times, along) + 0.5, 0.5)
        place = walk.places(walk.t_s[:1] - back_s)
        outlines = (outline_in_scene(tuning.vehicle, scene.reference.pose_at(s)) for s in been)
        if min(signed_distance(place, outline)[0] for outline in outlines) < COMES_FROM_M:
            return None
    return round(back_s, 3), round(on_s, 3)


def _run(mask):
    """How many of a mask hold before the first that does not."""
    return len(mask) if mask.all() else int(np.argmin(mask))


def _looked(scene, tuning):
    """Whether everybody but the operator is far enough from the vehicle when hold-to-run is first pressed."""
    corners = outline_in_scene(tuning.vehicle, scene.start_pose)
    guests = [walk for walk, person in zip(scene.walks, scene.people, strict=True) if person.role != "operator"]
    places = [walk.places(np.array([0.0, PRESS_S])) for walk in guests]
    return all(signed_distance(xy, corners).min() > LOOKED_M for xy in places)


def run(task):
    os.environ["AVOIDKIT_OPEN_DATA"] = str(open_data_folder())
    tuning = tuning_named("baseline")
    scene = yard(task, tuning)
    recording = run_drive(scene, tuning, task["seed"], duration_s=LONGEST_S, halt_s=HALT_S)
    row = drive_row(recording)
    walking, standing = nees_of(recording)
    hits = hits_of(recording, scene, tuning)
    met = encounters_of(recording, tuning)
    could = row["reached_end"] or could_go_on(recording.rows[-1], scene, tuning)
    return row | {
        "could": bool(could),
        "foreseeable": sum(seen for _, _, seen in hits),
        "unforeseeable": sum(not seen for _, _, seen in hits),
        "speed_at_contact_mps": round(max((speed for _, speed, _ in hits), default=0.0), 3),
        "encounters": met,
        "nees_walking": round(float(np.mean(walking)) if walking else np.nan, 3),
        "nees_walking_n": len(walking),
        "nees_standing": round(float(np.mean(standing)) if standing else np.nan, 3),
        "nees_standing_n": len(standing),
        "toml": scene.to_toml() if hits else "",
    }


def encounters_of(recording, tuning):
    """The actions, in order, of each encounter, joined by `; `; '' if no guest came within `ENCOUNTER_M`.

    An encounter is over when nobody is so near any more, or the vehicle has gone on for `GONE_ON_S` without a break.
    """
    found, actions, since_s = [], [], None
    for row in recording.rows:
        guests = row.people.xy[~row.people.is_operator]
        gaps = signed_distance(guests, outline_in_scene(tuning.vehicle, row.ego.pose)) if len(guests) else np.zeros(0)
        goes = row.verdict.action in (Action.CONTINUE, Action.DETOUR)
        since_s = (row.ego.time_s if since_s is None else since_s) if goes else None
        met = bool((gaps < ENCOUNTER_M).any())
        gone_on = goes and row.ego.time_s - since_s >= GONE_ON_S
        if actions and (gone_on or not met):
            found.append(sequence(actions))
            actions = []
        if met and not gone_on:
            actions.append(row.verdict.action)
    return "; ".join([*found, sequence(actions)] if actions else found)


def hits_of(recording, scene, tuning):
    """(person, speed, whether a radar had them in view since they set out) of each contact while moving."""
    hits, done = [], set()
    for k, row in enumerate(recording.rows):
        if abs(row.ego.speed_mps) <= MOVING_MPS:
            continue
        for name in set(row.contacts) - done:
            done.add(name)
            hits.append((name, abs(row.ego.speed_mps), _seen_coming(recording.rows[:k], name, scene, tuning)))
    return hits


def _seen_coming(rows, name, scene, tuning):
    """Whether somebody who touched the outline after `rows` was in a radar's view at any time since they set out."""
    mounts = [getattr(tuning.radar.mounts, one) for one in type(tuning.radar.mounts).model_fields]
    walks = False
    for row in reversed(rows):
        who = row.people.names.index(name)
        if np.hypot(*row.people.velocity[who]) < MOVES_MPS and walks:
            return False
        walks = walks or np.hypot(*row.people.velocity[who]) >= MOVES_MPS
        if walks and any(seen_by(row.people, row.ego, mount, tuning, scene.edges)[who] for mount in mounts):
            return True
    return False


def nees_of(recording, every=10, within_m=8.0):
    """NEES of confirmed tracks every so many cycles: all four components of who walks, the place of who stands.

    Each person is paired with the nearest track. Of somebody who stands the velocity is left out: it is nothing, and
    an estimate of nothing says little of its accuracy. Left out as well is who touches the vehicle: a recorded walker
    is stopped dead by it, which no body does.
    """
    walking, standing = [], []
    for row in recording.rows[::every]:
        tracks, people = row.tracks, row.people
        here = np.array([row.ego.pose.x_m, row.ego.pose.y_m])
        for xy, velocity, touches in zip(people.xy, people.velocity, people.contact, strict=True):
            apart = np.hypot(*(tracks.state[:, :2] - xy).T)
            if touches or not len(apart) or apart.min() >= 1.0 or np.hypot(*(xy - here)) >= within_m:
                continue
            k = int(apart.argmin())
            if tracks.stage[k] != Stage.CONFIRMED:
                continue
            error = tracks.state[k] - np.concatenate([xy, velocity])
            walks = np.hypot(*velocity) > MOVES_MPS
            m = 4 if walks else 2
            of = nees(error[None, :m], tracks.covariance[k][None, :m, :m])
            (walking if walks else standing).append(float(np.ravel(of)[0]))
    return walking, standing


def conclude(frame):
    out = {}
    for walker, rows in [*frame.groupby("walker", sort=False), ("all", frame)]:
        hit = rows["contacts_moving"] > 0
        out |= {
            f"{walker}: drives with a contact while moving": rate_words(int(hit.sum()), len(rows)),
            f"{walker}: one-sided 95 % bound": f"{100 * rate_bound(int(hit.sum()), len(rows)):.2g} %",
            f"{walker}: of these by somebody in view since they set out": rate_words(
                int((rows["foreseeable"] > 0).sum()), len(rows)
            ),
            f"{walker}: which": [f"{s} {k}" for s, k in zip(rows["scene"][hit], rows["seed"][hit], strict=True)],
            f"{walker}: speed at contact, m/s": spread(rows["speed_at_contact_mps"][hit], 2),
        }
        could, met = rows[rows["could"].astype(bool)], rows["encounters"].dropna()
        met = met[met != ""]
        out |= {
            f"{walker}: end reached where the oracle can": rate_words(int(could["reached_end"].sum()), len(could)),
            **_nees_words(rows, walker, "nees_walking", 4, "who walks, place and velocity"),
            **_nees_words(rows, walker, "nees_standing", 2, "who stands, place"),
            f"{walker}: halts a drive": spread(rows["halts"], 1),
            f"{walker}: at most two changes of action in a drive": rate_words(
                int((rows["sequence"].map(changes) <= 2).sum()), len(rows)
            ),
            f"{walker}: at most two changes of action in each encounter": rate_words(
                int((met.map(_most_changes) <= 2).sum()), len(met)
            ),
        }
    return out


def _most_changes(encounters):
    """Of the encounters of a drive the most changes of action in one; before one that begins with a halt it went on."""
    before = {"halt": "wait continue "}
    return max(changes(before.get(words.split()[0], "") + words) for words in encounters.split("; "))


def _nees_words(rows, walker, column, components, what):
    """Mean NEES over all instants, and the band of such a mean if each drive were one independent sample."""
    rows = rows[rows[f"{column}_n"] > 0]
    n, weight = len(rows), rows[f"{column}_n"]
    mean = float((rows[column] * weight).sum() / max(weight.sum(), 1))
    band = chi2.ppf([0.025, 0.975], components * max(n, 1)) / max(n, 1)
    return {
        f"{walker}: NEES of {what}, mean ({components} expected)": round(mean, 2),
        f"{walker}: NEES of {what}, 95 % band of a mean of n {n} drives": [round(float(edge), 2) for edge in band],
        f"{walker}: NEES of {what}, mean of a drive": spread(rows[column]),
    }
