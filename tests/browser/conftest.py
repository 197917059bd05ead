"""A real JupyterLab and a real Chromium for tests; without them the tests skip, saying what is missing."""

import os
from pathlib import Path

import pytest

from tests.browser import labs


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    """A running lab: (address, folder it serves)."""
    pytest.importorskip("jupyterlab", reason="needs the lab extra: jupyterlab is missing")
    pytest.importorskip("ipywidgets", reason="needs the lab extra: ipywidgets is missing")
    with labs.running_lab(tmp_path_factory.mktemp("lab")) as running:
        yield running


@pytest.fixture
def open_page(tmp_path):
    """A function that opens Chromium of a given size and returns its page; what went wrong there is kept on it."""
    playwright = pytest.importorskip("playwright.sync_api", reason="needs the test extra: playwright is missing")
    if not Path(labs.CHROMIUM).exists():
        pytest.skip(f"needs Chromium at {labs.CHROMIUM} (set AVOIDKIT_CHROMIUM)")
    with playwright.sync_playwright() as driver:
        pages = []

        def open_it(width=1280, height=900, **options):
            pages.append(labs.open_chromium(driver, tmp_path / f"profile{len(pages)}", width, height, **options))
            return pages[-1]

        yield open_it
        for page in pages:
            page.context.close()


@pytest.fixture
def open_notebook(lab, open_page):
    """A function that opens a notebook in the lab and returns the page once its kernel truly answers."""
    pages = []

    def open_it(name, **options):
        pages.append(open_page(**options))
        labs.open_in_lab(pages[-1], lab[0], name)
        return pages[-1]

    yield open_it
    for page in pages:
        labs.shut_down(page)


@pytest.fixture
def run_all():
    """A function that runs every cell of the open notebook and fails with the first error shown."""
    return labs.run_all_cells


@pytest.fixture
def make_notebook(lab):
    """A function that puts a notebook with these code cells into the lab and returns its name."""

    def make(name, *cells):
        labs.write_notebook(lab[1] / name, *cells)
        return name

    return make


@pytest.fixture
def picture(tmp_path):
    """A function that keeps a picture of the page, in the folder `AVOIDKIT_PICTURES` or with the test's files."""
    folder = Path(os.environ.get("AVOIDKIT_PICTURES", tmp_path))
    folder.mkdir(parents=True, exist_ok=True)

    def keep(page, name):
        page.evaluate("() => document.querySelector('.avoidkit-bench').scrollIntoView({block: 'start'})")
        page.wait_for_timeout(300)
        page.screenshot(path=str(folder / f"{name}.png"))

    return keep
