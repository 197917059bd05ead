"""The canvas bench in a real JupyterLab, by hand: slider, space bar, two tunings, saving, map, a kernel that goes."""

import subprocess
import sys

import pytest

from tests.browser import labs
from tests.browser.test_canvas_in_the_lab import ANSWER, PLAN, QUIET_CELLS, Plan, wait_for

pytestmark = pytest.mark.browser

HEADLINE = "() => document.querySelector('.ak-bench .ak-head').innerText"


@pytest.fixture
def quiet(make_notebook, open_notebook, run_all):
    page = open_notebook(make_notebook("byhand.ipynb", *QUIET_CELLS), width=1280, height=1200)
    run_all(page)
    wait_for(page, "detour", timeout=120_000)
    return page


def live(page, seconds=0.0):
    page.locator(".ak-modes input[value='live']").check()
    page.wait_for_selector(f"{PLAN}[data-cycle]", timeout=30_000)
    page.wait_for_timeout(1000 * seconds)


def speed(page):
    """What the clock's line says: s, m/s, held or not."""
    said = page.locator(".ak-said").inner_text()
    seconds, mps, held, *_ = said.split(", ")
    return float(seconds.split()[0]), float(mps.split()[0]), held.split(";")[0].split(".")[0] == "held"


def open_part(page, title):
    page.get_by_text(title).first.click()


def test_hold_to_run_by_the_space_bar_moves_the_vehicle_and_letting_go_stops_it(quiet, picture):
    live(quiet)
    quiet.locator(PLAN).first.focus()
    assert speed(quiet)[1] == 0.0
    quiet.keyboard.down(" ")
    quiet.wait_for_function(
        "() => / [01].[3-9]\\d m.s, held/.test(document.querySelector('.ak-said').innerText)", timeout=20_000
    )
    picture(quiet, "live_held")
    quiet.keyboard.up(" ")
    quiet.wait_for_function(
        "() => /, 0.00 m.s, not held/.test(document.querySelector('.ak-said').innerText)", timeout=5_000
    )
    assert "hold-to-run" in quiet.locator(".ak-why").first.inner_text()
    # whatever takes the hand away is a release
    quiet.keyboard.down(" ")
    quiet.wait_for_function("() => /, held/.test(document.querySelector('.ak-said').innerText)", timeout=5_000)
    quiet.evaluate("() => document.activeElement.blur()")
    quiet.wait_for_function("() => /, not held/.test(document.querySelector('.ak-said').innerText)", timeout=5_000)
    assert quiet.troubles == []


def test_somebody_who_is_dragged_before_the_moving_vehicle_stops_it(quiet):
    live(quiet)
    quiet.locator(PLAN).first.focus()
    quiet.keyboard.down(" ")
    quiet.wait_for_function(
        "() => / [01].[3-9]\\d m.s, held/.test(document.querySelector('.ak-said').innerText)", timeout=20_000
    )
    plan = Plan(quiet)
    quiet.mouse.move(*plan.at(8.0, 1.2))
    quiet.mouse.down()
    for k in range(20):
        quiet.mouse.move(*plan.at(8.0 - 0.06 * k, 1.2 - 0.06 * k))
        quiet.wait_for_timeout(50)
    wait_for(quiet, "halt", timeout=10_000)
    quiet.wait_for_function(
        "() => /, 0.00 m.s, held/.test(document.querySelector('.ak-said').innerText)", timeout=5_000
    )
    quiet.mouse.up()
    quiet.keyboard.up(" ")


def stands_still(page, *, tries=10):
    """Whether the clock comes to show one time for 1.5 s; on a busy machine a last step may be under way."""
    for _ in range(tries):
        before = speed(page)[0]
        page.wait_for_timeout(1500)
        if speed(page)[0] == before:
            return True
    return False


def test_the_clock_can_be_stopped_stepped_and_begun_anew(quiet):
    live(quiet)
    step = quiet.locator(".ak-clock button", has_text="step")
    first = speed(quiet)[0]
    for _ in range(3):
        step.click()
    quiet.wait_for_function(
        f"() => document.querySelector('.ak-said').innerText.startsWith('{first + 0.15:.2f} s')", timeout=10_000
    )
    quiet.locator(".ak-clock button", has_text="play").click()
    quiet.wait_for_function("() => parseFloat(document.querySelector('.ak-said').innerText) > 1", timeout=20_000)
    quiet.locator(".ak-clock button", has_text="pause").click()
    assert stands_still(quiet)
    quiet.locator(".ak-clock button", has_text="from the start").click()
    quiet.wait_for_function("() => document.querySelector('.ak-said').innerText.startsWith('0.00 s')", timeout=10_000)


def test_a_slider_changes_the_answer_and_two_tunings_stand_side_by_side(quiet, picture):
    open_part(quiet, "Tuning: every parameter")
    before = quiet.evaluate(HEADLINE)
    handle = quiet.locator(".widget-hbox:has(> .widget-html:has-text('vehicle.top_mps')) .noUi-handle").first
    handle.focus()
    for _ in range(2):
        handle.press("PageDown")
    quiet.wait_for_function(
        "(before) => document.querySelector('.ak-bench .ak-head').innerText !== before", arg=before, timeout=20_000
    )
    quiet.locator(
        "label:has-text('compare with a second tuning') input, .widget-checkbox:has-text('compare') input"
    ).first.check()
    quiet.wait_for_selector(".ak-two .ak-side >> nth=1", timeout=20_000)
    quiet.locator(".widget-button", has_text="all back to file").first.click()
    quiet.wait_for_function(
        "() => new Set([...document.querySelectorAll('.ak-two .ak-head')].map((head) => head.innerText)).size === 2",
        timeout=20_000,
    )
    names = quiet.locator(".ak-two .ak-panel > .ak-name").all_inner_texts()
    assert names == ["tuning A", "tuning B"]
    picture(quiet, "two_tunings")
    assert quiet.troubles == []


