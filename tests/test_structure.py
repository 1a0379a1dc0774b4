"""The shape of the package: who may import whom, what starting up may load, what the public names are."""

from __future__ import annotations

import ast
import inspect
import io
import os
import re
import subprocess
import sys
import tokenize
import tomllib
from functools import cache, lru_cache
from importlib import import_module
from pathlib import Path

import pytest

import colorcheck

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "colorcheck"
# path below the package, without its ending: "faults/verdict"
MODULES = {
    str(p.relative_to(PACKAGE).with_suffix("")): p
    for p in sorted(PACKAGE.rglob("*.py"))
    if p.stem != "__init__" or p.parent == PACKAGE
}
HEAVY = ("colour", "skimage", "matplotlib", "numba", "scipy")


def test_arrows_run_down_only() -> None:
    """The floors of the package, as `[tool.importlinter]` in pyproject.toml lists them, from the top to the ground."""
    from importlinter.cli import EXIT_STATUS_SUCCESS, lint_imports

    assert lint_imports(config_filename=str(ROOT / "pyproject.toml"), no_cache=True) == EXIT_STATUS_SUCCESS


def test_every_folder_is_a_floor() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    (contract,) = project["tool"]["importlinter"]["contracts"]
    floors = {f.strip().removeprefix("colorcheck.") for line in contract["layers"] for f in line.split("|")}
    folders = {p.parent.name for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE}
    assert floors == folders | {"__main__"}


def test_imports_form_no_circle() -> None:
    import grimp

    graph = grimp.build_graph("colorcheck", cache_dir=None)
    waiting = {m: graph.find_modules_directly_imported_by(m) - {m} for m in graph.modules}
    while ready := {m for m, needs in waiting.items() if not needs & waiting.keys()}:
        for m in ready:
            del waiting[m]
    assert not waiting, f"these import each other in a circle: {sorted(waiting)}"


@cache
def _tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def test_heavy_libraries_are_imported_inside_functions() -> None:
    for module, path in MODULES.items():
        for node in _tree(path).body:
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
    assert not loaded & {"numpy", "cv2", "PIL", "jinja2", "rich", "reportlab", "segno", *HEAVY}


def test_reading_a_photo_loads_nothing_it_does_not_need(tmp_path: Path) -> None:
    out = tmp_path / "out.json"
    loaded = _loaded(
        "from colorcheck.__main__ import main\n"
        f"assert main(['read', 'scans/offcut-scan.tif', '--quiet', '--json', {str(out)!r}]) == 0"
    )
    assert out.stat().st_size > 1000
    assert {"numpy", "cv2"} <= loaded
    assert not loaded & {"jinja2", "rich", "reportlab", *HEAVY}


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


@pytest.mark.parametrize(
    "module", [m for m in MODULES if m not in ("__init__", "__main__") and not m.startswith("web/")]
)
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

    tree = _tree(path)
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


# ---------------------------------------------------------------- English


def _english(template: str) -> list[str]:
    """Words that a template holds of its own: between tags, in attributes that people read, and in strings."""
    text = re.sub(r"\{#.*?#\}|<style>.*?</style>", "", template, flags=re.S)
    found = re.findall(r'\b(?:alt|title|aria-label|placeholder)="([^"{]*[A-Za-z]{2}[^"{]*)"', text)
    for code in re.findall(r"\{[{%].*?[%}]\}", text, flags=re.S):
        found += [s for s in re.findall(r'"([^"]*)"', code) if re.search(r"[a-z]{2} [a-z]{2}|^[A-Z][a-z]+ ?", s)]
    shown = re.sub(r"<[^>]*>", "\n", re.sub(r"\{[{%].*?[%}]\}", " ", text, flags=re.S))
    return found + [line.strip() for line in shown.split("\n") if re.search(r"[A-Za-z]{2}", line)]


@pytest.mark.parametrize("page", sorted((PACKAGE / "templates").glob("*.html.j2")), ids=lambda p: p.name)
def test_a_page_takes_its_words_from_the_files_of_words(page: Path) -> None:
    assert not _english(page.read_text(encoding="utf-8"))


def test_english_in_a_template_is_noticed() -> None:
    assert _english('<h2>How to print</h2>{{ p.figure(x, "As designed") }}<img alt="a piece">') == [
        "a piece",
        "As designed",
        "How to print",
    ]
    assert not _english('{# a note #}<h2>{{ words.how }}</h2><p class="small">± {{ n }}</p>')


# ---------------------------------------------------------------- files that are named


def _said(path: Path) -> list[str]:
    """Comments and docstrings of a module."""
    text = path.read_text(encoding="utf-8")
    kinds = ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
    docs = [ast.get_docstring(n) or "" for n in ast.walk(_tree(path)) if isinstance(n, kinds)]
    tokens = tokenize.generate_tokens(io.StringIO(text).readline)
    return docs + [t.string for t in tokens if t.type == tokenize.COMMENT]


@lru_cache(maxsize=1)
def _files() -> set[str]:
    """Names of all files of the project; the environment and what lies in hidden folders are none of it."""
    there: set[str] = set()
    for _, folders, files in os.walk(ROOT):
        folders[:] = [f for f in folders if not f.startswith(".")]
        there.update(files)
    return there


@pytest.mark.parametrize("folder", ["colorcheck", "tests", "scans"])
def test_a_file_that_a_comment_names_exists(folder: str) -> None:
    there = _files()
    for path in sorted((ROOT / folder).rglob("*.py")):
        for text in _said(path):
            for name in re.findall(r"(?<![\w*.{}/-])[\w/-]+\.(?:py|toml|j2|css|js)\b", text):
                assert name.rsplit("/", 1)[-1] in there or name in _INVENTED, f"{path.relative_to(ROOT)} names {name}"


_INVENTED = ("FILE.toml",)  # what a person writes
