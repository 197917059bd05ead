"""A recorded demo opened from disk in Chromium with no network: it plays, steps, jumps and asks for nothing."""

import json
import os
from pathlib import Path

import pytest

from avoidkit import Tuning, drive, load_scene, shipped
from avoidkit.views.demo import demo_frame, export_demo
from tests.browser import labs

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    scene = load_scene(shipped("scenes") / "lane_6m.toml").with_person("Ana", (9.0, 0.6))
    recording = drive(scene, Tuning(), seed=3, duration_s=6.0)
    path = tmp_path_factory.mktemp("demo") / "demo.html"
    export_demo(recording, path)
    return path, recording


def shown(page):
    return page.locator(".ak-answer").get_attribute("data-action"), page.locator(".ak-why").inner_text()


def test_it_shows_each_cycle_as_recorded_and_asks_for_nothing(file, open_page):
    path, recording = file
    page = open_page(1280, 900)
    page.goto(path.as_uri())
    page.wait_for_selector(".ak-answer[data-action]")
    rows = recording.rows
    assert shown(page) == (rows[0].verdict.action, rows[0].verdict.why)
    page.keyboard.press("End")
    assert shown(page) == (rows[-1].verdict.action, rows[-1].verdict.why)
    page.keyboard.press("ArrowLeft")
    assert shown(page) == (rows[-2].verdict.action, rows[-2].verdict.why)
    assert page.locator(".ak-checks tbody tr").count() == len(rows[-2].verdict.checks)
    page.locator(".ak-ribbon").click(position={"x": 2, "y": 10})
    assert page.locator(".ak-time").inner_text().startswith("0.00 s")
    assert page.addresses == [path.as_uri()]
    assert page.troubles == []


def test_it_plays_to_the_end_and_stops_there(file, open_page):
    path, recording = file
    page = open_page(1280, 900)
    page.goto(path.as_uri())
    page.locator("select").select_option("4")
    page.keyboard.press("Escape")
    page.locator("button", has_text="play").click()
    page.wait_for_function("() => document.querySelector('.ak-controls button').textContent === 'play'", timeout=20_000)
    assert page.locator(".ak-time").inner_text().startswith(f"{recording.rows[-1].time_s:.2f} s")


def test_the_pointer_is_told_numbers_and_keys_zoom_and_come_back(file, open_page):
    path, _ = file
    page = open_page(1280, 900)
    page.goto(path.as_uri())
    page.wait_for_selector(".ak-answer[data-action]")
    plan = page.locator(".ak-plan")
    picture = "() => document.querySelector('.ak-plan').toDataURL()"
    whole = page.evaluate(picture)
    plan.focus()
    page.keyboard.press("z")
    assert page.evaluate(picture) != whole
    page.keyboard.press("0")
    assert page.evaluate(picture) == whole
    box = plan.bounding_box()
    for share in range(5, 95, 3):  # along the way of the van, somewhere the van itself
        page.mouse.move(box["x"] + box["width"] * share / 100, box["y"] + box["height"] / 2)
        if page.locator(".ak-tip", has_text="vehicle: x").is_visible():
            break
    assert " m/s" in page.locator(".ak-tip").inner_text()
    page.mouse.move(box["x"] + 5, box["y"] + box["height"] + 40)
    assert page.locator(".ak-tip").is_hidden()
    assert page.troubles == []


def test_two_drives_play_with_one_clock(file, open_page, tmp_path):
    _, recording = file
    other = drive(recording.scene, Tuning().replace({"vehicle.top_mps": 0.5}), seed=3, duration_s=3.0)
    export_demo([recording, other], tmp_path / "two.html")
    page = open_page(1280, 900)
    page.goto((tmp_path / "two.html").as_uri())
    page.wait_for_selector(".ak-two .ak-answer[data-action]")
    page.keyboard.press("End")
    whys = page.locator(".ak-why").all_inner_texts()
    assert whys == [recording.rows[-1].verdict.why, other.rows[-1].verdict.why]  # the shorter one stays at its end
    page.locator(".ak-ribbon").nth(1).click(position={"x": 2, "y": 10})
    assert page.locator(".ak-time").inner_text().startswith("0.00 s")
    assert page.locator(".ak-panel > .ak-about").nth(1).inner_text().find(other.tuning.hash) > 0
    assert page.troubles == []


