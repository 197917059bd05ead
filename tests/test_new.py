"""A folder of one's own: notebooks and data side by side, whole or not at all."""

import json
import os
import shutil
import subprocess
import sys

import pytest

from avoidkit import load_scene, load_tuning, mine, places, shipped
from avoidkit.checks import InputError
from avoidkit.cli import main
from avoidkit.commands import new
from tests.conftest import ROOT


def made(tmp_path, name="work"):
    assert main(["new", str(tmp_path / name)]) == 0
    return tmp_path / name


def test_a_new_folder_holds_every_notebook_and_the_data_that_they_read(tmp_path, capsys):
    folder = made(tmp_path)
    out = capsys.readouterr().out
    names = sorted(file.name for file in shipped("notebooks").glob("*.ipynb"))
    assert sorted(file.name for file in (folder / "notebooks").iterdir()) == names
    for kind in ("scenes", "tunings", "mappings", "published"):
        there = {file.name for file in (folder / "data" / kind).iterdir()}
        assert there == {file.name for file in shipped(kind).iterdir() if file.is_file()}
    assert not (folder / "data" / "evidence").exists()
    assert f"{len(names)} notebooks" in out
    assert "not evidence of safety" in out
    assert os.listdir(tmp_path) == ["work"]


def test_every_copied_scene_and_tuning_loads_where_it_is(tmp_path):
    folder = made(tmp_path)
    for file in (folder / "data" / "scenes").glob("*.toml"):
        assert load_scene(file).walks is not None
    for file in (folder / "data" / "tunings").glob("*.toml"):
        assert load_tuning(file).name


def test_copied_notebooks_read_the_folder_of_the_user(tmp_path, monkeypatch):
    folder = made(tmp_path)
    for file in (folder / "notebooks").glob("*.ipynb"):
        sources = ["".join(cell["source"]) for cell in json.loads(file.read_text(encoding="utf-8"))["cells"]]
        assert not [source for source in sources if "shipped" in source]
    monkeypatch.chdir(folder / "notebooks")
    assert mine("scenes") == folder / "data" / "scenes"
    changed = folder / "data" / "tunings" / "baseline.toml"
    changed.write_text(changed.read_text(encoding="utf-8").replace('name = "baseline"', 'name = "my own"'))
    assert load_tuning(mine("tunings") / "baseline.toml").name == "my own"


def test_elsewhere_mine_are_the_kits_own(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert mine("scenes") == shipped("scenes")
    with pytest.raises(InputError, match=r"^kind must be one of scenes, .*, got 'songs'$"):
        mine("songs")


def test_nothing_is_written_over(tmp_path, capsys):
    folder = tmp_path / "work"
    folder.mkdir()
    (folder / "precious.txt").write_text("mine")
    assert main(["new", str(folder)]) == 2
    wanted = f"avoidkit new: {folder}: is there already, and not empty; nothing is written over, choose another name\n"
    assert capsys.readouterr().err == wanted
    assert os.listdir(folder) == ["precious.txt"]
    file = tmp_path / "file"
    file.write_text("")
    assert main(["new", str(file)]) == 2
    assert capsys.readouterr().err.startswith(f"avoidkit new: {file}: is a file;")
    assert main(["new", str(tmp_path / "no" / "work")]) == 2
    assert (
        capsys.readouterr().err == f"avoidkit new: {tmp_path / 'no' / 'work'}: there is no folder {tmp_path / 'no'}\n"
    )


def test_an_empty_folder_may_be_filled(tmp_path):
    (tmp_path / "work").mkdir()
    assert (made(tmp_path) / "notebooks" / new.FIRST).is_file()


def test_what_breaks_off_half_way_leaves_nothing(tmp_path, monkeypatch, capsys):
    whole = shutil.copytree

    def full(source, target, **more):
        if "data" in str(target):
            raise OSError(28, "No space left on device")
        return whole(source, target, **more)

    monkeypatch.setattr(new.shutil, "copytree", full)
    assert main(["new", str(tmp_path / "work")]) == 2
    assert capsys.readouterr().err == f"avoidkit new: {tmp_path / 'work'}: cannot be written: No space left on device\n"
    assert os.listdir(tmp_path) == []


def test_it_works_from_an_installed_package_away_from_the_clone(tmp_path):
    site = tmp_path / "site"
    shutil.copytree(ROOT / "avoidkit", site / "avoidkit", ignore=shutil.ignore_patterns("__pycache__", "_shipped"))
    for name in ("data", "notebooks"):  # as the wheel carries them
        shutil.copytree(ROOT / name, site / "avoidkit" / "_shipped" / name)
    (tmp_path / "elsewhere").mkdir()
    env = {**os.environ, "PYTHONPATH": str(site)}
    command = [sys.executable, "-P", "-c", "from avoidkit.cli import main; raise SystemExit(main(['new', 'work']))"]
    done = subprocess.run(command, cwd=tmp_path / "elsewhere", env=env, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "elsewhere" / "work" / "notebooks" / new.FIRST).is_file()
    assert places.home() == ROOT