def test_the_situation_is_saved_as_a_test_and_that_test_passes(quiet, lab):
    open_part(quiet, "Save what you see")
    quiet.locator(".widget-dropdown:has-text('what') select").last.select_option(label="situation as a test")
    quiet.locator(".widget-button", has_text="save").last.click()
    quiet.wait_for_function(
        "() => document.body.innerText.includes('test_kept.py: run it with pytest')", timeout=20_000
    )
    path = lab[1] / "test_kept.py"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", str(lab[1]), str(path)],
        capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    path.unlink()
    assert "1 passed" in done.stdout, done.stdout


def test_what_would_turn_it_is_said_and_drawn_after_a_rest_and_the_map_is_painted(quiet, picture):
    quiet.wait_for_function(
        "() => document.querySelector('.ak-turning').innerText.startsWith('It would turn to')", timeout=30_000
    )
    picture(quiet, "turn")
    quiet.locator("button", has_text="map of answers").click()
    quiet.wait_for_function("(plan) => Number(document.querySelector(plan).dataset.map) > 60", arg=PLAN, timeout=60_000)
    picture(quiet, "map")
    Plan(quiet).drag((8.0, 1.2), (8.4, 1.0), steps=3)
    quiet.wait_for_selector(f"{PLAN}[data-map='old']", timeout=20_000)


def test_the_sensors_answer_comes_after_a_rest_and_until_then_it_is_provisional(quiet, picture):
    quiet.locator(".ak-modes input[value='sensed']").check()
    quiet.wait_for_selector(".ak-provisional:not([hidden])", timeout=10_000)
    quiet.wait_for_selector(f"{PLAN}[data-refined='true']", timeout=30_000)
    assert quiet.locator(".ak-provisional").is_hidden()
    picture(quiet, "sensed")


def test_a_trolley_is_added_moved_by_keyboard_and_removed(quiet):
    quiet.locator(PLAN).first.focus()
    quiet.keyboard.press("t")
    quiet.wait_for_function("() => document.querySelector('.ak-chosen').innerText.startsWith('trolley')")
    for key in ["Shift+ArrowDown"] * 4 + ["Shift+ArrowLeft"] * 4:
        quiet.keyboard.press(key)
    quiet.wait_for_function("() => document.querySelector('.ak-chosen').innerText.includes('y -0.50 m')")
    wait_for(quiet, "halt", timeout=20_000)
    quiet.keyboard.press("Delete")
    quiet.wait_for_function("() => document.querySelector('.ak-chosen').innerText.startsWith('guest 1')")
    wait_for(quiet, "detour", timeout=20_000)
    assert quiet.troubles == []


def test_a_restarted_kernel_is_said_and_the_bench_freezes(quiet, picture):
    quiet.evaluate("() => window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.restart()")
    quiet.wait_for_selector(".ak-bench.ak-frozen", timeout=30_000)
    words = quiet.locator(".ak-kernel").first.inner_text()
    assert "The kernel is gone or was restarted" in words
    assert "ak-old" in quiet.locator(".ak-panel").first.get_attribute("class")
    answered = quiet.locator(PLAN).first.get_attribute("data-answered")
    Plan(quiet).drag((8.0, 1.2), (8.4, 1.0), steps=3)
    assert quiet.locator(PLAN).first.get_attribute("data-answered") == answered
    assert quiet.locator(ANSWER).first.is_visible()
    picture(quiet, "kernel_restarted")


def test_a_kernel_that_is_busy_when_the_bench_appears_does_not_make_it_give_way_to_sliders(
    make_notebook, open_notebook, run_all
):
    busy = ("import time\ntime.sleep(7)", "time.sleep(2)", "time.sleep(1)")
    page = open_notebook(make_notebook("busy.ipynb", *QUIET_CELLS, *busy), width=1280, height=1200)
    page.evaluate(_WATCH_FOR_SLIDERS)
    run_all(page)
    wait_for(page, "detour", timeout=60_000)
    page.wait_for_timeout(2000)
    assert page.evaluate("() => window.gaveWay") == []
    assert page.locator(".ak-late").is_hidden()
    assert page.troubles == []


def test_where_the_page_may_not_run_the_plan_sliders_take_its_place_and_work(
    make_notebook, open_page, lab, run_all, picture
):
    page = open_page(width=1280, height=1200)
    page.route("**/extensions/anywidget/**", lambda route: route.abort())
    labs.open_in_lab(page, lab[0], make_notebook("refused.ipynb", *QUIET_CELLS))
    run_all(page)
    page.wait_for_selector(".avoidkit-bench .ak-verdict[data-action='detour']", timeout=40_000)
    assert "anywidget where JupyterLab itself runs" in page.locator(".ak-trouble, .ak-late").first.inner_text()
    handle = page.locator(".widget-slider:has(label:text('person y')) .noUi-handle").first
    handle.focus()
    for _ in range(6):
        handle.press("PageUp")
    page.wait_for_selector(".avoidkit-bench .ak-verdict[data-action='continue']", timeout=30_000)
    picture(page, "plain_instead")
    labs.shut_down(page)


# Keeps what the page shows, ever, of the plain bench and of the note that the plan has not appeared.
_WATCH_FOR_SLIDERS = """() => {
  window.gaveWay = [];
  setInterval(() => {
    if (document.querySelector('.avoidkit-plan')) window.gaveWay.push('sliders');
    const late = document.querySelector('.ak-late'), shown = document.querySelector('canvas.ak-plan');
    if (late && shown && late.checkVisibility({opacityProperty: true})) window.gaveWay.push('note');
  }, 100);
}"""
