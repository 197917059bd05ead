"""The table of README's "What has been measured", made of the tables in `data/evidence` alone.

`python -m tests.evidence --headlines` prints it; a test holds README against it, so that no figure there is older than
its table.
"""

import json
import re

from tests.evidence import runner

HEAD = ("| asked | found | table |", "|---|---|---|")


def lines(folder=runner.FOLDER):
    """The table as Markdown, a row for each study that has run."""
    rows = []
    for name, (asked, found) in HEADLINES.items():
        file = folder / f"{name}.json"
        if file.is_file():
            head = json.loads(file.read_text(encoding="utf-8"))
            part = "" if head["whole"] else f"first {head['n']} tasks only: "
            rows.append(f"| {asked} | {part}{found(head['conclusion'])} | `{name}`, {head['date'][:10]} |")
    return [*HEAD, *rows]


def middle(spread, unit):
    """Median and range of one spread, in words."""
    if not spread.get("n"):
        return "none"
    return f"{spread['median']:g} {unit} in the median, {spread['least']:g} to {spread['greatest']:g}"


def percent(words):
    """`0 of 260 (95 % interval 0.000 to 0.014)` with its interval in per cent, as newer tables have it."""
    found = re.fullmatch(r"(\d+ of \d+) \(95 % interval (0\.\d+|1\.000) to (0\.\d+|1\.000)\)", words)
    if found is None:
        return words
    low, high = (100 * float(found[k]) for k in (2, 3))
    return f"{found[1]} (95 % interval {low:.1f} to {high:.1f} %)"


def _contacts(conclusion):
    return f"contact while moving: {percent(conclusion['drives with a contact while moving'])}"


def _exact(c):
    return f"{_contacts(c)}; end reached where the oracle can: {percent(c['end reached where the oracle can'])}"


def _scenes(c):
    ends = [re.match(r"(\d+) of (\d+)", found["end reached"]) for found in c["by scene"].values()]
    there, all_of_them = (sum(int(end[k]) for end in ends) for k in (1, 2))
    return f"{_contacts(c)}; end reached: {there} of {all_of_them}"


def _hidden(c):
    parts = []
    for name in ("baseline", "slow_brakes"):
        speed = c[f"{name}: speed at contact, m/s"]
        at = f", at {middle(speed, 'm/s')}" if speed.get("n") else ""
        parts.append(f"{name}: contact while moving {percent(c[f'{name}: contacts while moving'])}{at}")
    return "; ".join(parts)


def _flank(c):
    bands = [key for key in c if key.startswith("stood ")]
    near, far = (f"{key.removesuffix(' the side')}: {c[key].partition(' (')[0]}" for key in (bands[0], bands[-1]))
    return f"contact while moving {percent(c['contacts while moving'])}; {near}, {far}"


def _beside(c):
    parts = []
    for name, shown in (("kit", "radars"), ("echoes", "ultrasonics, halt only")):
        lost = c[f"{name}: time lost, s"]["median"]
        parts.append(f"{shown}: a halt in {percent(c[f'{name}: drives with a halt'])}, {lost:g} s lost in the median")
    return "; ".join(parts)


def _corridor(c):
    return f"{_contacts(c)}; end reached: {percent(c['end reached'])}; {middle(c['halts a drive'], 'halts')}"


def _radar(c):
    parts = []
    for name in ("real", "aimed", "all"):
        if f"{name}: {RADAR[0]}" not in c:  # a table that is not whole may not have come to it
            continue
        hit, end, steady = (percent(c[f"{name}: {what}"]) for what in RADAR)
        if name != "all":
            parts.append(f"{name} walks: contact while moving {hit}, end reached where the oracle can {end}")
        else:
            parts.append(f"all: at most two changes of action in each encounter {steady}, {_nees(c, name)}")
    return "; ".join(parts)


def _nees(c, name):
    """Mean NEES of who walks and who stands, each beside its band."""
    parts = []
    for what, expected in (("who walks, place and velocity", 4), ("who stands, place", 2)):
        mean = c[f"{name}: NEES of {what}, mean ({expected} expected)"]
        band = next(v for key, v in c.items() if key.startswith(f"{name}: NEES of {what}, 95 % band"))
        parts.append(f"NEES of {what.partition(',')[0]} {mean:.2f} ({band[0]:.2f} to {band[1]:.2f})")
    return ", ".join(parts)


RADAR = (
    "drives with a contact while moving",
    "end reached where the oracle can",
    "at most two changes of action in each encounter",
)


def _false(c):
    parts = [f"{which} bursts {c[f'{which} bursts: halts in all']} halts" for which in ("without", "with")]
    return f"{', '.join(parts)}, 20 drives of 60 s each"


def _empty(c):
    share = c["false confirmed tracks, share of cycles"]
    return f"halts in all {c['halts in all']}; a false confirmed track somewhere in {100 * share:.1f} % of cycles"


