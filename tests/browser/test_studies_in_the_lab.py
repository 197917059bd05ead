"""Notebook 08 in a real JupyterLab in Chromium, made short and changed by keyboard."""

import json
import os
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser

PATIENCE_MS = 300_000
OWN = "notebooks/08_your_log_your_rule.ipynb"
SHORT_OWN = (("duration_s=13.0", "duration_s=6.0"),)


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


def wait_for_output(page, words):
    """Wait until an output on the page says this, whatever the machine has to do before."""
    page.locator(".jp-OutputArea-output", has_text=words).last.wait_for(timeout=PATIENCE_MS)


def nothing_went_wrong(page):
    inside = ("http://127.0.0.1", "ws://127.0.0.1", "data:", "blob:")
    assert [address for address in page.addresses if not address.startswith(inside)] == []
    assert page.troubles == []


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
