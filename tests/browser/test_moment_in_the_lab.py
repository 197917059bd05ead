"""A recorded cycle on the canvas of a real JupyterLab: opened as recorded, asked again with another tuning."""

import pytest

pytestmark = pytest.mark.browser

CELLS = (
    "from avoidkit import Tuning, drive, load_scene, shipped\nfrom avoidkit.views import bench",
    "scene = load_scene(shipped('scenes') / 'lane_6m.toml').with_person('Ana', (9.0, 0.6))\n"
    "drive(scene, Tuning(), seed=3, duration_s=3.0, out='moment.parquet')\n"
    "bench('moment.parquet', time_s=2.5)",
)
DIFFER = "() => document.querySelector('.ak-bench .ak-differ')?.innerText ?? ''"


def test_a_recorded_cycle_is_opened_as_recorded_and_another_tuning_is_said_to_differ(
    make_notebook, open_notebook, run_all, picture
):
    page = open_notebook(make_notebook("moment.ipynb", *CELLS), width=1280, height=1200)
    run_all(page)
    page.wait_for_function(f"() => ({DIFFER})() === 'As recorded at 2.50 s.'", timeout=120_000)
    picture(page, "moment")
    assert page.locator(".ak-bench .ak-modes").count() == 0
    page.get_by_text("Tuning: every parameter").first.click()
    handle = page.locator(".widget-hbox:has(> .widget-html:has-text('vehicle.top_mps')) .noUi-handle").first
    handle.focus()
    for _ in range(3):
        handle.press("PageDown")
    page.wait_for_function(f"() => ({DIFFER})().startsWith('Recorded at 2.50 s was: ')", timeout=60_000)
    assert page.troubles == []
