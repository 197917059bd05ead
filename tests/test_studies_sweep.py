"""Sweeps: designs, what is refused before anything runs, tables, pictures."""

import math

import numpy as np
import pandas as pd
import pytest
from matplotlib.text import Text

from avoidkit import InputError, Tuning, load_scene, shipped
from avoidkit.studies.designs import points_of
from avoidkit.studies.sweep import Sweep, sweep
from avoidkit.views import style
from avoidkit.views.tradeoff import tradeoff_figure

FIELD = "decision.clearance_m"


def crosses():
    return load_scene(shipped("scenes") / "guest_crosses.toml")


def test_a_grid_has_every_combination_once():
    points = points_of({FIELD: [0.1, 0.3], "vehicle.latency_s": (0.1, 0.3)}, n=3)
    assert len({tuple(point.values()) for point in points}) == 6
    assert sorted({point["vehicle.latency_s"] for point in points}) == pytest.approx([0.1, 0.2, 0.3])


def test_a_latin_hypercube_has_one_setting_in_each_slice_of_each_range():
    points = points_of({FIELD: (0.0, 1.0), "vehicle.latency_s": (0.0, 1.0)}, "latin", 10, seed=3)
    for name in (FIELD, "vehicle.latency_s"):
        assert sorted(int(10 * point[name]) for point in points) == list(range(10))


def test_a_sobol_sequence_fills_each_half_evenly_and_keeps_the_values_of_a_list():
    points = points_of({FIELD: (0.0, 1.0), "decision.renew_after_halt": [True, False]}, "sobol", 16, seed=1)
    assert sum(point[FIELD] < 0.5 for point in points) == 8
    assert sum(point["decision.renew_after_halt"] is True for point in points) == 8


def test_the_points_of_sobol_indices_are_n_times_inputs_plus_two():
    assert len(points_of({FIELD: (0.0, 1.0), "vehicle.latency_s": (0.0, 1.0)}, "indices", 8)) == 8 * 4


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"over": {"decision.clearence_m": (0.1, 0.4)}}, "did you mean 'decision.clearance_m'?"),
        ({"over": {FIELD: (0.4, 0.4)}}, "over: decision.clearance_m: a range (low, high) with low below high"),
        ({"over": {FIELD: []}}, "over: decision.clearance_m: a list of values or (low, high) was wanted, got []"),
        ({"over": {FIELD: [0.1, 0.1]}}, "different values were wanted, got one twice"),
        ({"over": {FIELD: (0.1, 99.0)}}, "tuning: decision.clearance_m: input should be less than or equal to"),
        ({"over": {}}, "over must name at least one field, got none"),
        ({"seeds": [1, 2, 1]}, "seeds must be different, got 1 twice"),
        ({"seeds": []}, "seeds must hold at least one seed, got none"),
        ({"seeds": [-1]}, "seeds must be integers of at least 0, got -1"),
        ({"scenes": ["guest_croses"]}, "no shipped scene 'guest_croses'; did you mean 'guest_crosses'?"),
        ({"scenes": []}, "scenes must hold at least one scene, got none"),
        ({"scenes": ["guest_crosses"] * 2}, "scenes must have different names, got 'guest_crosses' twice"),
        ({"design": "random"}, "design must be one of grid, latin, sobol, indices, got 'random'"),
        ({"design": "sobol", "n": 12}, "n must be a power of 2 for design 'sobol', got 12"),
        ({"design": "latin"}, "design 'latin' needs n, how many settings"),
        ({"loop": "perfect"}, "loop must be one of sensed, exact, got 'perfect'"),
        ({"duration_s": 0.0}, "duration_s must be finite and above 0, got 0.0"),
        ({"decide": 3}, "decide must be a function, got 3"),
    ],
)  # fmt: skip
def test_a_mistake_is_refused_before_anything_runs(change, said):
    given = {"scenes": crosses(), "over": {FIELD: [0.2, 0.3]}, "seeds": [1], **change}
    with pytest.raises(InputError) as refused:
        sweep(given.pop("scenes"), Tuning(), given.pop("over"), executor=_never, progress=False, **given)
    assert said in str(refused.value)


def _never():
    raise AssertionError("something was begun")


