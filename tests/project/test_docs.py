"""What the project says of itself holds: README's examples, docstrings, public names, layout."""

from __future__ import annotations

import ast
import dataclasses
import importlib
import inspect
import pkgutil
import re
import shutil
import subprocess
import sys
import textwrap
import tomllib
from pathlib import Path

import docstring_parser
import pytest
from docstring_parser import DocstringStyle

import raytrace
from raytrace import build_cooker, exceptions, parse_scenario

ROOT = Path(__file__).parents[2]
NUMPYDOC = DocstringStyle.NUMPYDOC
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


def test_readmes_python_runs(monkeypatch, capsys, tmp_path):
    matplotlib = pytest.importorskip("matplotlib")
    matplotlib.use("Agg")
    shutil.copytree(ROOT / "scenarios", tmp_path / "scenarios")
    monkeypatch.chdir(tmp_path)
    for code in blocks("python"):
        assert len(code.strip().splitlines()) <= 10
        exec(compile(code, "README.md", "exec"), {})
    said = capsys.readouterr().out
    assert "W on the base" in said
    assert "minutes to the boil" in said


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
    # those that need an extra say so
    extras = (project["optional-dependencies"][name] for name in ("cluster", "live", "photo"))
    lines = [*project["dependencies"], *(line for extra in extras for line in extra)]
    brought = {re.match(r"[\w.-]+", line).group().lower() for line in lines}
    known = brought | set(sys.stdlib_module_names) | {"raytrace"}
    # come with numba, pydantic, distributed, pillow, jinja2, nicegui, opencv; the engine is for the
    # benchmark, which says so
    known |= {"llvmlite", "pydantic_core", "dask", "PIL", "embreex", "markupsafe", "fastapi", "cv2"}
    assert {"xarray", "pvlib"} <= brought
    assert {name for name in imported_names() if not {name, name.lower()} & known} == set()


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


def public(module):
    """Functions, classes and their methods that a module means others to use."""
    for name in getattr(module, "__all__", []):
        thing = getattr(module, name)
        if getattr(thing, "__module__", None) != module.__name__:
            continue
        if inspect.isfunction(thing):
            yield name, thing
        elif inspect.isclass(thing):
            yield name, thing
            for method, made in vars(thing).items():
                made = getattr(made, "__func__", made)  # of a class method
                if inspect.isfunction(made) and not method.startswith("_"):
                    yield f"{name}.{method}", made


def test_public_names_exist_and_are_documented():
    for name in raytrace.__all__:
        assert getattr(raytrace, name) is not None
    for module in map(importlib.import_module, modules()):
        for name, thing in public(module):
            assert inspect.getdoc(thing), f"{module.__name__}.{name} has no docstring"


def section(doc, kind):
    """Names that a docstring's section lists; several alike share a line."""
    parts = [part.arg_name for part in doc.params if part.args[0] == kind]
    return [name.strip().lstrip("*") for part in parts for name in part.split(",")]


def raised(function):
    """Errors of this package that a function's own lines raise."""
    (tree,) = ast.parse(textwrap.dedent(inspect.getsource(function))).body
    todo, found = list(tree.body), set()
    while todo:
        node = todo.pop()
        if isinstance(node, ast.FunctionDef):
            continue
        if isinstance(node, ast.Raise) and isinstance(node.exc, ast.Call):
            found.add(ast.unparse(node.exc.func).rpartition(".")[2])
        todo += ast.iter_child_nodes(node)
    return found & set(exceptions.__all__)


def faults_of_function(function, doc):
    signature = inspect.signature(function)
    own = ("self", "cls") if "." in function.__qualname__ else ()
    taken = [p for p in signature.parameters if p not in own]
    # one line says all of what takes nothing but its object, as of a property
    brief = not taken and not doc.meta
    if (said := section(doc, "param")) != taken:
        yield f"Parameters {said}: it takes {taken}"
    gives = signature.return_annotation not in ("None", "Iterator[None]", None)
    if gives and not brief and not doc.many_returns:
        yield "neither Returns nor Yields"
    if lacking := raised(function) - {part.type_name for part in doc.raises}:
        yield f"Raises without {sorted(lacking)}"


def faults_of_class(cls, doc):
    if dataclasses.is_dataclass(cls):
        fields = [f.name for f in dataclasses.fields(cls) if not f.name.startswith("_")]
        if (said := section(doc, "attribute")) != fields:
            yield f"Attributes {said}: its fields are {fields}"
    elif getattr(made := vars(cls).get("__init__"), "__module__", "") == cls.__module__:
        taken = list(inspect.signature(made).parameters)[1:]
        if (said := section(doc, "param")) != taken:
            yield f"Parameters {said}: it takes {taken}"


def overrides(cls, name):
    """What overrides a method does what the docstring of the first one says."""
    return any(name in vars(base) for base in cls.__mro__[1:])


def faults(module):
    for name, thing in public(module):
        if f"raytrace.commands.{name}" == module.__name__:
            continue  # a command: its options say what each means
        owner, _, method = name.partition(".")
        if method and overrides(getattr(module, owner), method):
            continue
        doc = docstring_parser.parse(inspect.cleandoc(thing.__doc__), style=NUMPYDOC)
        find = faults_of_class if inspect.isclass(thing) else faults_of_function
        yield from (f"{module.__name__}.{name}: {fault}" for fault in find(thing, doc))


def test_docstrings_say_what_signatures_do():
    """Parameters, what is returned, errors raised and a dataclass's fields."""
    assert [f for name in modules() for f in faults(importlib.import_module(name))] == []


def test_docstrings_that_leave_something_out_are_found():
    def made(x, *more):
        """Double it.

        Parameters
        ----------
        x : float
        """
        if more:
            raise exceptions.SkyError("too many")
        return 2 * x

    doc = docstring_parser.parse(inspect.cleandoc(made.__doc__), style=NUMPYDOC)
    assert [fault.split()[0] for fault in faults_of_function(made, doc)] == [
        "Parameters",
        "neither",
        "Raises",
    ]


MOST_PLACES = 8  # more can't be told apart


def test_no_function_takes_many_arguments_by_their_place():
    found = set()
    for path in (ROOT / "raytrace").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                names = [a.arg for a in node.args.posonlyargs + node.args.args]
                if len([n for n in names if n not in ("self", "cls")]) > MOST_PLACES:
                    found.add(f"{path.name}: {node.name}")
    assert found == set()


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
