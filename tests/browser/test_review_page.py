"""The page of a review in a real browser: its demos play, nothing is asked of the network, nothing is in the way."""

import pytest

from avoidkit.views.review import review
from tests.made_rows import made_rows, made_scene, record

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page_file(tmp_path_factory):
    from avoidkit.recording import load_recording

    folder = tmp_path_factory.mktemp("review")
    scene = made_scene()
    record(folder / "run.parquet", made_rows(200, scene=scene), scene)
    review([load_recording(folder / "run.parquet")], folder / "review.html", question="Is it good enough?")
    return folder / "review.html"


def test_every_moment_plays_and_the_page_asks_for_nothing(page_file, open_page):
    page = open_page(1280, 900)
    page.goto(page_file.as_uri())
    frames = page.locator("iframe")
    assert frames.count() >= 1
    for k in range(frames.count()):
        frames.nth(k).scroll_into_view_if_needed()
        inside = frames.nth(k).content_frame
        inside.locator("canvas").first.wait_for(timeout=10_000)
        clock = inside.locator("input[type=range]").first
        before = clock.input_value()
        inside.get_by_role("button", name="step ›").click()
        assert clock.input_value() != before
        assert inside.locator("canvas").first.evaluate("canvas => canvas.width") > 300
    assert page.troubles == []
    assert [address for address in page.addresses if not address.startswith(("file:", "about:", "data:"))] == []


def test_the_page_is_no_wider_than_the_window(page_file, open_page):
    page = open_page(1280, 900)
    page.goto(page_file.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert page.locator("h1").inner_text() == "Is it good enough?"
    assert page.locator(".caution").is_visible()
