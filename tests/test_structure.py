"""The shape of the package: who may import whom, what starting up may load, what the public names are."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
import tomllib
from importlib import import_module
from pathlib import Path

import pytest

import colorcheck

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "colorcheck"
WEB = PACKAGE / "web"
# by name: no two modules share one, so that a name says which file is meant
MODULES = {
    p.stem: p
    for p in sorted(PACKAGE.rglob("*.py"))
    if WEB not in p.parents and (p.stem != "__init__" or p.parent == PACKAGE)
}
COMMANDS = {m for m, p in MODULES.items() if p.parent.name == "commands"}

GROUND = {
    *("records", "errors", "units", "files"),
    *("cielab", "relative", "response", "robust"),  # formulae
    *("printer_model", "gamut"),  # a printer as a function, and the way back
    *("places", "geometry", "posefit"),  # mm and pixels
    *("controlchart", "presslog_records", "presslog_tables"),  # the press log: charts, records, tables
}
# flows put steps in an order: they may import every step, and other flows
FLOWS = {
    "characterise",
    "coach",
    "comparison",
    "defects",
    "inspection",
    "pipeline",
    "prepare",
    "profiling",
    "repeat",
}
# faces turn a result into words, pictures and files, and read saved ones
FACES = {
    "comparereport",
    "healthlog",
    "healthreport",
    "inspectreport",
    "inspectwords",
    "ladderreport",
    "pictures",
    "preparereport",
    "presslog",
    "presslog_engine",
    "presslog_files",
    "presslog_migrate",
    "presslog_results",
    "profilereport",
    "report",
    "results",
    "terminal",
    "words",
}
# a step imports the ground floor only; what it may have beyond that, and why
BEYOND = {
    # the printed code names the layout, and the fit needs where its markers lie
    "locate": {"markers", "secondcopy", "sheetcode", "target"},
    "markers": {"target"},
    "sheetcode": {"codebook", "markers", "target"},
    # a picture file becomes linear light, one job a file; `decode` knows their order
    "pictureheader": {"picturekind", "wholeness"},
    "pixels": {"pictureheader", "picturekind", "wholeness"},
    "colourtable": {"colourmodel"},
    "embeddedprofile": {"colourmodel", "colourtable"},
    "picturecolour": {"colourmodel", "embeddedprofile", "pictureheader"},
    "linearise": {"colourmodel", "colourtable", "pixels"},
    "decode": {"colourmodel", "linearise", "picturecolour", "pictureheader", "picturekind", "pixels"},
    # faults of print and paper, one job a file: all look at one working grid, `prints` runs them
    "ghost": {"sheetgrid"},
    "banding": {"sheetgrid"},
    "inks": {"sheetgrid"},
    "scorch": {"sheetgrid"},
    "dots": {"sheetgrid"},
    "prints": {"banding", "dots", "edgewidth", "ghost", "inks", "scorch", "sheetgrid"},
    "artwork": {"decode"},  # an artwork is a picture file like any other
    # finding a finished piece, one job a file: each stands on the records of `placement` and of an artwork
    "placement": {"artwork"},
    "overlay": {"artwork", "placement"},
    "rim": {"artwork", "placement"},
    "outline": {"artwork", "placement", "rim"},
    "candidates": {"artwork", "outline", "overlay", "placement"},
    "register": {"artwork", "candidates", "outline", "overlay", "placement", "rim"},
    "expect": {"blocks"},
    "apart": {"blocks", "expect"},  # the records and block means of the expected image
    # the search for defects, one job a file: all stand on what `apart` left and on the map of missing dye
    "lack": {"apart", "blocks", "expect", "glare"},
    "reflections": {"apart", "blocks", "expect", "glare"},  # glare.py tells reflections from weak pressing
    "edgebands": {"blocks", "lack"},
    "softspots": {"blocks", "lack"},
    "onecolour": {"blocks", "lack"},
    "rimwidth": {"blocks", "expect", "finedetail"},
    "swallowed": {"apart", "blocks", "expect"},
    "finedetail": {"apart", "blocks", "expect", "lack"},
    "pressmarks": {"apart", "blocks", "expect", "finedetail", "lack"},
    "combine": {"apart", "expect", "lack"},
    "inspectwords": {"inspection"},  # the records of an inspection
    "inspectreport": {"inspection"},
    "ladderreport": {"ladder"},  # the records of a step test
    "healthreport": {"presshealth"},  # the records of many pieces
    "healthlog": {"presshealth"},
    "profilereport": {"profiling"},  # the records of a profile
    "cms": {"icc"},  # checks a profile, and reads the connection space through one of its own
    "preparereport": {"prepare"},  # the records of a prepared picture
    "substrate": {"gamut", "printer_model", "results"},  # a saved reading → its fitted response and the volume inside
    "comparereport": {"comparison", "gamut", "substrate"},  # the records of a comparison, and what is drawn of them
    "camerafile": {"camera", "results"},  # a CameraModel on disk, written whole or not at all
}
HEAVY = ("colour", "skimage", "matplotlib", "numba", "scipy")


def imports(path: Path) -> set[str]:
    """Modules of the package that a file imports, anywhere in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.level or (node.module or "").startswith("colorcheck")):
            last = (node.module or "").rsplit(".", 1)[-1]
            found |= {last} if last in MODULES else {a.name for a in node.names}
        elif isinstance(node, ast.Import):
            found |= {a.name.rsplit(".", 1)[-1] for a in node.names if a.name.startswith("colorcheck.")}
    return found & set(MODULES)


