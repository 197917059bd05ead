"""What a notebook shows of records: small, escaped, without script, and complete enough to be of use."""

import os
import subprocess
import sys
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from avoidkit import Action, load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.recording import load_recording
from avoidkit.studies.settled import settle, settled_situation
from avoidkit.views.rich import html_of
from tests.conftest import ROOT
from tests.made_rows import made_rows, made_scene, record

NASTY = "<img src=x onerror=alert(1)> & 'co'"
VOID = {"br", "img", "meta"}


class Tags(HTMLParser):
    """All tags of a text, and whether each that is opened is closed in order."""

    def __init__(self, text):
        super().__init__()
        self.seen, self.open, self.attributes = [], [], []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        self.attributes += [name for name, _ in attrs]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.seen.append(tag)
        self.attributes += [name for name, _ in attrs]

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def checked(text, most=60_000):
    """The tags of a rich form, after what holds for all of them."""
    tags = Tags(text)
    assert tags.open == []
    assert "script" not in tags.seen
    assert "img" not in tags.seen
    assert not [name for name in tags.attributes if name.startswith("on")]
    assert "http" not in text
    assert len(text) < most
    return tags


@pytest.fixture(scope="module")
def recording(tmp_path_factory):
    path = tmp_path_factory.mktemp("rich") / "run.parquet"
    record(path, made_rows(60), made_scene())
    return load_recording(path)


@pytest.mark.parametrize("file", sorted(shipped("scenes").glob("*.toml")), ids=lambda file: file.stem)
def test_a_scene_shows_its_yard_its_path_and_its_people(file):
    scene = load_scene(file)
    text = scene._repr_html_()
    tags = checked(text)
    assert tags.seen.count("circle") == len(scene.people)
    assert f"{scene.reference.length_m:.1f} m" in text
    assert "polyline" in tags.seen


def test_texts_of_a_scene_are_escaped():
    scene = load_scene(shipped("scenes") / "guest_crosses.toml").replace({"title": NASTY})
    text = scene._repr_html_()
    checked(text)
    assert "&lt;img src=x" in text


def test_a_tuning_shows_what_differs_from_the_defaults(tuning):
    assert "every parameter as the defaults" in tuning._repr_html_()
    text = tuning.replace({"decision.clearance_m": 0.4, "name": NASTY})._repr_html_()
    checked(text)
    for word in ("decision.clearance_m", "0.4", "0.2", ">m<", "1 parameter differs", "&lt;img"):
        assert word in text


def test_a_section_of_a_tuning_shows_its_fields_with_units(tuning):
    text = tuning.vehicle._repr_html_()
    checked(text)
    assert "brake_mps2" in text
    assert "m/s^2" in text


def test_a_verdict_shows_sign_cap_reason_and_every_check(tuning):
    scene = load_scene(shipped("scenes") / "open_yard.toml")
    verdict = settle(settled_situation(scene, tuning, [(6.0, 0.3, 0.0, 0.0)]), tuning)
    text = replace(verdict, why=NASTY)._repr_html_()
    tags = checked(text)
    assert tags.seen.count("tr") == len(verdict.checks) + 1
    assert f"data-action='{verdict.action}'" in text
    assert "&lt;img" in text


def test_a_recording_shows_its_summary_and_a_strip_of_its_actions(recording):
    text = recording._repr_html_()
    tags = checked(text)
    changes = 1 + sum(a != b for a, b in zip(recording.actions[1:], recording.actions, strict=False))
    assert tags.seen.count("rect") == changes
    assert "nearest gap" in text
    assert recording.tuning.hash in text
    assert set(recording.actions) <= {str(action) for action in Action}


def test_anything_else_is_its_name_escaped():
    assert html_of("<b>") == "<p>&#x27;&lt;b&gt;&#x27;</p>"


def test_a_mistake_is_one_line_in_a_notebook_without_a_traceback(tmp_path):
    error = InputError("tuning.toml: vehicle.brake_mps2: input should be at least 0.5, got 0.05")
    assert error._render_traceback_() == [f"InputError: {error}"]
    pytest.importorskip("IPython", reason="needs the lab extra: IPython is missing")
    code = "from avoidkit import load_scene; load_scene('nowhere.toml')"
    command = [sys.executable, "-m", "IPython", "--no-banner", "--colors=NoColor", "-c", code]
    env = {**os.environ, "PYTHONPATH": str(ROOT), "IPYTHONDIR": str(tmp_path)}
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=env, cwd=tmp_path)
    assert "Traceback" not in done.stdout + done.stderr
    assert "InputError: nowhere.toml: no such file" in done.stdout + done.stderr
