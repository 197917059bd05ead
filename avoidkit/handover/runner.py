"""Checks an implementation of the handed-over functions against their vectors. Needs Python 3.9 and nothing else.

    python check.py -- ./my_implementation --its-options
    python check.py --kit                                  (the kit itself, where it is installed)

The implementation reads a line of JSON from stdin and writes one to stdout, over and over; README.md says which. A
desk prototype's figures, not evidence of safety: agreement with them says that two programs compute the same, no more.
"""

import argparse
import contextlib
import json
import math
import queue
import shutil
import subprocess
import sys
import threading
from pathlib import Path

WORDS = {"nan": math.nan, "inf": math.inf, "-inf": -math.inf}
FOR_PEOPLE = ("why", "about")  # texts for people: not compared


def differences(wanted, found, absolute, relative, place="output"):
    """Where `found` is not what was wanted, a line each; more entries than wanted do no harm."""
    if isinstance(wanted, dict):
        if not isinstance(found, dict):
            return [f"{place}: an object was wanted, got {short(found)}"]
        out = []
        for key in wanted:
            if key in FOR_PEOPLE:
                continue
            if key not in found:
                out.append(f"{place}.{key} is missing")
            else:
                out += differences(wanted[key], found[key], absolute, relative, f"{place}.{key}")
        return out
    if isinstance(wanted, list):
        if not isinstance(found, list) or len(found) != len(wanted):
            return [f"{place}: a list of {len(wanted)} was wanted, got {short(found)}"]
        pairs = enumerate(zip(wanted, found))  # noqa: B905  (Python 3.9 has no strict)
        return [line for k, (a, b) in pairs for line in differences(a, b, absolute, relative, f"{place}[{k}]")]
    if is_number(wanted) and is_number(found):
        return [] if near(as_number(wanted), as_number(found), absolute, relative) else [unlike(place, wanted, found)]
    return [] if type(wanted) is type(found) and wanted == found else [unlike(place, wanted, found)]


def is_number(value):
    return (isinstance(value, (int, float)) and not isinstance(value, bool)) or value in WORDS


def as_number(value):
    return WORDS[value] if isinstance(value, str) else float(value)


def near(wanted, found, absolute, relative):
    """Whether a number is the one wanted; those that are not finite have to be the same."""
    if not (math.isfinite(wanted) and math.isfinite(found)):
        return wanted == found or (math.isnan(wanted) and math.isnan(found))
    return abs(found - wanted) <= absolute + relative * abs(wanted)


def unlike(place, wanted, found):
    return f"{place}: {short(wanted)} was wanted, got {short(found)}"


def short(value):
    shown = json.dumps(value)
    return shown if len(shown) <= 60 else shown[:57] + "..."


class Subject:
    """The program under test."""

    def __init__(self, command, timeout_s):
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self.timeout_s, self.number, self.lines = timeout_s, 0, queue.Queue()
        self.reader = threading.Thread(target=self._read, daemon=True)
        self.reader.start()

    def _read(self):
        for line in self.process.stdout:
            self.lines.put(line)
        self.lines.put(None)

    def ask(self, call, value):
        """The answer to one call, or `{"broken": why}`."""
        self.number += 1
        asked = {"id": self.number, "call": call, "input": value}
        try:
            self.process.stdin.write(json.dumps(asked, separators=(",", ":")) + "\n")
            self.process.stdin.flush()
        except OSError:
            return {"broken": "it has ended"}
        while True:
            try:
                line = self.lines.get(timeout=self.timeout_s)
            except queue.Empty:
                return {"broken": f"no answer within {self.timeout_s:g} s"}
            if line is None:
                return {"broken": "it has ended"}
            try:
                found = json.loads(line)
            except ValueError:
                return {"broken": f"no JSON: {line[:60]!r}"}
            if isinstance(found, dict) and found.get("id") == self.number:
                return found

    def close(self):
        self.process.kill()
        self.process.wait()
        self.reader.join(1.0)
        for end in (self.process.stdin, self.process.stdout):
            with contextlib.suppress(OSError):  # what was still to be written has nobody to read it
                end.close()


