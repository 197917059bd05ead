"""What the documents say is so: their code runs, their commands and files exist."""

import doctest
import re
import shlex
import subprocess
import textwrap
import tomllib
from pathlib import Path

import pytest

from avoidkit.parameters import validated
from avoidkit.scene import Scene
from avoidkit.tuning import Tuning
from tests.conftest import ROOT

PAGES = ("README.md", "DEVELOPERS.md")
BLOCK = re.compile(r"^( *)```(\w+)\n(.*?)^\1```$", re.MULTILINE | re.DOTALL)


def blocks(page, language):
    """Texts of the fenced blocks of one language, in order, without their indentation."""
    text = (ROOT / page).read_text(encoding="utf-8")
    return [textwrap.dedent(body) for _, kind, body in BLOCK.findall(text) if kind == language]


@pytest.mark.parametrize("page", PAGES)
def test_the_python_of_a_page_runs_from_top_to_bottom(page, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    names = {"__name__": page}
    for block in blocks(page, "python"):
        exec(compile(block, page, "exec"), names)  # noqa: S102


def _commands(block):
    """(command line, what the page says it prints) of a console block, in order."""
    for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
        line, _, said = piece.partition("\n")
        yield line, said


def _drives(block):
    """Whether a block has a command that takes long."""
    return any(f"avoidkit {name}" in block for name in ("drive", "map", "handover"))


def _carried_out(line, said, capsys):
    """(exit code, what it printed, what the page says of that); other programs than the kit's are the shell's."""
    from avoidkit.cli import main

    program, *arguments = shlex.split(line)
    if program == "avoidkit":
        code = main(arguments)
        out = capsys.readouterr()
        return code, out.out + out.err, said
    line, said = (f"{line}\n{said}", "") if "<<" in line else (line, said)
    done = subprocess.run(["sh", "-c", line], capture_output=True, text=True, check=False)
    return done.returncode, done.stdout + done.stderr, said


@pytest.mark.parametrize(
    "which", ["those without a drive", pytest.param("all", marks=pytest.mark.slow)], ids=["quick", "all"]
)
def test_in_reading_order_each_command_of_the_page_prints_what_it_says_but_for_numbers(
    which, tmp_path, monkeypatch, capsys
):
    monkeypatch.chdir(tmp_path)
    told = [block for block in blocks("README.md", "console") if which == "all" or not _drives(block)]
    assert len(told) >= 3
    for line, said in (command for block in told for command in _commands(block)):
        code, printed, said = _carried_out(line, said, capsys)
        assert code == (2 if "check mistaken" in line else 0), f"$ {line}\n{printed}"
        alike = doctest.OutputChecker().check_output(_masked(said), _masked(printed), doctest.ELLIPSIS)
        assert alike, f"$ {line}\n{printed}"


def _masked(text):
    """A text without its numbers and hashes: those on the page are of one run; `...` stands for anything."""
    text = re.sub(r"\b[0-9a-f]{12}\b", "HASH", text)
    return re.sub(r" +", " ", re.sub(r"\d+(\.\d+)?", "N", text))


def test_each_example_of_a_file_is_one(tmp_path):
    names = []
    for block in blocks("README.md", "toml"):
        plain = tomllib.loads(block)
        names.append(validated(Scene if "path" in plain else Tuning, plain, "README").name)
    assert names == ["careful", "mill gate"]


@pytest.mark.parametrize("page", PAGES)
def test_every_file_that_a_page_links_to_is_there(page):
    text = (ROOT / page).read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    assert [link for link in links if not (ROOT / link).exists()] == []


def test_the_map_of_modules_names_every_module():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`(\w+)/?`", text.split("## Map")[1].split("## Three")[0]))
    there = {file.stem for file in (ROOT / "avoidkit").glob("*.py")} - {"__init__"}
    folders = {folder.name for folder in (ROOT / "avoidkit").iterdir() if (folder / "__init__.py").is_file()}
    assert there | folders <= named


def test_each_of_the_two_commands_does_all_the_set_up():
    lab, test = (block.strip() for block in blocks("README.md", "sh")[:2])
    set_up = "python3 -m venv .venv && .venv/bin/pip install -e '.[all]' && .venv/bin/avoidkit compile && "
    assert lab == f"{set_up}.venv/bin/jupyter lab --allow-root notebooks/01_wait_or_go_round.ipynb"
    assert test == f"{set_up}.venv/bin/python -m pytest -n auto"


def test_the_page_for_users_starts_with_the_job_and_names_the_cautions():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert text.index("halt and wait, or go round") < text.index("```sh") < text.index("## Cautions")
    assert "no evidence of safety" in text


def test_no_file_names_a_place_on_one_machine():
    pattern = re.compile(r"(^|[^A-Za-z0-9_.])/(work|farm|root)/")
    kept = [Path(p) for p in ("avoidkit", "tests", "data", "notebooks", ".ci")]
    files = [
        f
        for folder in kept
        for f in (ROOT / folder).rglob("*")
        if f.suffix in {".py", ".toml", ".ipynb", ".json", ".csv", ".js"}
    ]
    found = [
        f.relative_to(ROOT) for f in files if f.name != "test_docs.py" and pattern.search(f.read_text(encoding="utf-8"))
    ]
    assert found == []


def _labels():
    """(kind, label) of everything that a user reads or types and that can be collected from the code."""
    import argparse
    from typing import get_args

    from avoidkit.cli import parser
    from avoidkit.roles import Fault
    from avoidkit.studies import metrics
    from avoidkit.verdict import Action
    from avoidkit.views.figures import LAYERS

    commands = next(a for a in parser()._actions if isinstance(a, argparse._SubParsersAction)).choices
    yield from (("command", name) for name in commands)
    yield from (("option", o) for c in commands.values() for a in c._actions for o in a.option_strings)
    yield from (("action", str(action)) for action in Action)
    yield from (("section", name) for name in Tuning.model_fields)
    yield from (("fault", kind) for kind in get_args(Fault.model_fields["kind"].annotation))
    yield from (("layer", name) for name in LAYERS)
    source = Path(metrics.__file__).read_text(encoding="utf-8")
    yield from (("column", name) for name in re.findall(r'^ +"([a-z_]+)":', source, re.MULTILINE))


def test_the_table_of_words_says_of_each_label_where_it_comes_from():
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.split("### Label by label")[1].split("\n## ")[0]
    told = set(re.findall(r"`([^`]+)`", table))
    labels = list(_labels())
    assert len(labels) > 100
    assert sorted({f"{kind} {label}" for kind, label in labels if label not in told}) == []


def test_the_figures_of_the_long_studies_are_those_of_their_tables():
    from tests.evidence import headlines

    assert "\n".join(headlines.lines()) in (ROOT / "README.md").read_text(encoding="utf-8")
