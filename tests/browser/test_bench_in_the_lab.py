"""The plain bench in a real JupyterLab in Chromium, used as a person would: run, move a slider, read the verdict."""

import re

import pytest

pytestmark = pytest.mark.browser

BENCH = ".avoidkit-bench"
CELLS = (
    "from avoidkit import load_scene, load_tuning, shipped\nfrom avoidkit.views import bench",
    "scene = load_scene(shipped('scenes') / 'guest_stands_room.toml')\n"
    "bench(scene, load_tuning(shipped('tunings') / 'baseline.toml'), plain=True, person_xy=(8.0, 1.2))",
)


@pytest.fixture
def notebook(make_notebook):
    return make_notebook("plain.ipynb", *CELLS)


def slider(page, name):
    """The handle of the slider with a description that begins with `name`, on the first bench."""
    row = page.locator(f"{BENCH}").first.locator(".widget-slider", has=page.locator(f"label:text('{name}')")).first
    return row.locator(".noUi-handle")


def verdict(page):
    return page.locator(f"{BENCH} .ak-verdict").first


def wait_for_action(page, action, timeout=30_000):
    page.wait_for_selector(f"{BENCH} .ak-verdict[data-action='{action}']", timeout=timeout)


def test_the_notebook_runs_and_a_moved_slider_changes_the_verdict_on_the_page(
    open_notebook, run_all, picture, notebook
):
    page = open_notebook(notebook, width=1280, height=1250)
    run_all(page)
    wait_for_action(page, "detour", timeout=120_000)
    picture(page, "bench_detour")
    assert re.search(r"up to \d\.\d\d m/s", verdict(page).inner_text())

    handle = slider(page, "person x")
    handle.scroll_into_view_if_needed()
    handle.click()
    before = handle.get_attribute("aria-valuetext") or handle.get_attribute("aria-valuenow")
    place = handle.bounding_box()
    page.mouse.move(place["x"] + place["width"] / 2, place["y"] + place["height"] / 2)
    page.mouse.down()
    page.mouse.move(place["x"] - 10, place["y"] + place["height"] / 2, steps=4)
    page.mouse.up()
    after = handle.get_attribute("aria-valuetext") or handle.get_attribute("aria-valuenow")
    assert after != before

    wait_for_action(page, "halt")
    assert "0.00" not in verdict(page).locator("b").inner_text()
    assert "halt" in verdict(page).inner_text()
    rows = page.locator(f"{BENCH} .ak-checks").first.locator("tbody tr")
    assert rows.count() >= 8
    assert page.locator(f"{BENCH} .ak-checks .ak-settles").first.is_visible()
    picture(page, "bench_halt")
    assert [
        address
        for address in page.addresses
        if not address.startswith(("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:"))
    ] == []
    assert page.troubles == []


def test_a_slider_obeys_the_keyboard(open_notebook, run_all, notebook):
    page = open_notebook(notebook, width=1400, height=1000)
    run_all(page)
    wait_for_action(page, "detour", timeout=120_000)
    handle = slider(page, "person y")
    handle.focus()
    for _ in range(6):  # five steps of 5 cm each: from 1.20 m to 2.70 m, beside the lane
        handle.press("PageUp")
    wait_for_action(page, "continue")
