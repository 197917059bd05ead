"""Comparisons: common random numbers, exact bounds, paired intervals, the cycle at which answers part."""

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from avoidkit import InputError, Tuning, decide, load_recording, load_scene, shipped
from avoidkit.drive import drive
from avoidkit.studies.comparison import Comparison, compare
from avoidkit.studies.drives import stages_of
from avoidkit.studies.marked import held_against, marked_in
from avoidkit.studies.marks import Marks, add_mark, marks_path, save_marks
from avoidkit.verdict import Action
from avoidkit.views import style
from avoidkit.views.pairs import bench_at, comparison_figure


def crosses():
    return load_scene(shipped("scenes") / "guest_crosses.toml")


def late(situation, tuning):
    """The kit's own decision, but standing until 1.5 s."""
    verdict = decide(situation, tuning)
    if situation.time_s < 1.5 and verdict.action == Action.CONTINUE:
        return replace(verdict, action=Action.HALT, speed_cap_mps=0.0)
    return verdict


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pairs")
    return compare(
        crosses(), Tuning(), decide_b=late, seeds=[3, 4], duration_s=2.0, loop="exact", recordings=str(folder),
        progress=False,
    )  # fmt: skip


def test_a_late_decision_parts_from_the_kits_at_the_first_cycle_in_which_it_stands(small):
    assert small.names == ("the kit's own", "late")
    assert small.rows["seed"].tolist() == [3, 4]
    assert small.rows["changed_at_s"].tolist() == pytest.approx([1.05, 1.05], abs=0.051)  # pressed at 1.0 s
    assert (small.rows["b_lost_s"] >= small.rows["a_lost_s"]).all()
    assert small.changed()["a_answers"].tolist() == ["wait continue"] * 2


def test_both_sides_draw_the_same_random_numbers(small):
    line = small.changed().iloc[0]
    a, b = load_recording(line["a_recording"]), load_recording(line["b_recording"])
    k = a.index_at(0.9)
    assert a.rows[k].people.xy.tolist() == b.rows[k].people.xy.tolist()
    assert a.rows[k].tracks.state.tolist() == b.rows[k].tracks.state.tolist()


def test_a_changed_drive_opens_on_the_bench_at_its_cycle(small):
    pytest.importorskip("ipywidgets")
    assert bench_at(small, 0) is not None
    with pytest.raises(InputError, match=r"^number must be from 0 to 1, got 2$"):
        bench_at(small, 2)


def made(n=40):
    """Made-up pairs: b halts more often, loses 2 s more, and touched nobody where a did once."""
    rng = np.random.default_rng(1)
    lost = 10 + rng.exponential(3.0, n)
    frame = {"scene": "made", "seed": range(n), "changed_at_s": np.where(np.arange(n) % 2, 3.2, math.nan)}
    for side, more in (("a", 0.0), ("b", 1.0)):
        frame |= {
            f"{side}_contacts_moving": [int(side == "a" and k == 7) for k in range(n)], f"{side}_contacts": 0,
            f"{side}_halts_not_needed": [int(k % 5 == 0 or (more and k % 4 == 0)) for k in range(n)],
            f"{side}_halts_needed": [int(k % 3 == 0) for k in range(n)], f"{side}_reached_end": True,
            f"{side}_lost_s": lost + 2 * more + rng.normal(0, 0.7, n) * more,
            f"{side}_nearest_gap_m": 0.6 + 0.2 * more, f"{side}_least_ttc_s": math.inf, f"{side}_answers": "continue",
        }  # fmt: skip
    return Comparison(pd.DataFrame(frame), pd.DataFrame(), ("baseline", "cautious"))


def test_events_carry_their_exact_bounds():
    table = made().events().set_index(["event", "side"])
    assert table.loc[("contact while moving", "cautious"), "words"] == "0 of 40 (below 7.2 % with 95 % confidence)"
    assert table.loc[("contact while moving", "baseline"), ["k", "n", "only"]].tolist() == [1, 40, 1]
    # 1 of 40, exact 95 %: 0.0633 % and 13.159 %, by the tails: 1 - 0.999367^40 = 0.025
    assert table.loc[("contact while moving", "baseline"), "low"] == pytest.approx(1 - 0.975 ** (1 / 40), rel=1e-9)


