"""The kit as an implementation that speaks JSON lines: the first subject of the vectors, and a model for others.

Each line in is `{"id": n, "call": name, "input": ...}`, each line out `{"id": n, "output": ...}`, or
`{"id": n, "refused": why}` where the input is none. The first call is `begin`: it brings the tuning.
Run as `python -m avoidkit.handover.serve`.
"""

import sys

from avoidkit.checks import InputError
from avoidkit.handover.functions import FUNCTIONS
from avoidkit.handover.wire import PROTOCOL, from_line, part, table, to_line
from avoidkit.tuning import Tuning, validated

LONGEST = 8_000_000  # signs in a line


class Answers:
    """Answers lines; remembers the tuning and the paths since the last `begin`."""

    def __init__(self, tuning=None, functions=FUNCTIONS):
        self._tuning, self._functions, self._known = tuning, functions, {}

    def answer(self, line):
        """One line out for one line in, without the line break; whatever was wrong with it is refused in words."""
        number = None
        try:
            asked = table(from_line(line), "request")
            number = asked.get("id")
            return to_line({"id": number, "output": self._output(asked)})
        except (ArithmeticError, LookupError, ValueError) as error:  # numbers so large that arithmetic fails, as well
            why = str(error) if isinstance(error, InputError) else f"{type(error).__name__}: {error}"
            return to_line({"id": number if isinstance(number, int) else None, "refused": why})

    def _output(self, asked):
        call, value = part(asked, "call", "request"), table(part(asked, "input", "request"), "input")
        if call == "begin":
            return self._begin(value)
        if not isinstance(call, str) or call not in self._functions:
            raise InputError(f"call must be one of begin, {', '.join(self._functions)}, got {call!r}")
        if self._tuning is None:
            raise InputError(f"call begin before {call}: it brings the tuning")
        return self._functions[call].call(self._tuning, value, self._known)

    def _begin(self, value):
        if value.get("protocol") != PROTOCOL:
            raise InputError(f"protocol must be {PROTOCOL}, got {value.get('protocol')!r}")
        self._tuning, self._known = validated(Tuning, part(value, "tuning", "input"), "tuning"), {}
        return {"ready": True, "tuning_hash": self._tuning.hash}


def serve(lines=None, out=None, functions=FUNCTIONS):
    """Answer every line until there are no more; a line that is too long is refused.

    Parameters
    ----------
    lines : text stream, optional
        stdin by default.
    out : text stream, optional
        stdout by default.
    functions : dict of str to Exported
    """
    lines, out, answers = lines or sys.stdin, out or sys.stdout, Answers(functions=functions)
    while line := lines.readline(LONGEST):
        if len(line) >= LONGEST:
            out.write(to_line({"id": None, "refused": f"a line has at most {LONGEST} signs"}) + "\n")
            return
        if line.strip():
            out.write(answers.answer(line) + "\n")
            out.flush()


if __name__ == "__main__":
    serve()
