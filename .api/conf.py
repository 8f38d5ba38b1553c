"""How the API pages are built from the docstrings; README has the command.

The sources of the pages are written here from the package itself: first the names that `raytrace`
offers, by the family or room they live in, then every room, module by module. Nothing is fetched.
"""

import ast
import importlib
import inspect
import pkgutil
import tomllib
from collections import defaultdict
from pathlib import Path

import numpydoc.xref
from docutils import nodes
from sphinx.roles import XRefRole

import raytrace

HERE = Path(__file__).parent


def room_of(module):
    """Family of a study or report, or what lies just under the package."""
    parts = module.split(".")[1:]
    return ".".join(parts[: 2 if parts[0] in ("studies", "reports") else 1])


def offered():
    """Modules that the names `raytrace` offers live in, by name; read from its stub."""
    stub = ast.parse(Path(raytrace.__file__).with_suffix(".pyi").read_text("utf-8"))
    found = [node for node in stub.body if isinstance(node, ast.ImportFrom)]
    return {
        alias.name: f"raytrace.{node.module}"
        for node in found
        for alias in node.names
        if not alias.name.startswith("_")
    }


HOMES = offered()


def modules_by_room():
    """Rooms from the roof down, as the layers of the imports, and single files last."""
    settings = tomllib.loads((HERE.parent / "pyproject.toml").read_text("utf-8"))["tool"]
    layers = settings["importlinter"]["contracts"][0]["layers"]
    order = [room for layer in layers for room in layer.split(" | ")]
    found = defaultdict(list)
    for made in pkgutil.walk_packages(raytrace.__path__, "raytrace."):
        if not made.name.endswith(("__main__", "raytrace.version")):
            found[room_of(made.name)].append(made.name)
    return dict(
        sorted(
            found.items(),
            key=lambda room: order.index(top) if (top := room[0].split(".")[0]) in order else 99,
        )
    )


def class_places():
    """Where the pages have the package's classes, by the names that docstrings give as types."""
    found = {}
    for modules in modules_by_room().values():
        for module in map(importlib.import_module, modules):
            own = [n for n in getattr(module, "__all__", []) if inspect.isclass(vars(module)[n])]
            found |= {n: place_of(f"{module.__name__}.{n}") for n in own}
    return found


def name_role(role, rawtext, text, *rest):
    """What stands in single backticks: a link if it is a full name, or else code."""
    if not text.startswith("raytrace."):
        return [nodes.literal(rawtext, text)], []
    return XRefRole()("py:obj", rawtext, f"{text} <{place_of(text)}>", *rest)


def place_of(full_name):
    """Where the pages speak of it: of a constant in its module, of a field in its class."""
    owner, _, name = full_name.rpartition(".")
    if inspect.isclass(held_by := pkgutil.resolve_name(owner)):
        is_field = name in getattr(held_by, "__dataclass_fields__", {})
        return place_of(owner) + ("" if is_field else f".{name}")
    thing = pkgutil.resolve_name(full_name)
    if is_offered(name, thing):
        return f"raytrace.{name}"
    if inspect.isroutine(thing) or inspect.isclass(thing):
        return f"{thing.__module__}.{name}"  # also where another module passes it on
    return full_name if inspect.ismodule(thing) else owner


def is_offered(name, thing):
    return name in HOMES and getattr(raytrace, name) is thing


def headed(title, mark="="):
    return f"{title}\n{mark * len(title)}\n\n"


def summary(module):
    return inspect.getdoc(importlib.import_module(module)).split("\n")[0]


def offered_page(room, names):
    text = headed(room.removeprefix("studies."))
    text += summary(f"raytrace.{room}") + "\n\n.. currentmodule:: raytrace\n\n"
    for name in names:
        if inspect.isclass(getattr(raytrace, name)):
            text += f".. autoclass:: {name}\n   :members:\n\n"
        else:
            text += f".. autofunction:: {name}\n\n"
    return text


def module_part(name):
    """A module's docstring and its own names; those that `raytrace` offers as links."""
    text = f".. automodule:: {name}\n"
    module = importlib.import_module(name)
    if name.startswith("raytrace.commands."):
        return text + "\n"  # --help says what options mean
    own = {n: vars(module)[n] for n in getattr(module, "__all__", [])}
    own = {n: thing for n, thing in own.items() if getattr(thing, "__module__", name) == name}
    moved = [n for n, thing in own.items() if is_offered(n, thing)]
    if kept := [n for n in own if n not in moved]:
        text += f"   :members: {', '.join(kept)}\n"
    if moved:
        text += "\nOffered by `raytrace`: " + links(moved)
    return text + "\n\n"


def room_page(first, *rest):
    parts = [headed(name, "-") + module_part(name) for name in rest]
    return headed(first) + module_part(first) + "".join(parts)


def links(names):
    return ", ".join(f":py:obj:`~raytrace.{name}`" for name in names)


def contents(caption, pages):
    return (
        f".. toctree::\n   :caption: {caption}\n   :hidden:\n\n   " + "\n   ".join(pages) + "\n\n"
    )


def index(public, rooms):
    text = headed(project) + ".. automodule:: raytrace\n\n"
    text += contents("What raytrace offers", [f"public.{room}" for room in public])
    text += contents("Rooms, from the roof down", rooms)
    text += headed("What raytrace offers", "-")
    for room, names in public.items():
        text += f":doc:`public.{room}`\n   {summary(f'raytrace.{room}')}\n\n   {links(names)}\n\n"
    text += headed("Rooms, from the roof down", "-")
    return text + "".join(f":doc:`{r}`\n   {summary(f'raytrace.{r}')}\n\n" for r in rooms)


def write_pages():
    for left in HERE.glob("*.rst"):  # from rooms that are gone
        left.unlink()
    rooms = modules_by_room()
    public = {r: [n for n, home in HOMES.items() if room_of(home) == r] for r in rooms}
    public = {room: names for room, names in public.items() if names}
    pages = {f"public.{room}": offered_page(room, names) for room, names in public.items()}
    pages |= {room: room_page(*modules) for room, modules in rooms.items()}
    pages["index"] = index(public, rooms)
    for name, text in pages.items():
        (HERE / f"{name}.rst").write_text(text, encoding="utf-8")


project = "Cooker Raytrace"
version = release = raytrace.__version__
extensions = ["sphinx.ext.autodoc", "numpydoc"]
toc_object_entries_show_parents = "hide"
nitpicky = True
default_role = "name"
autodoc_member_order = "bysource"
autodoc_typehints = "none"  # docstrings say the types, with shapes and units
autosummary_generate = False
numpydoc.xref.DEFAULT_LINKS.clear()  # into pages of others
numpydoc_xref_param_type = True
numpydoc_xref_aliases = class_places()
numpydoc_xref_ignore = "all"  # that is no class of this package
smartquotes = False
numpydoc_show_class_members = False
html_theme = "furo"
html_title = f"{project} {version}"
html_show_sphinx = html_show_copyright = html_show_sourcelink = html_copy_source = False


def setup(app):
    app.add_role("name", name_role)
    write_pages()