def changed(tuning, changes):
    """A tuning with dotted names changed."""
    out = json.loads(json.dumps(tuning))
    for name, value in changes.items():
        *sections, last = name.split(".")
        place = out
        for section in sections:
            place = place[section]
        place[last] = value
    return out


def judged(vector, answer, tolerance):
    """What is wrong with an answer to one vector, a line each."""
    if "broken" in answer:
        return [answer["broken"]]
    if vector.get("refused"):
        return [] if "refused" in answer else ["it should have been refused"]
    if "output" not in answer:
        return [f"an output was wanted, got {short(answer)}"]
    return differences(vector["output"], answer["output"], tolerance["absolute"], tolerance["relative"])


def check_file(subject, content, tuning):
    """Ask all vectors of one file; yields (name, what is wrong)."""
    told = {"protocol": content["protocol"], "tuning_hash": content["tuning_hash"]}
    answer = subject.ask("begin", dict(told, tuning=changed(tuning, content["tuning_changes"])))
    if answer.get("output", {}).get("ready") is not True:
        for vector in content["vectors"]:
            yield vector["name"], [f"begin was not answered: {short(answer)}"]
        return
    for vector in content["vectors"]:
        yield vector["name"], judged(vector, subject.ask(content["function"], vector["input"]), content["tolerance"])


def check(folder, command, timeout_s=10.0, only=None, say=None):
    """Check a program against a folder; returns how many vectors there were and how many were right."""
    folder, say = Path(folder), say or (lambda line: None)
    tuning = json.loads((folder / "tuning.json").read_text(encoding="utf-8"))
    total = good = 0
    for file in sorted((folder / "vectors").glob("*.json")):
        content = json.loads(file.read_text(encoding="utf-8"))
        if only and content["function"] not in only:
            continue
        subject = Subject(command, timeout_s)
        try:
            results = list(check_file(subject, content, tuning))
        finally:
            subject.close()
        right = sum(not wrong for _, wrong in results)
        total, good = total + len(results), good + right
        say(f"{content['function']:<14} {right} of {len(results)} vectors")
        for name, wrong in results:
            for line in wrong[:3]:
                say(f"    {name}: {line}")
    return total, good


def tell(line):
    sys.stdout.write(line + "\n")


def main(arguments=None):
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument(
        "--folder", metavar="DIR", default=Path(__file__).resolve().parent, help="the hand-over (that of this file)"
    )
    parser.add_argument("--function", action="append", metavar="NAME", help="only this one; may be said again")
    parser.add_argument("--timeout", type=float, default=10.0, metavar="S", help="for one answer (10 s)")
    parser.add_argument("--kit", action="store_true", help="check the kit itself")
    parser.add_argument("command", nargs="*", metavar="COMMAND", help="program and arguments, after --")
    options = parser.parse_args(arguments)
    command = [sys.executable, "-m", "avoidkit.handover.serve"] if options.kit else options.command
    wrong = mistake(Path(options.folder), command, options)
    if wrong:
        parser.error(wrong)
    total, good = check(options.folder, command, options.timeout, options.function, tell)
    sys.stdout.write(f"{good} of {total} vectors right\n")
    return 0 if total and good == total else 1


def mistake(folder, command, options):
    """What is wrong with what was asked for, in words; empty: nothing."""
    if not command:
        return "name a program after --, or say --kit"
    if shutil.which(command[0]) is None:
        return f"{command[0]}: there is no such program, or it may not be run"
    if not 0.0 < options.timeout <= 3600.0:
        return f"--timeout must lie between 0 and 3600 s, got {options.timeout}"
    known = sorted(file.stem for file in (folder / "vectors").glob("*.json"))
    if not known or not (folder / "tuning.json").is_file():
        return f"{folder}: is no hand-over: tuning.json and vectors/*.json were wanted"
    unknown = [name for name in options.function or () if name not in known]
    return f"--function must be one of {', '.join(known)}, got {unknown[0]}" if unknown else ""


if __name__ == "__main__":
    sys.exit(main())