def _lane(c):
    names = [key.removesuffix(", final") for key in c if key.endswith(", final")]
    return "goes round from: " + "; ".join(f"{name} {c[f'{name}, final']['detour']}" for name in names)


def _planted(c):
    parts = []
    for name in ("planted", "slight", "honest"):
        seeds = percent(c[f"{name}, search: seeds with a contact while moving"])
        first = c[f"{name}, search: evaluations until the first"].get("median")
        parts.append(f"{name}: found in {seeds}" + (f", after {first:g} evaluations in the median" if first else ""))
    return "; ".join(parts)


def _identities(c):
    names = [key.partition(":")[0] for key in c if key.endswith(": no switch")]
    parts = [f"{name.replace('_', ' ')} {c[f'{name}: no switch'].partition(' (')[0]}" for name in names]
    held = c["stop_by_a_wall: track alive or a cell of the body occupied in every cycle"].partition(" (")[0]
    return f"{'; '.join(parts)}; by the wall a track or an occupied cell all the time in {held}"


def _walkers(c):
    held = 100 * c["nearest: held_95, of all instants of people who count"]
    return f"position {middle(c['nearest: position_rms_m'], 'm')}, RMS of a drive; 95 % ellipses hold {held:.1f} %"


def _stands(c):
    parts = []
    for name in STANDING:
        band, sure = (
            c[f"{name}: said with {words}, and share that stand"].split(", ")[1]
            for words in ("0.85 to 0.95", "0.9 or more")
        )
        parts.append(f"{name}: of those said with 0.85 to 0.95 {band} stand, with 0.9 or more {sure}")
    return "; ".join(parts)


def _damaged(c):
    kinds = [key.partition(":")[0] for key in c if key.endswith("anything else")]
    counts = [c[f"{kind}: read, refused, anything else"] for kind in kinds]
    parts = (f"{kind}: {a} read, {b} refused, {n} otherwise" for kind, (a, b, n) in zip(kinds, counts, strict=True))
    return "; ".join(parts)


def _detours(c):
    keys = [key for key in c if key.endswith("(batches)")]
    worst = "; ".join(f"{key.removesuffix(' (batches)')}: {c[key].partition(' (')[0]} batches" for key in keys)
    return f"{c['detours']:,} detours; {worst}"


def _turns(c):
    return "; ".join(f"{key}: {percent(c[key])}" for key in ("a little more turns the verdict", "none exists"))


def _lattice(c):
    parts = []
    for key in (key for key in c if "to spare" in key):
        name = key.partition(":")[0]
        nothing, nobody = (c[f"{name}: {rest}"].partition(" (")[0] for rest in NEVER)
        parts.append(
            f"{name}: {c[key]}; goes where the oracle finds nothing {nothing}, halts with nobody near {nobody}"
        )
    return "; ".join(parts)


NEVER = ("goes where the oracle finds nothing", "halts with nobody within a required distance")
BRAKES = ("baseline", "slow_brakes")
STANDING = ("stop and go", "shipped scenes")
HEADLINES = {
    "exact_adversaries": ("Adversaries inside the envelope, exact knowledge: does it drive into them?", _exact),
    "hiding_adversaries": ("People hide behind a parked van and step out, exact knowledge of what is in sight", _exact),
    "radar_drives": ("Random walkers in all scenes, simulated radars: does it drive into them?", _radar),
    "scenes": ("Every shipped scene, 20 seeds each, simulated radars", _scenes),
    "sensor_faults": ("17 cases of nine kinds of fault, and none: somebody crosses or walks at the flank", _contacts),
    "hidden_person": ("Somebody steps out at 1.6 m/s from behind a parked van", _hidden),
    "flank_starts": ("Somebody unseen beside the flank walks at it as it starts, and nobody looked", _flank),
    "corridor_walkers": ("Two to four real walkers cross the way", _corridor),
    "beside_walkers": ("Real walkers who stay 1.5 to 3.0 m off: does it stop for nothing?", _beside),
    "false_alarms": ("Half a false return a scan, nobody there", _false),
    "empty_yard": ("The empty yard, 20 drives of 60 s", _empty),
    "lane_map": ("Somebody stands in a lane of 6 m, 132 places", _lane),
    "standing_lattice": ("Goes round where the oracle finds a way with 0.30 m to spare, exact knowledge", _lattice),
    "sensed_lattice": ("The same, simulated radars", _lattice),
    "detour_paths_5000": ("Are detours within limits, followed within 0.10 m, clear of things?", _detours),
    "turns_300": ("Does the change that is said to turn a verdict turn it?", _turns),
    "planted_weakness": ("Brakes much (0.5 s) or a little (0.35 s) later than the tuning says", _planted),
    "tracked_walkers": ("Among four real walkers, 24 drives: how far off are tracks?", _walkers),
    "said_to_stand": ("Of those said to stand, how many do?", _stands),
    "kept_identities": ("Identities kept, of 100 seeds", _identities),
    "damaged_logs": ("Damaged logs: a recording, or one line that names the file", _damaged),
}