def test_at_twice_the_size_nothing_is_wider_than_the_page(file, open_page):
    path, _ = file
    page = open_page(640, 480, device_scale_factor=2)  # 1280 px at 200 %
    page.goto(path.as_uri())
    page.keyboard.press("End")
    assert page.evaluate("() => document.documentElement.scrollWidth <= window.innerWidth")


def test_switching_a_layer_off_changes_the_picture(file, open_page):
    path, _ = file
    page = open_page(1280, 900)
    page.goto(path.as_uri())
    picture = "() => document.querySelector('.ak-plan').toDataURL()"
    before = page.evaluate(picture)
    page.locator(".ak-layers label", has_text="grid").locator("input").uncheck()
    assert page.evaluate(picture) != before


def test_the_frame_in_a_notebook_still_plays_after_export_to_html_without_network(file, open_page, tmp_path):
    nbconvert = pytest.importorskip("nbconvert", reason="needs the lab extra: nbconvert is missing")
    nbformat = pytest.importorskip("nbformat", reason="needs the lab extra: nbformat is missing")
    _, recording = file
    output = nbformat.v4.new_output("display_data", data={"text/html": demo_frame(recording)._repr_html_()})
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("demo_frame(recording)", outputs=[output])])
    text, _ = nbconvert.HTMLExporter().from_notebook_node(notebook)
    (tmp_path / "export.html").write_text(text, encoding="utf-8")
    page = open_page(1280, 1000)
    page.goto((tmp_path / "export.html").as_uri(), wait_until="domcontentloaded")
    frame = page.frame_locator("iframe[sandbox='allow-scripts']")
    frame.locator(".ak-answer[data-action]").wait_for(timeout=20_000)
    frame.locator("button", has_text="step ›").click()
    assert frame.locator(".ak-time").inner_text().startswith("0.05 s")
    frame.locator("button", has_text="step ›").press("End")
    assert frame.locator(".ak-why").inner_text() == recording.rows[-1].verdict.why


@pytest.mark.parametrize("theme", ["light", "dark"])
@pytest.mark.parametrize("width", [1280, 1920])
def test_nothing_is_wider_than_the_page_and_text_has_contrast(file, open_page, theme, width):
    path, _ = file
    page = open_page(width, 950, color_scheme=theme)
    page.goto(path.as_uri())
    page.keyboard.press("End")
    assert page.evaluate("() => document.documentElement.scrollWidth <= window.innerWidth")
    least, words = labs.least_contrast(page, "body")
    assert least >= 4.5, words
    folder = os.environ.get("AVOIDKIT_PICTURES")
    if folder:
        Path(folder).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=str(Path(folder) / f"demo_{theme}_{width}.png"))


def test_seeking_is_quick_enough_to_feel_immediate(file, open_page):
    path, recording = file
    page = open_page(1280, 900)
    page.goto(path.as_uri())
    times = page.evaluate(_SEEK, len(recording.rows))
    folder = os.environ.get("AVOIDKIT_PICTURES")
    if folder:
        (Path(folder) / "seek_ms.json").write_text(json.dumps(times))
    assert len(times) == 40  # how long they took is for the benchmark to say


_SEEK = """(count) => {
  const scrub = document.querySelector('input[type=range]'), times = [];
  for (let k = 0; k < 40; k += 1) {
    const begun = performance.now();
    scrub.value = (k * 37) % count;
    scrub.dispatchEvent(new Event('input'));
    times.push(performance.now() - begun);
  }
  return times;
}"""
