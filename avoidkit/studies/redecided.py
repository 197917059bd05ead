"""What deciding again came to: a table of every cycle, of what changed and why, and what the marks say."""

import html
import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from avoidkit.studies.marks import Marks, counted, judged

CAP_MPS = 0.005  # caps nearer to each other than this are not called a change
CAUTION = "Open loop: the recorded vehicle went where it went, whatever the new verdicts say."


@dataclass(frozen=True, eq=False)
class Redecided:
    """Old and new verdicts on one recording.

    Attributes
    ----------
    name, scene, seed, start
        The recording's file (or scene), its scene and seed, and where deciding again began.
    was, now : (name, hash)
        The recording's tuning and the one decided with; where a decision of one's own was asked, `now` has its name.
    frame : DataFrame
        One line a cycle, see `columns_of`; `changed` is "", `action`, `path` or `speed`; `as_driven` is False from
        the cycle on in which the new verdicts would have led the vehicle elsewhere.
    elsewhere_s : float
        That cycle's instant; inf: never.
    notes : tuple of str
    marks : Marks
    creep_mps : (float, float)
        Creep speed of the recording's tuning and of the new one.
    """

    name: str
    scene: str
    seed: int
    start: str
    was: tuple
    now: tuple
    frame: object
    elsewhere_s: float
    notes: tuple
    marks: Marks
    creep_mps: tuple

    @property
    def identical(self):
        """Whether every verdict is the same to the last bit: action, cap, path, checks, reasons and memory."""
        return bool(self.frame["identical"].all())

    @cached_property
    def changed(self):
        """The lines of the cycles whose verdict changed."""
        return self.frame[self.frame["changed"] != ""].reset_index(drop=True)

    @cached_property
    def stretches(self):
        """Neighbouring changed cycles of one kind and reason as one line each: what a person reads."""
        return stretches_of(self.frame)

    @property
    def note(self):
        """From when on the new verdicts would have led the vehicle elsewhere, in words."""
        if not math.isfinite(self.elsewhere_s):
            return "The new verdicts would have led the vehicle to the same places all the way."
        later = int(np.count_nonzero((self.frame["changed"] != "") & ~self.frame["as_driven"]))
        return (
            f"From {self.elsewhere_s:.2f} s on the new verdicts would have led the vehicle elsewhere: the {later} "
            "changes from there on answer situations that would not have come about. Drive again to see what would."
        )

    @cached_property
    def marked(self):
        """Each mark against the old and the new verdicts: list of (mark's line before, line after)."""
        f = self.frame
        sides = [
            judged(self.marks, f["time_s"], f[f"action_{k}"], f[f"settled_{k}"], f[f"cap_{k}_mps"], creep)
            for k, creep in zip(("before", "after"), self.creep_mps, strict=True)
        ]
        return list(zip(*sides, strict=True))

    def summary(self):
        """One line of numbers, for a table of many recordings."""
        f, kinds = self.frame, self.frame["changed"]
        out = {
            "recording": self.name, "scene": self.scene, "seed": self.seed, "start": self.start, "cycles": len(f),
            "identical": self.identical, "changed": int((kinds != "").sum()),
            **{f"changed_{kind}": int((kinds == kind).sum()) for kind in ("action", "path", "speed")},
            "changed_as_driven": int(((kinds != "") & f["as_driven"]).sum()),
            "new_stops": int((_stands(f, "after") & ~_stands(f, "before")).sum()),
            "stops_gone": int((_stands(f, "before") & ~_stands(f, "after")).sum()),
            "elsewhere_s": self.elsewhere_s, "errors": int((f["error"] != "").sum()),
        }  # fmt: skip
        before, after = (counted([pair[k] for pair in self.marked]) for k in (0, 1))
        for kind, (total, missed) in after.items():
            key = kind.replace(" ", "_")
            out |= {f"{key}_marks": total, f"{key}_not_met_before": before[kind][1], f"{key}_not_met_after": missed}
        return out

    def lines(self, most=12):
        """In words, a line each."""
        s, old, new = self.summary(), " ".join(self.was), " ".join(self.now)
        out = [f"{self.name}: {s['cycles']} cycles decided again from {self.start}, {old} -> {new}"]
        if s["identical"]:
            out.append("  every verdict is identical")
        else:
            parts = ", ".join(f"{kind} in {s[f'changed_{kind}']}" for kind in ("action", "path", "speed"))
            out.append(f"  changed in {s['changed']} cycles: {parts}")
            out += [f"  {_stretch_line(row)}" for row in self.stretches.head(most).to_dict("records")]
            more = len(self.stretches) - most
            out += [f"  and {more} more stretches"] if more > 0 else []
            out.append(f"  {self.note}")
        out += [f"  mark: {_mark_line(a, b)}" for a, b in self.marked]
        return out + [f"  NOTE: {note}" for note in self.notes]

    def _repr_html_(self):
        head, *rest = [line.strip() for line in self.lines(most=0)]
        items = "".join(f"<li>{html.escape(line)}</li>" for line in rest if line and not line.startswith("and "))
        table = self.stretches.to_html(index=False, escape=True, float_format="%.2f") if len(self.stretches) else ""
        return f"<p><b>{html.escape(head)}</b><br>{html.escape(CAUTION)}</p><ul>{items}</ul>{table}"