def test_a_small_sweep_has_a_row_a_drive_with_setting_scene_seed_and_metrics():
    got = sweep(crosses(), Tuning(), {FIELD: [0.2, 0.4]}, seeds=2, duration_s=0.4, loop="exact", progress=False)
    assert got.rows[[FIELD, "scene", "seed"]].to_numpy().tolist() == [
        [0.2, "guest_crosses", 0], [0.2, "guest_crosses", 1], [0.4, "guest_crosses", 0], [0.4, "guest_crosses", 1]
    ]  # fmt: skip
    assert set(got.rows) >= {"contacts_moving", "nearest_gap_m", "lost_s", "least_ttc_s", "halts_needed", "track_rms_m"}
    assert (got.rows["errors"] == 0).all()
    assert (got.times["tries"] == 1).all()
    assert "touched somebody while moving: 0 of 4 (below 53 % with 95 % confidence)" in got.lines()


def made_sweep(design="grid"):
    """A sweep whose numbers are made up, for tables and pictures: a wider clearance loses time and keeps distance."""
    rng, lines = np.random.default_rng(3), []
    for point, (clearance, latency) in enumerate([(c, t) for c in (0.1, 0.2, 0.3, 0.4) for t in (0.1, 0.2, 0.3)]):
        for seed in range(8):
            gap = 0.35 + 1.2 * clearance - 0.8 * latency + rng.normal(0, 0.05)
            touched = clearance == 0.1 and latency == 0.3 and seed == 0
            lines.append({
                "point": point, FIELD: clearance, "vehicle.latency_s": latency, "scene": "made", "seed": seed,
                "nearest_gap_m": gap, "lost_s": 4 + 12 * clearance + 9 * latency + rng.exponential(1.5),
                "contacts_moving": int(touched), "halts_not_needed": int(rng.random() < clearance),
                "reached_end": True,
            })  # fmt: skip
    return Sweep(pd.DataFrame(lines), pd.DataFrame(), (FIELD, "vehicle.latency_s"), design)


def test_the_front_leaves_out_whatever_is_beaten_in_both():
    table = made_sweep().settings()
    for _, row in table.iterrows():
        beaten = ((table["margin_m"] > row["margin_m"]) & (table["lost_s"] < row["lost_s"])).any()
        assert not (row["front"] and beaten)
    assert 1 <= table["front"].sum() < len(table)
    assert table.loc[table["touched"] > 0, "margin_m"].tolist() == [0.0]


def test_the_parameter_that_costs_time_correlates_with_time_lost():
    table = made_sweep().matters().set_index(["input", "output"])
    assert table.loc[(FIELD, "lost_s"), "rho"] > 0.5
    assert table.loc[("vehicle.latency_s", "nearest_gap_m"), "rho"] < -0.3
    assert not math.isnan(table.loc[(FIELD, "contacts_moving"), "rho"])


def test_the_picture_of_a_trade_off_has_units_and_a_legend():
    figure = tradeoff_figure(made_sweep())
    left, right = figure.axes
    assert "(s" in left.get_xlabel()
    assert "(m" in left.get_ylabel()
    assert "touched somebody while moving" in [text.get_text() for text in left.get_legend().get_texts()]
    assert len(right.get_legend().get_texts()) == 4
    assert style.png(figure)[:4] == b"\x89PNG"


def labels_of(ax):
    return [text for text in ax.texts if text.get_text()]


def test_the_axis_of_time_does_not_show_rounding_noise_and_settings_at_one_place_share_a_label():
    rows = made_sweep().rows.assign(lost_s=1.3e-14, nearest_gap_m=2.6, contacts_moving=0)
    left, right = tradeoff_figure(Sweep(rows, None, (FIELD,), "grid")).axes
    assert np.ptp(left.get_xlim()) >= 1.0
    values = sorted(rows[FIELD].unique())
    assert [text.get_text() for text in labels_of(left)] == [f"clearance {values[0]:.3g} to {values[-1]:.3g} m"]
    assert "time lost: the same in all drives" in [text.get_text() for text in labels_of(right)]


def test_labels_of_a_front_do_not_lie_on_each_other():
    n = 12
    rows = pd.DataFrame({FIELD: np.linspace(0.2, 0.3, n), "scene": "lane_6m", "seed": 0, "point": range(n)})
    rows = rows.assign(nearest_gap_m=1 + 0.02 * rows["point"], lost_s=3 + 0.02 * rows["point"], contacts_moving=0)
    sweep = Sweep(rows.assign(halts_not_needed=0, reached_end=True), None, (FIELD,), "grid")
    figure = tradeoff_figure(sweep)
    figure.canvas.draw()
    boxes = [Text.get_window_extent(text) for text in labels_of(figure.axes[0])]  # without the lines to the marks
    assert 3 <= len(boxes) <= 6
    within = figure.axes[0].get_window_extent()
    assert all(within.x0 <= box.x0 and box.y1 <= within.y1 for box in boxes)  # neither on the title nor on the scale
    assert not any(a.overlaps(b) for k, a in enumerate(boxes) for b in boxes[:k])