def allowed(module: str) -> set[str]:
    """What a module may import."""
    if module in ("__main__", "__init__") or module in COMMANDS:
        return set(MODULES)
    if module in FACES:
        return GROUND | FACES | {"target"} | BEYOND.get(module, set())
    if module in FLOWS:
        return set(MODULES) - {"__main__"} - COMMANDS - (FACES - {"results"})
    if module in GROUND:
        return GROUND
    return GROUND | BEYOND.get(module, set())


@pytest.mark.parametrize("module", MODULES)
def test_imports_run_one_way(module: str) -> None:
    beyond = imports(MODULES[module]) - allowed(module) - {module}
    assert not beyond, f"{module}.py imports {', '.join(sorted(beyond))}: a step imports the ground floor only"


def test_import_table_names_only_modules_that_exist() -> None:
    named = GROUND | FLOWS | FACES | set(BEYOND) | set().union(*BEYOND.values())
    assert named <= set(MODULES), named - set(MODULES)
    unused = {(m, b) for m, extra in BEYOND.items() for b in extra - imports(MODULES[m])}
    assert not unused, f"exceptions that nobody needs any more: {unused}"


def test_no_two_modules_share_a_name() -> None:
    every = [p for p in PACKAGE.rglob("*.py") if WEB not in p.parents and p.stem != "__init__"]
    assert len({p.stem for p in every}) == len(every)


def test_only_the_command_knows_the_page() -> None:
    for module, path in MODULES.items():
        text = path.read_text(encoding="utf-8")
        assert module == "cli_serve" or not re.search(r"^\s*from \.+web", text, re.MULTILINE), module


def test_imports_form_no_circle() -> None:
    graph = {m: imports(p) - {m} for m, p in MODULES.items()}
    done: set[str] = set()
    while ready := {m for m, needs in graph.items() if m not in done and needs <= done}:
        done |= ready
    assert done == set(MODULES), f"these import each other in a circle: {sorted(set(MODULES) - done)}"


def test_heavy_libraries_are_imported_inside_functions() -> None:
    for module, path in MODULES.items():
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) and node.level == 0 else []
            heavy = {n for n in names if n.split(".")[0] in HEAVY}
            assert not heavy, f"{module}.py imports {heavy} at the top"


