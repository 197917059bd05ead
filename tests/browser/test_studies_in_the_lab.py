"""Notebooks 06 and 08 in a real JupyterLab in Chromium, made short and changed by mouse and keyboard."""

import json
import os
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser

PATIENCE_MS = 300_000
OWN = "notebooks/08_your_log_your_rule.ipynb"
SHORT_OWN = (("duration_s=13.0", "duration_s=6.0"),)
EVIDENCE = "notebooks/06_tuning_by_evidence.ipynb"
SMALL_CROWD = "from avoidkit.studies import stress as searching; searching.CROWD = 5"  # walks of a generation
SHORT_EVIDENCE = (
    ("verdict_map(lane, baseline, ", "verdict_map(lane, baseline, x_m=range(0, 15, 2), y_m=range(-2, 3), "),
    ("verdict_map(lane, slow, ", "verdict_map(lane, slow, x_m=range(0, 15, 2), y_m=range(-2, 3), "),
    ("executor=processes(2), ", ""),  # a pool takes longer to begin than these few drives
    ("worst = stress(lane, baseline, budget=40, ", f"{SMALL_CROWD}; worst = stress(lane, baseline, budget=10, "),
    (r"    executor=processes(2),\n", r"    duration_s=3.0,\n"),
    ("compare(room, baseline, slow, seeds=2, ", "compare(room, baseline, slow, seeds=1, duration_s=3.0, "),
)


@pytest.fixture
def shortened(lab):
    """A function that makes a copy of a notebook with other numbers in it, in the lab; returns its name."""

    def make(name, changes):
        text = (lab[1] / name).read_text(encoding="utf-8")
        for before, after in changes:
            assert before in text, before
            text = text.replace(before, after)
        json.loads(text)
        copy = Path(name).with_name(f"short_{Path(name).name}")
        (lab[1] / copy).write_text(text, encoding="utf-8")
        return str(copy)

    return make


def keep(page, name):
    """A picture of the page for people to look at, where they asked for one."""
    if "AVOIDKIT_PICTURES" in os.environ:
        page.screenshot(path=str(Path(os.environ["AVOIDKIT_PICTURES"]) / f"{name}.png"))


def cell_of(page, words):
    """The last code cell with these words in it."""
    return page.locator(".jp-CodeCell", has=page.locator(".cm-content", has_text=words)).last


def type_anew(page, words, code):
    """Click into a cell, write this code in place of its own by keyboard, and run it."""
    cell = cell_of(page, words)
    cell.scroll_into_view_if_needed()
    cell.locator(".cm-content").click()
    page.keyboard.press("Control+a")
    page.keyboard.insert_text(code)
    page.keyboard.press("Control+Enter")


def place_and_type(page, words, after, text):
    """Click behind some code of a cell, type there, and run the cell."""
    cell = cell_of(page, words)
    line = cell.locator(".cm-line", has_text=after).last
    line.scroll_into_view_if_needed()
    line.click()
    page.keyboard.press("End")
    page.keyboard.press("ArrowLeft")  # before the bracket that closes the call
    page.keyboard.type(text)
    page.keyboard.press("Control+Enter")


def wait_for_output(page, words):
    """Wait until an output on the page says this, whatever the machine has to do before."""
    page.locator(".jp-OutputArea-output", has_text=words).last.wait_for(timeout=PATIENCE_MS)


def nothing_went_wrong(page):
    inside = ("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:")
    assert [address for address in page.addresses if not address.startswith(inside)] == []
    assert page.troubles == []


def picture_of(page, words):
    """The bytes of the picture below a cell, as its address on the page."""
    return cell_of(page, words).locator(".jp-OutputArea-output img").last.get_attribute("src", timeout=PATIENCE_MS)


def test_notebook_six_runs_and_a_number_changed_by_keyboard_changes_its_map_and_its_table(
    open_notebook, run_all, shortened
):
    page = open_notebook(shortened(EVIDENCE, SHORT_EVIDENCE), width=1280, height=1000)
    run_all(page)
    wait_for_output(page, "search: walks with a contact")
    standing = picture_of(page, "map_figure(standing)")
    place_and_type(page, "map_figure(standing)", "progress=False", ", heading_deg=180.0, speed_mps=1.0")
    page.wait_for_function(_OTHER_PICTURE, arg=["map_figure(standing)", standing], timeout=PATIENCE_MS)
    keep(page, "map_toward")

    before = cell_of(page, "pairs.events()").locator(".jp-OutputArea-output").inner_text()
    assert "slow_brakes" in before
    wary = "pairs = compare(room, baseline, baseline.replace({'decision.clearance_m': 1.0}), names=('as it is', 'wary')"
    wary += ", seeds=1, duration_s=3.0, loop='exact', progress=False)\n'wary: done'"
    type_anew(page, "comparison_figure(pairs)", wary)
    wait_for_output(page, "wary: done")
    cell_of(page, "pairs.events()").locator(".cm-content").click()
    page.keyboard.press("Control+Enter")
    wait_for_output(page, "as it is")
    assert "slow_brakes" not in cell_of(page, "pairs.events()").locator(".jp-OutputArea-output").inner_text()
    keep(page, "wary_table")
    nothing_went_wrong(page)


def test_a_mistake_that_is_said_in_one_line_fails_the_run(make_notebook, open_notebook, run_all):
    page = open_notebook(make_notebook("mistaken.ipynb", "from avoidkit import load_scene\nload_scene('nowhere.toml')"))
    with pytest.raises(AssertionError, match=r"InputError.*nowhere\.toml"):
        run_all(page)


def test_notebook_eight_runs_and_a_rule_changed_by_keyboard_decides_again(open_notebook, run_all, shortened):
    page = open_notebook(shortened(OWN, SHORT_OWN), width=1280, height=1000)
    run_all(page)
    wait_for_output(page, "track_update")
    type_anew(
        page,
        "def creep_near_people",
        "def creep_near_people(situation, tuning):\n    return replace(decide(situation, tuning), speed_cap_mps=0.0)",
    )
    type_anew(
        page,
        'print("\\n".join(again.lines()))',
        "again = redecide(folder / 'yard.parquet', "
        "decide=creep_near_people)\nprint('asked by hand', *again.lines(), sep='\\n')",
    )
    wait_for_output(page, "asked by hand")
    said = cell_of(page, "asked by hand").locator(".jp-OutputArea-output").inner_text()
    assert "121 cycles decided again" in said
    assert "-> 0.00 m/s" in said
    keep(page, "own_rule")
    nothing_went_wrong(page)


_OTHER_PICTURE = """([words, before]) => {
  const cells = [...document.querySelectorAll('.jp-CodeCell')];
  const cell = cells.filter((one) => one.querySelector('.cm-content')?.innerText.includes(words)).at(-1);
  const now = cell?.querySelector('.jp-OutputArea-output img')?.src;
  return now && now !== before;
}"""