def test_the_paired_difference_finds_what_was_put_in():
    line = made().paired().set_index("metric").loc["lost_s"]
    assert line["low"] <= 2.0 <= line["high"]
    assert line["high"] - line["low"] < 1.0  # far less than the spread of a side, about 3 s
    assert line["b_above"] > 35
    assert made().paired().set_index("metric").loc["least_ttc_s", "n"] == 0


def said(n, metric):
    (line,) = (line for line in made(n).lines() if line.startswith(f"{metric}:"))
    return line


def test_a_median_of_fewer_than_six_pairs_has_a_range_and_no_interval():
    # both ends of n values lie on one side of the median with 2 / 2^n: 5 values 6.25 %, 6 values 3.1 %
    assert "(median, range " in said(5, "lost_s")
    assert "(median, 95 % interval " in said(6, "lost_s")
    few = made(5)
    difference = few.rows["b_lost_s"] - few.rows["a_lost_s"]
    line = few.paired().set_index("metric").loc["lost_s"]
    assert [line["low"], line["high"]] == [difference.min(), difference.max()]


def test_where_no_pair_has_a_finite_difference_there_is_no_nan_in_the_sentence():
    assert said(40, "least_ttc_s") == (
        "least_ttc_s: cautious less baseline: no pair with a finite difference; above in 0, below in 0"
    )


def test_two_sides_that_are_the_same_are_refused():
    with pytest.raises(InputError, match=r"^nothing differs: a second tuning, or decide_a or decide_b, was wanted$"):
        compare(crosses(), Tuning(), Tuning(), seeds=2)


def test_the_picture_of_a_comparison_names_both_sides_and_units():
    figure = comparison_figure(made())
    left, right = figure.axes
    assert [text.get_text() for text in left.get_legend().get_texts()] == ["baseline", "cautious"]
    assert "%" in left.get_xlabel()
    assert right.get_ylabel() == "cautious less baseline (s)"
    assert style.png(figure)[:4] == b"\x89PNG"


@pytest.fixture(scope="module")
def marked(tmp_path_factory):
    """A folder with one short drive and a person's marks beside it."""
    run = tmp_path_factory.mktemp("marked") / "crosses.parquet"
    drive(crosses(), Tuning(), seed=3, duration_s=1.6, out=run)
    marks = add_mark(Marks(recording=run.name), "halt needed", 1.1, 1.4, note="=she steps off")
    save_marks(add_mark(marks, "not needed", 1.55, 1.6), marks_path(run))
    return run.parent


def test_marks_on_recordings_are_counted_against_both_sides_with_their_n(marked):
    found = compare(
        crosses(), Tuning(), decide_b=late, seeds=1, duration_s=0.2, loop="exact", marked=marked, progress=False
    )
    table = found.events().set_index(["event", "side"])[["k", "n", "only"]]
    assert table.loc[("a mark not met: halt needed", "the kit's own")].tolist() == [1, 1, 1]  # it drove on
    assert table.loc[("a mark not met: halt needed", "late")].tolist() == [0, 1, 0]  # stands until 1.5 s
    assert table.loc[("a mark not met: not needed", "the kit's own"), "k"] == 0
    assert found.marks["recording"].tolist() == ["crosses.parquet"] * 2
    assert found.marks["was_met"].tolist() == found.marks["a_met"].tolist() == [False, True]
    assert any(line.startswith("a mark not met: halt needed: late 0 of 1 (below ") for line in found.lines())


def test_marks_may_come_from_a_pool_and_from_single_recordings(marked):
    runs = marked_in([marked / "crosses.parquet"])
    sides = {side: (Tuning(), stages_of({})) for side in ("a", "b")}
    with ThreadPoolExecutor(2) as pool:
        pd.testing.assert_frame_equal(held_against(runs, sides, pool), held_against(runs, sides))


def test_a_recording_without_marks_is_refused_with_where_they_belong(tmp_path):
    with pytest.raises(InputError, match=r": holds no recording with marks beside it \(RUN\.parquet with"):
        marked_in(tmp_path)
    (tmp_path / "run.parquet").write_bytes(b"x")
    with pytest.raises(InputError, match=r"run\.parquet: has no marks; they belong into .*run\.marks\.toml$"):
        marked_in([tmp_path / "run.parquet"])
    with pytest.raises(InputError, match=r"other\.parquet: no such file$"):
        marked_in(tmp_path / "other.parquet")
