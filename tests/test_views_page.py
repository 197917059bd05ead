"""The page: our own scripts keep our own rules, signs agree with the figures, a demo is one closed file."""

import base64
import hashlib
import json
import re
import shutil
import subprocess
from html.parser import HTMLParser
from pathlib import Path

import numpy as np
import pytest

from avoidkit import drive, load_scene, shipped
from avoidkit.checks import InputError
from avoidkit.views import demo, frames, style

ROOT = Path(__file__).resolve().parent.parent
SCRIPTS = sorted((ROOT / "avoidkit" / "views").glob("*.js"))
FORBIDDEN = re.compile(
    r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\b|new Function|\bfetch\b|XMLHttpRequest"
    r"|WebSocket|EventSource|sendBeacon|localStorage|sessionStorage|import\(|https?://"
)
NODE = shutil.which("node")
needs_node = pytest.mark.skipif(NODE is None, reason="needs Node.js, which is not on the path")


@needs_node
def test_the_pages_own_arithmetic_passes_its_tests_in_node():
    tests = [str(path) for path in sorted((ROOT / "tests" / "js").glob("*.mjs"))]
    assert tests
    done = subprocess.run([NODE, "--test", *tests], capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 0, done.stdout[-3000:]


@needs_node
@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_node_can_read_each_script(script):
    assert subprocess.run([NODE, "--check", str(script)], capture_output=True, check=False).returncode == 0


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_no_script_writes_markup_runs_text_or_asks_the_network(script):
    assert FORBIDDEN.findall(script.read_text(encoding="utf-8")) == []


def test_the_rules_find_what_they_forbid():
    assert FORBIDDEN.findall("x.innerHTML = y; fetch('a')") == ["innerHTML", "fetch"]


def test_signs_of_the_page_are_those_of_the_figures():
    text = (ROOT / "avoidkit" / "views" / "plan.js").read_text(encoding="utf-8")
    found = re.findall(
        r"^  (\w+): \{letter: '(\w)', shape: '\w+', color: '(#\w+)', ink: '(#\w+)', .*word: '([\w ]+)'\}", text, re.M
    )
    wanted = [(str(action), s.letter, s.color, s.ink, s.word) for action, s in style.SIGNS.items()]
    assert found == wanted


def test_numbers_that_json_cannot_hold_become_their_names():
    assert [frames.number(value) for value in (float("nan"), float("inf"), -float("inf"), 2 / 3)] == [
        "nan",
        "inf",
        "-inf",
        0.667,
    ]


def test_runs_give_back_the_cells():
    cells = np.random.default_rng(3).integers(0, 3, 500).astype(np.uint8)
    runs = np.array(frames.runs_of(cells.tobytes())).reshape(-1, 2)
    assert np.array_equal(np.repeat(runs[:, 0], runs[:, 1]), cells)
    assert frames.runs_of(b"") == []


# -- a demo -----------------------------------------------------------------------------------------------

MEAN = '</script><script>alert(1)</script> """; import os'


@pytest.fixture(scope="module")
def recording():
    from avoidkit import Tuning

    scene = load_scene(shipped("scenes") / "lane_6m.toml").replace({"title": MEAN})
    return drive(scene.with_person(f"Ana {MEAN}", (9.0, 1.0)), Tuning(), seed=3, duration_s=2.0)


class Page(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.tags, self.texts, self._open = [], {}, None
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        self._open = (tag, dict(attributes).get("type", ""))

    def handle_endtag(self, tag):
        self._open = None

    def handle_data(self, data):
        self.texts[self._open] = self.texts.get(self._open, "") + data


@pytest.fixture(scope="module")
def page(recording):
    return Page(demo.demo_html(recording))


def test_a_demo_holds_every_cycle_with_its_verdict_in_the_order_driven(recording, page):
    data = json.loads(page.texts["script", "application/json"])
    assert len(data["frames"]) == len(recording.rows)
    for frame, row in zip(data["frames"], recording.rows, strict=True):
        assert frame["t"] == pytest.approx(row.time_s, abs=5e-4)
        assert frame["action"] == row.verdict.action
        assert data["texts"][frame["why"]] == row.verdict.why
        assert [data["texts"][check[0]] for check in frame["checks"]] == [check.name for check in row.verdict.checks]
    assert data["title"] == MEAN
    assert any(MEAN in text for text in data["texts"])


def test_the_grid_of_a_demo_is_the_one_recorded(recording, page):
    data = json.loads(page.texts["script", "application/json"])
    first = recording.rows[0].grid.cells
    runs = np.array(data["grids"][0]["runs"]).reshape(-1, 2)
    assert np.array_equal(np.repeat(runs[:, 0], runs[:, 1]).reshape(first.shape), first)


def test_a_mean_title_stays_a_title(recording, page):
    text = demo.demo_html(recording)
    assert text.count("<script") == 2
    assert "alert(1)</script>" not in text
    assert [tag for tag, _ in page.tags].count("script") == 2


def test_the_policy_of_a_demo_forbids_every_connection_and_allows_only_its_own_script(page):
    policy = next(a["content"] for tag, a in page.tags if tag == "meta" and "http-equiv" in a)
    script = page.texts["script", "module"]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    assert policy.startswith("default-src 'none';")
    assert f"script-src 'sha256-{digest}'" in policy
    assert "unsafe" not in policy


def test_a_demo_points_nowhere_and_has_no_inline_handlers(page):
    for tag, attributes in page.tags:
        assert tag not in ("link", "img", "iframe", "object", "base", "form")
        assert not [name for name in attributes if name.startswith("on") or name in ("src", "href", "style")]


def test_a_bundle_has_no_imports_left_and_every_name_once():
    from avoidkit.views.canvas import SCRIPTS

    for scripts in (demo.SCRIPTS, SCRIPTS):
        text = demo.bundle(*scripts)
        assert "import " not in re.sub(r"//.*", "", text)
        names = re.findall(r"^(?:export )?(?:function|const|class) (\w+)", text, re.M)
        assert len(names) == len(set(names))


def test_a_part_of_a_drive_can_be_shown(recording):
    data = demo.demo_data(recording, from_s=0.5, to_s=1.5, every=2)
    assert [frame["t"] for frame in data["frames"]] == pytest.approx(np.arange(0.5, 1.51, 0.1).tolist(), abs=1e-3)
    with pytest.raises(InputError, match=r"^from_s 50, to_s None: no recorded row lies between$"):
        demo.demo_data(recording, from_s=50)


def test_a_demo_is_written_whole_or_not_at_all(recording, tmp_path):
    demo.export_demo(recording, tmp_path / "demo.html")
    assert (tmp_path / "demo.html").read_text(encoding="utf-8").startswith("<!doctype html>")
    assert [path.name for path in tmp_path.iterdir()] == ["demo.html"]
    with pytest.raises(InputError, match="cannot be written"):
        demo.export_demo(recording, tmp_path / "missing" / "demo.html")


def test_the_frame_in_a_notebook_is_sandboxed_without_the_notebooks_origin(recording):
    text = demo.demo_frame(recording)._repr_html_()
    tags = Page(text).tags
    assert [tag for tag, _ in tags] == ["iframe", "details", "summary", "code", "img"]
    assert tags[4][1]["src"].startswith("data:image/png;base64,")
    assert MEAN in tags[4][1]["alt"]
    assert tags[0][1]["sandbox"] == "allow-scripts"
    assert tags[0][1]["srcdoc"].startswith("<!doctype html>")


def test_two_recordings_stand_side_by_side_with_what_each_was_driven_with(recording):
    other = drive(recording.scene, recording.tuning.replace({"vehicle.top_mps": 0.5}), seed=3, duration_s=1.0)
    data = demo.demo_data([recording, other])
    assert data["title"] == MEAN
    assert [len(one["frames"]) for one in data["demos"]] == [len(recording.rows), len(other.rows)]
    assert other.tuning.hash in data["demos"][1]["about"]
    assert data["caution"] == demo.CAUTION
    with pytest.raises(InputError, match=r"^one or two recordings were wanted, got 3$"):
        demo.demo_data([recording, other, other])
    assert demo.demo_data([recording])["frames"] == demo.demo_data(recording)["frames"]


def test_a_gif_shows_real_time_five_times_a_second_and_no_more_than_asked(recording, tmp_path):
    image = pytest.importorskip("PIL.Image", reason="needs pillow")
    from avoidkit.views.gif import export_gif

    export_gif(recording, tmp_path / "slide.gif", from_s=0.5, to_s=1.3)
    with image.open(tmp_path / "slide.gif") as gif:
        assert gif.n_frames == 5
        assert gif.info["duration"] == 200
    with pytest.raises(InputError, match=r"^from_s 50, to_s None: no recorded row lies between$"):
        export_gif(recording, tmp_path / "none.gif", from_s=50)
    assert not (tmp_path / "none.gif").exists()