def columns_of(row, verdict, error):
    """One cycle's line: old and new verdict side by side, what changed, whether they are the same to the last bit."""
    old = row.verdict
    same_way = old.path is verdict.path or _same_path(old.path, verdict.path)
    return {
        "time_s": row.time_s,
        "action_before": str(old.action),
        "action_after": str(verdict.action),
        "cap_before_mps": float(old.speed_cap_mps),
        "cap_after_mps": float(verdict.speed_cap_mps),
        "settled_before": old.settled_by,
        "settled_after": verdict.settled_by,
        "why_before": row.error or old.why,
        "why_after": error or verdict.why,
        "path_before": old.path.name,
        "path_after": verdict.path.name,
        "changed": _kind(old, verdict, same_way),
        "identical": same_way and _same_verdict(old, verdict),
        "error": error,
    }


def frame_of(lines, elsewhere_s):
    """The lines as a DataFrame, with `as_driven`."""
    import pandas as pd

    frame = pd.DataFrame(lines)
    frame["as_driven"] = frame["time_s"] < elsewhere_s - 1e-9
    return frame


def stretches_of(frame):
    """Neighbouring changed cycles with the same actions and the same settling checks, a line each.

    Caps and reasons of a line are those of the cycle in which old and new cap are farthest apart.
    """
    import pandas as pd

    keys = ["changed", "action_before", "action_after", "settled_before", "settled_after", "as_driven"]
    columns = ["from_s", "to_s", "cycles", *keys, "cap_before_mps", "cap_after_mps", "why_before", "why_after"]
    changed = frame[frame["changed"] != ""]
    if changed.empty:
        return pd.DataFrame(columns=columns)
    neighbours = changed.index.to_series().diff().ne(1) | changed[keys].ne(changed[keys].shift()).any(axis=1)
    groups = changed.groupby(neighbours.cumsum())
    apart = (changed["cap_after_mps"] - changed["cap_before_mps"]).abs()
    at = [apart[group.index].idxmax() for _, group in groups]  # the cycle in which the two are farthest apart speaks
    out = changed.loc[at].reset_index(drop=True)
    out["from_s"], out["to_s"] = groups["time_s"].min().to_numpy(), groups["time_s"].max().to_numpy()
    out["cycles"] = groups.size().to_numpy()
    return out[columns]


def overview(results):
    """One table of many: a line per recording."""
    import pandas as pd

    return pd.DataFrame([one.summary() for one in results])


def _kind(old, new, same_way):
    if old.action != new.action:
        return "action"
    if not same_way:
        return "path"
    return "speed" if abs(old.speed_cap_mps - new.speed_cap_mps) > CAP_MPS else ""


def _same_path(a, b):
    return a.name == b.name and len(a) == len(b) and all(
        np.array_equal(getattr(a, n), getattr(b, n)) for n in ("s_m", "x_m", "y_m", "yaw_rad", "direction")
    )  # fmt: skip


def _same_verdict(a, b):
    plain = ("action", "speed_cap_mps", "settled_by", "why")
    if any(getattr(a, name) != getattr(b, name) for name in plain) or len(a.checks) != len(b.checks):
        return False
    checks = zip(a.checks, b.checks, strict=True)
    return _same_record(a.memory, b.memory) and all(_same_record(one, other) for one, other in checks)


def _same_record(a, b):
    pairs = ((getattr(a, name), getattr(b, name)) for name in a.__slots__)
    return all(x == y or (x != x and y != y) for x, y in pairs)  # NaN equals NaN here


def _stands(frame, side):
    return frame[f"action_{side}"].isin(["halt", "wait"])


def _stretch_line(row):
    when = f"{row['from_s']:6.2f} to {row['to_s']:6.2f} s"
    if row["changed"] == "action":
        what = f"{row['action_before']} -> {row['action_after']}"
    elif row["changed"] == "path":
        what = f"{row['action_after']} on another path"
    else:
        what = f"{row['action_after']} at {row['cap_before_mps']:.2f} -> {row['cap_after_mps']:.2f} m/s"
    return f"{when}  {what:<34} {row['why_after']}{'' if row['as_driven'] else '  (elsewhere by then)'}"


def _mark_line(before, after):
    def said(line):
        return "met" if line["met"] else f"not met in {line['wrong']} of {line['cycles']} cycles"

    note = f" ({after['note']})" if after["note"] else ""
    head = f"{after['kind']}, {after['from_s']:.2f} to {after['to_s']:.2f} s{note}"
    return f"{head}: before {said(before)}, now {said(after)}"