def _loaded(code: str) -> set[str]:
    """Top-level modules that a fresh process has loaded after running some code."""
    code += "\nimport sys\nprint('LOADED', *sorted({m.split('.')[0] for m in sys.modules}))"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    return set(out.stdout.rsplit("LOADED", 1)[1].split())


def test_import_and_help_load_nothing_heavy() -> None:
    loaded = _loaded(
        "import colorcheck\nfrom colorcheck.__main__ import main\n"
        "for words in (['--help'], ['read', '--help'], ['target', '--help']):\n"
        "    try: main(words)\n"
        "    except SystemExit as e: assert e.code == 0"
    )
    assert "colorcheck" in loaded
    assert not loaded & {"numpy", "cv2", "PIL", "jinja2", "reportlab", "segno", *HEAVY}


def test_reading_a_photo_loads_nothing_it_does_not_need(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    loaded = _loaded(
        "from colorcheck.__main__ import main\n"
        f"assert main(['read', 'scans/offcut-scan.tif', '--quiet', '--json', {str(out)!r}]) == 0"
    )
    assert out.stat().st_size > 1000
    assert {"numpy", "cv2"} <= loaded
    assert not loaded & {"jinja2", "reportlab", *HEAVY}


# ---------------------------------------------------------------- public names


def test_public_names_can_be_imported() -> None:
    assert colorcheck.__all__ == sorted(colorcheck.__all__)
    for name in colorcheck.__all__:
        assert getattr(colorcheck, name) is not None
    assert set(dir(colorcheck)) == set(colorcheck.__all__)
    assert set(colorcheck._HOME) | {"__version__"} == set(colorcheck.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = colorcheck.nonsense


def test_version_agrees_with_the_project_file() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == colorcheck.__version__


@pytest.mark.parametrize("module", [m for m in MODULES if m not in ("__init__", "__main__")])
def test_module_lists_only_names_that_it_has(module: str) -> None:
    loaded = import_module(".".join(MODULES[module].relative_to(ROOT).with_suffix("").parts))
    for name in getattr(loaded, "__all__", ()):
        assert hasattr(loaded, name), f"{module}.__all__ names {name}"


def _without_docstring(path: Path) -> list[str]:
    kinds = ast.FunctionDef | ast.ClassDef | ast.AsyncFunctionDef

    def look(body: list[ast.stmt], inside: str) -> list[str]:
        missing = []
        for node in body:
            if isinstance(node, kinds) and not node.name.startswith("_"):
                if not ast.get_docstring(node):
                    missing.append(inside + node.name)
                if isinstance(node, ast.ClassDef):
                    missing += look(node.body, f"{node.name}.")
        return missing

    tree = ast.parse(path.read_text(encoding="utf-8"))
    return ([] if ast.get_docstring(tree) else ["the module itself"]) + look(tree.body, "")


@pytest.mark.parametrize("module", MODULES)
def test_every_public_name_says_what_it_is(module: str) -> None:
    assert not _without_docstring(MODULES[module])


def test_errors_all_hang_on_one_tree() -> None:
    errors = import_module("colorcheck.ground.errors")
    classes = [c for _, c in inspect.getmembers(errors, inspect.isclass) if c.__module__ == errors.__name__]
    assert len(classes) > 3
    assert all(issubclass(c, errors.ColorcheckError) for c in classes)


# ---------------------------------------------------------------- limits


def test_every_limit_says_where_it_comes_from() -> None:
    text = (PACKAGE / "limits.toml").read_text(encoding="utf-8")
    explained = set()
    table = ""
    for line in text.splitlines():
        if head := re.match(r"\[(\w+)\]", line):
            table = head[1]
        elif value := re.match(r"(\w+)\s*=\s*[-+\d.eE]+\s*#\s*(\S.{10,})", line):
            explained.add((table, value[1]))
    known = {(t, k) for t, values in tomllib.loads(text).items() for k in values}
    assert known == explained, f"without a comment: {known - explained}"
