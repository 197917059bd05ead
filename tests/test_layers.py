"""Data goes round in a loop, imports do not: each module imports only from those above it in this list."""

import ast
import graphlib
import subprocess
import sys
from pathlib import Path

import pytest

import avoidkit

PACKAGE = Path(avoidkit.__file__).parent

LAYERS = (
    "jit",
    "checks",
    "interrupts",
    "places",
    "shown",
    "frames",
    "latest",
    "parameters",
    "sensor_tuning",
    "tracking_tuning",
    "tuning",
    "vehicle",
    "paths",
    "verdict",
    "walks",
    "yard",
    "roles",
    "people",
    "remote",
    "scene_checks",
    "scene_text",
    "scene",
    "sensing",
    "tracking",
    "shademath",
    "gridmath",
    "wedgemath",
    "grid",
    "gridstate",
    "freespace",
    "separation",
    "clearway",
    "centring",
    "caps",
    "detourmath",
    "detour",
    "backing",
    "words",
    "soundness",
    "decision",
    "motion",
    "recording",
    "logs",
    "drive",
    "studies",
    "handover",
    "views",
    "commands",
    "cli",
)

HEAVY = ("pandas", "pyarrow", "matplotlib", "shapely", "scipy", "numba", "filterpy", "numpy", "pydantic", "tomlkit")


def modules(package):
    """Every module of a package folder, as {dotted name below the package: file}."""
    found = {}
    for file in sorted(package.rglob("*.py")):
        parts = file.relative_to(package).with_suffix("").parts
        if "_shipped" not in parts:
            found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = file
    return found


def run_nodes(tree):
    """All nodes of a file but those that only a type checker reads (`if TYPE_CHECKING:`)."""
    for child in ast.iter_child_nodes(tree):
        for_types = isinstance(child, ast.If) and getattr(child.test, "id", "") == "TYPE_CHECKING"
        if not for_types:
            yield child
            yield from run_nodes(child)


def imports(file, known):
    """The modules of the kit that a file imports, wherever in it."""
    for node in run_nodes(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.level:
            yield "a relative import", node.lineno
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "avoidkit":
            base = node.module.partition(".")[2]
            for name in node.names:
                inner = f"{base}.{name.name}".lstrip(".")
                if inner != "__version__":
                    yield (inner if inner in known else base), node.lineno
        elif isinstance(node, ast.Import):
            for name in node.names:
                if name.name.split(".")[0] == "avoidkit":
                    yield name.name.partition(".")[2], node.lineno


def complaints(package, layers=LAYERS):
    """What breaks the order, one sentence each."""
    found = modules(package)
    for module, file in found.items():
        layer = module.split(".")[0]
        if module and layer not in layers:
            yield f"{module} has no place in the order of layers"
            continue
        for target, line in imports(file, found):
            below = target.split(".")[0]
            if below == layer:
                continue
            if not module or below not in layers or layers.index(below) > layers.index(layer):
                yield f"{module or '__init__'}, line {line}: imports {target or 'the package'}, which is not above it"


def test_every_module_imports_only_from_above():
    assert list(complaints(PACKAGE)) == []


def test_modules_within_a_layer_do_not_import_each_other_in_a_circle():
    found = modules(PACKAGE)
    graph = {module: {target for target, _ in imports(file, found)} for module, file in found.items() if module}
    list(graphlib.TopologicalSorter(graph).static_order())  # raises CycleError


def _copy_with(tmp_path, **texts):
    for name, text in texts.items():
        (tmp_path / f"{name}.py").write_text(text, encoding="utf-8")
    return list(complaints(tmp_path))


def test_an_added_upward_import_is_found_even_inside_a_function(tmp_path):
    text = "def where():\n    from avoidkit.drive import drive\n    return drive\n"
    assert _copy_with(tmp_path, frames=text) == ["frames, line 2: imports drive, which is not above it"]


def test_an_upward_import_of_a_whole_module_is_found(tmp_path):
    assert _copy_with(tmp_path, vehicle="import avoidkit.scene\n", scene="") == [
        "vehicle, line 1: imports scene, which is not above it"
    ]
    assert _copy_with(tmp_path, vehicle="from avoidkit import scene\n", scene="") == [
        "vehicle, line 1: imports scene, which is not above it"
    ]


def test_an_import_for_types_alone_is_let_through(tmp_path):
    text = "from typing import TYPE_CHECKING\n\nif TYPE_CHECKING:\n    from avoidkit.drive import drive\n"
    assert _copy_with(tmp_path, verdict=text, drive="") == []


def test_a_downward_import_is_let_through(tmp_path):
    assert _copy_with(tmp_path, drive="from avoidkit.frames import Pose\n", frames="") == []


def test_a_relative_import_and_a_module_without_a_place_are_found(tmp_path):
    assert _copy_with(tmp_path, drive="from .frames import Pose\n", misc="") == [
        "drive, line 1: imports a relative import, which is not above it",
        "misc has no place in the order of layers",
    ]


def test_inits_only_re_export():
    for module, file in modules(PACKAGE).items():
        if file.name == "__init__.py":
            tree = ast.parse(file.read_text(encoding="utf-8"))
            functions = [n.name for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.ClassDef)]
            assert set(functions) <= {"_Package", "__setattr__", "__getattr__", "__dir__"}, module or "avoidkit"


def test_importing_the_package_loads_no_heavy_library():
    code = f"import sys, avoidkit; print(avoidkit.__version__, sorted(set({HEAVY}) & set(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert out.stdout.split(maxsplit=1) == [avoidkit.__version__, "[]\n"]


def test_a_tuning_loads_without_drawing_table_or_geometry_libraries():
    heavy = HEAVY[:7]
    code = f"import sys; from avoidkit import Tuning; Tuning(); print(sorted(set({heavy}) & set(sys.modules)))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert out.stdout == "[]\n"


def test_every_name_that_the_package_lists_is_there():
    for name in dir(avoidkit):
        assert getattr(avoidkit, name) is not None


@pytest.mark.parametrize(
    "first", ["from avoidkit.drive import Loop", "import avoidkit.drive", "from avoidkit import drive"]
)
def test_drive_is_the_function_whatever_was_imported_first(first):
    code = f"{first}\nfrom avoidkit import drive\nimport avoidkit\nprint(drive.__module__, avoidkit.drive is drive)"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert out.stdout == "avoidkit.drive True\n"


def test_a_name_that_is_not_there_is_an_attribute_error():
    with pytest.raises(AttributeError, match=r"^module 'avoidkit' has no attribute 'brake'$"):
        _ = avoidkit.brake


def test_no_module_is_longer_than_400_lines():
    long = {m: n for m, f in modules(PACKAGE).items() if (n := len(f.read_text("utf-8").splitlines())) > 400}
    assert long == {}
