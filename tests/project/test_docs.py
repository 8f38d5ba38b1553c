"""What the project says of itself holds: README's examples, docstrings, public names, layout."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import raytrace
from raytrace import build_cooker, parse_scenario

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "raytrace",
    "scenarios",
    "tests",
    "notebooks",
    "results",
}


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.S)


def test_readmes_scenario_can_be_built():
    (text,) = blocks("toml")
    cooker = build_cooker(parse_scenario(text, source="README.md"))
    assert len(cooker.facets) == 18


def test_readmes_python_runs(monkeypatch, capsys):
    matplotlib = pytest.importorskip("matplotlib")
    matplotlib.use("Agg")
    monkeypatch.chdir(ROOT)
    (code,) = blocks("python")
    assert len(code.strip().splitlines()) <= 10
    exec(compile(code, "README.md", "exec"), {})
    assert "W on the base" in capsys.readouterr().out


def imported_names():
    """First names of all that the package imports, wherever in a file."""
    for path in (ROOT / "raytrace").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                yield from (alias.name.partition(".")[0] for alias in node.names)
            elif isinstance(node, ast.ImportFrom) and node.module:
                yield node.module.partition(".")[0]


def test_plain_install_brings_what_the_package_imports():
    """The test environment has more than README's first line installs."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    lines = [*project["dependencies"], *project["optional-dependencies"]["cluster"]]
    brought = {re.match(r"[\w.-]+", line).group().lower() for line in lines}
    known = brought | set(sys.stdlib_module_names) | {"raytrace"}
    # come with numba, pydantic, distributed; the engine is for the benchmark, which says so
    known |= {"llvmlite", "pydantic_core", "dask", "embreex"}
    assert {"xarray", "pvlib"} <= brought
    assert {name for name in imported_names() if name.lower() not in known} == set()


def test_tables_of_developers_are_whole():
    """A blank line inside a table ends it: the rows after it would show as text."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    for block in re.split(r"\n\s*\n", text):
        rows = [line for line in block.splitlines() if line.startswith("|")]
        assert not rows or re.fullmatch(r"[|\s:-]+", rows[1]), rows[0]


def test_pictures_in_readme_exist():
    for target in re.findall(r"\]\(((?!http)[^)#]+)\)", README):
        assert (ROOT / target).exists(), target


def test_top_level_holds_what_it_should():
    listed = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False
    ).stdout.split("\n")
    top = {name.split("/")[0] for name in listed if name and not name.startswith(".")}
    assert not top or top <= TOP


def modules():
    names = [m.name for m in pkgutil.walk_packages(raytrace.__path__, "raytrace.")]
    return [n for n in names if ".kernels" not in n and "benchmark" not in n]


def documented(module):
    for name in getattr(module, "__all__", []):
        thing = getattr(module, name)
        if getattr(thing, "__module__", None) != module.__name__:
            continue
        if inspect.isfunction(thing):
            yield name, thing
        elif inspect.isclass(thing):
            yield name, thing
            for method, f in vars(thing).items():
                if inspect.isfunction(f) and not method.startswith("_"):
                    yield f"{name}.{method}", f


def test_public_names_exist_and_are_documented():
    for name in raytrace.__all__:
        assert getattr(raytrace, name) is not None
    for module in map(importlib.import_module, modules()):
        for name, thing in documented(module):
            assert inspect.getdoc(thing), f"{module.__name__}.{name} has no docstring"


def test_parameters_in_docstrings_are_those_of_the_signature():
    """Where a docstring lists parameters, it lists all of them, in order."""
    checked = 0
    for module in map(importlib.import_module, modules()):
        for name, thing in documented(module):
            doc = inspect.getdoc(thing) or ""
            section = re.search(r"Parameters\n-+\n(.*?)(?:\n\n[A-Z]\w+\n-+\n|\Z)", doc, flags=re.S)
            if not inspect.isfunction(thing) or not section:
                continue
            said = []
            for line in section[1].splitlines():
                if line and not line.startswith(" "):
                    said += [n.strip().lstrip("*") for n in line.split(" : ")[0].split(",")]
            real = [p for p in inspect.signature(thing).parameters if p not in ("self", "cls")]
            assert said == real, f"{module.__name__}.{name}"
            checked += 1
    assert checked > 40


def test_the_package_loads_fast():
    """Without the compiler's library or the sky's: the command's help need not wait for them."""
    code = (
        "import sys, raytrace\n"
        "heavy = {'numba', 'pvlib', 'pandas', 'matplotlib', 'scipy'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    subprocess.run([sys.executable, "-c", code], check=True, cwd=ROOT)


def test_compiled_code_is_kept_outside_the_package():
    from raytrace.kernels.compiled import CACHE_FOLDER

    assert ROOT / "raytrace" not in CACHE_FOLDER.parents
    assert not list((ROOT / "raytrace").rglob("*.nbi"))
