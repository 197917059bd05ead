"""A set of recordings as one page for a review: what it counts, which moments it shows, and that it stands alone."""

import dataclasses
import re

import pytest

from avoidkit import Action
from avoidkit.checks import InputError
from avoidkit.cli import main
from avoidkit.recording import load_recording
from avoidkit.studies.telling import Moment, evidence_of, open_points, require_different, telling_moments
from avoidkit.tuning import Tuning
from avoidkit.views.review import review, review_frame, review_html
from tests.made_rows import made_rows, made_scene, record

SCENE = made_scene()


def recorded(folder, name, rows, scene=SCENE):
    record(folder / name, rows, scene)
    return load_recording(folder / name)


def quiet_rows(n=200, gap_m=2.0):
    """Rows in which the vehicle moves and nobody is touched; the least gap is in the middle."""
    rows = []
    for k, row in enumerate(made_rows(n, scene=SCENE)):
        ego = dataclasses.replace(row.ego, speed_mps=0.5)
        verdict = dataclasses.replace(row.verdict, action=Action.CONTINUE)
        changes = {"contacts": (), "error": "", "gap_m": gap_m + 0.01 * abs(k - n // 2), "reference_along_m": 0.5}
        rows.append(dataclasses.replace(row, ego=ego, verdict=verdict, **changes))
    return rows


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("review")


@pytest.fixture(scope="module")
def quiet(folder):
    return recorded(folder, "quiet.parquet", quiet_rows())


@pytest.fixture(scope="module")
def touched(folder):
    rows = quiet_rows(gap_m=1.0)
    rows[20] = dataclasses.replace(rows[20], contacts=("Ada",))
    return recorded(folder, "touched.parquet", rows)


def test_a_contact_while_moving_is_the_first_moment_and_the_nearest_gap_the_second(quiet, touched):
    moments = telling_moments([quiet, touched])
    assert moments[0].index == 1
    assert moments[0].time_s == pytest.approx(touched.rows[20].time_s)
    assert moments[0].why == "contact with Ada while the vehicle moved"
    # the least gap of `touched` is 4 s after its contact, nearer than two moments of one drive may be
    assert [m.index for m in moments].count(1) == 1
    assert Moment(0, quiet.rows[100].time_s, "2.00 m to a body while moving") in moments


def test_an_error_of_a_stage_comes_before_a_gap(folder, quiet):
    rows = quiet_rows()
    rows[150] = dataclasses.replace(rows[150], error="decision: ValueError: no")
    failed = recorded(folder, "failed.parquet", rows)
    assert telling_moments([quiet, failed])[0] == Moment(
        1, rows[150].time_s, "a stage failed: decision: ValueError: no"
    )


def test_rates_carry_their_counts_and_exact_bounds_and_tunings_are_counted_apart(folder, quiet, touched):
    # by hand: 1 of 2, from p with 1 - (1 - p)^2 = 0.025, so 1 - sqrt(0.975) = 1.26 %, to sqrt(0.975) = 98.74 %
    (words,) = evidence_of([quiet, touched]).values()
    assert words["with a contact while moving"] == "1 of 2 (95 % interval 1.3 to 98.7 %)"
    assert words["with a contact at rest"] == "0 of 2 (below 78 % with 95 % confidence)"  # 1 - 0.05^(1/2) = 0.7764
    assert words["least gap while moving"].startswith("1.00 m")
    changed = load_recording(folder / "quiet.parquet")
    changed.tuning = Tuning().replace({"name": "wary", "decision.clearance_m": 0.5})
    both = evidence_of([quiet, changed])
    assert len(both) == 2
    assert all(words["drives"].startswith("1,") for words in both.values())


def test_a_drive_that_is_there_twice_whole_or_in_part_is_refused_and_named(folder, quiet, touched, capsys, tmp_path):
    page, first = tmp_path / "review.html", folder / "quiet.parquet"
    same = "is the same drive as {} (scene, tuning, seed); each counts once"
    assert main(["demo", "--review", str(first), str(first), "--out", str(page)]) == 2
    assert capsys.readouterr().err == f"avoidkit demo: {first}: {same.format(first)}\n"
    assert not page.exists()
    with pytest.raises(InputError, match=r"^recording 3: is the same drive as recording 1 \(scene, tuning, seed\);"):
        evidence_of([quiet, touched, load_recording(first)])
    with pytest.raises(InputError, match=r"^part: is the same drive as whole \(scene, tuning, seed\);"):
        require_different([quiet, quiet.between(2.0, 4.0)], ["whole", "part"])
    require_different([quiet.between(0.0, 2.0), quiet.between(4.0, 6.0)])  # nothing is in both
    require_different([quiet, touched])  # the same scene, tuning and seed, but another drive


def test_of_fewer_than_six_drives_the_time_lost_has_a_range_and_no_interval(quiet, touched):
    (words,) = evidence_of([quiet, touched]).values()
    assert re.fullmatch(r"\d+\.\d s \(range \d+\.\d to \d+\.\d s, n = 2\)", words["time lost, median"])


def test_open_points_say_what_the_drives_cannot_settle(quiet, touched):
    told = " ".join(open_points([quiet, touched]))
    assert "Drives of one scene are alike" in told
    assert "count twice" in told
    assert "did not reach the path's end" in told
    assert "models" in told
    with pytest.raises(InputError, match=r"^recordings must hold at least one recording$"):
        open_points([])


def test_the_page_holds_question_evidence_moments_open_points_and_caution_and_nothing_from_elsewhere(quiet, touched):
    text = review_html([quiet, touched], question="Is <b>this</b> enough?", points=["Ask Marta & Ruben."])
    assert "Is &lt;b&gt;this&lt;/b&gt; enough?" in text
    assert "not evidence of safety" in text
    assert "Ask Marta &amp; Ruben." in text
    assert text.count("<iframe sandbox='allow-scripts'") == len(telling_moments([quiet, touched]))
    outer = re.sub(r"srcdoc=\"[^\"]*\"", "", text)
    assert "<script" not in outer
    assert not re.search(r"\b(src|href)=", outer)
    assert " style=" not in re.sub(r"<(svg|t[dh])[^>]*>", "", outer)
    assert "http" not in outer.replace("http-equiv", "")


def test_the_policy_of_the_page_lets_its_demos_run(quiet):
    text = review_html([quiet])
    outer = re.search(r'Content-Security-Policy" content="([^"]*)"', text).group(1)
    inner = (
        re.search(r"Content-Security-Policy&quot; content=&quot;(.*?)&quot;>?", text).group(1).replace("&#x27;", "'")
    )
    for kind in ("script-src", "style-src"):
        wanted = set(re.search(rf"{kind} ([^;]*)", inner).group(1).split())
        assert wanted <= set(re.search(rf"{kind} ([^;]*)", outer).group(1).split())


def test_a_notebook_shows_it_in_a_frame(quiet):
    assert review_frame([quiet])._repr_html_().startswith('<iframe sandbox="allow-scripts"')


def test_the_command_line_writes_a_page_once(folder, quiet, touched, capsys, tmp_path):
    page = tmp_path / "review.html"
    runs = [str(folder / "quiet.parquet"), str(folder / "touched.parquet")]
    assert main(["demo", "--review", *runs, "--out", str(page), "--question", "Enough?"]) == 0
    out = capsys.readouterr().out
    assert out.startswith(f"{page}: a review of 2 recordings, ")
    assert "<h1>Enough?</h1>" in page.read_text(encoding="utf-8")
    assert main(["demo", "--review", *runs, "--out", str(page)]) == 2
    assert "is there already" in capsys.readouterr().err
    assert main(["demo", "--review", *runs, "--from", "3"]) == 2
    wanted = "avoidkit demo: --from does not go with --review, which picks its moments itself\n"
    assert capsys.readouterr().err == wanted
    assert main(["demo", runs[0], "--question", "Enough?"]) == 2
    assert capsys.readouterr().err == "avoidkit demo: --question belongs to --review\n"


def test_without_a_recording_there_is_no_page(tmp_path):
    with pytest.raises(InputError, match=r"^recordings must hold at least one recording$"):
        review([], tmp_path / "review.html")
    assert not list(tmp_path.iterdir())
