"""Who may import whom: the map in DEVELOPERS.md, checked."""

import ast
from collections import Counter
from graphlib import TopologicalSorter
from pathlib import Path

import afterclear

ROOT = Path(afterclear.__file__).parent
BASE = {"errors", "records", "plain", "plain_schemas", "reasons", "finding_tables"}
BASE |= {"export_columns"}
MAY_IMPORT = {
    "errors": set(),
    "plain": {"errors"},
    "plain_schemas": {"plain"},
    "records": {"errors", "plain"},
    "settings": {"plain"},
    "config": {"errors", "plain", "settings"},
    "protocols": {"errors"},
    "catalogue": {"errors"},
    "sources": BASE,
    "readers": BASE | {"protocols", "catalogue"},
    "store": BASE | {"catalogue"},
    "cut_out": BASE | {"readers", "store", "catalogue"},
    "take_in": BASE | {"store", "catalogue"},
    "load": BASE | {"sources", "readers", "store", "catalogue", "cut_out", "take_in"},
    "read_again": BASE | {"readers", "store", "load", "take_in"},
    "histories": BASE | {"store", "catalogue"},
    "estimators": {"errors"},
    "reasons": set(),
    "finding_tables": set(),
    "export_columns": {"plain", "finding_tables"},
    "wording": BASE | {"catalogue"},
    "digest": BASE | {"estimators", "catalogue", "wording"},
    "deliver": {"errors"},
    "observe": {"errors"},
    "findings": BASE | {"store", "estimators", "histories", "catalogue"},
    "lake": BASE | {"store", "histories"},
    "commands": BASE
    | {"settings", "config", "catalogue", "sources", "readers", "store", "cut_out", "load"}
    | {"take_in", "read_again", "histories", "findings", "lake", "wording", "digest", "deliver"}
    | {"observe"},
    "schedule": BASE | {"config", "commands", "observe"},
    "cli": BASE | {"config", "commands", "schedule", "desk", "findings", "observe", "wording"},
    "desk": BASE | {"catalogue", "config", "commands", "digest", "schedule", "wording"},
    "garage": {"config", "commands"},
    "__main__": {"cli"},
    "__init__": {"garage"},
}
# third parties that may be met in some parts only
ONLY_IN = {
    "duckdb": {"store"},
    "jinja2": {"digest", "desk"},
    "starlette": {"desk"},
    "uvicorn": {"desk"},
    "argon2": {"desk"},
    "tomlkit": {"commands"},
    "click": {"cli"},
    "rich": {"cli"},
    "apscheduler": {"schedule"},
    "can": {"readers"},
    "python_calamine": {"readers"},
    "defusedxml": {"readers"},
    "scipy": {"estimators"},
    "pydantic": {"settings", "config", "readers"},
    "zstandard": {"store"},
    "smtplib": {"deliver"},
    "prometheus_client": {"observe"},
    "xlsxwriter": {"commands"},
    "pyspark": {"lake"},
    "pyarrow": {"lake"},
    "py4j": {"lake"},
}


def _part(module: Path) -> str:
    return module.relative_to(ROOT).parts[0].removesuffix(".py")


def _imports(module: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module)
    return names


def test_every_part_imports_only_what_the_map_allows() -> None:
    """The flow runs one way; siblings meet in load.py and in the commands only."""
    broken = []
    for module in sorted(ROOT.rglob("*.py")):
        part = _part(module)
        for name in _imports(module):
            pieces = name.split(".")
            if pieces[0] == "afterclear" and len(pieces) > 1:
                allowed = MAY_IMPORT[part] | {part}
                if pieces[1] not in allowed:
                    broken.append(f"{module.relative_to(ROOT)} imports {name}")
            elif pieces[0] in ONLY_IN and part not in ONLY_IN[pieces[0]]:
                broken.append(f"{module.relative_to(ROOT)} imports {name}")
    assert broken == []


MOST_MODULES = 14  # in one room; the command line has a file a command
CROWDED = {"cli"}


def _dotted(module: Path) -> str:
    parts = ("afterclear", *module.relative_to(ROOT).with_suffix("").parts)
    return ".".join(part for part in parts if part != "__init__")


def _used(module: Path) -> set[str]:
    """Every dotted name a module imports, with those it takes from a package."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(module.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module} | {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def _room(module: Path) -> str:
    """Name the package of a module; a module that stands beside packages is a room of its own."""
    package = module.relative_to(ROOT).parent.as_posix()
    return package if "/" in package else module.relative_to(ROOT).with_suffix("").as_posix()


def test_a_room_holds_about_a_dozen_modules() -> None:
    rooms = Counter(
        module.relative_to(ROOT).parent.as_posix()
        for module in ROOT.rglob("*.py")
        if module.stem != "__init__"
    )
    crowded = {room for room, n in rooms.items() if n > MOST_MODULES and room != "."}
    assert crowded == CROWDED


def test_what_a_room_uses_never_uses_it() -> None:
    """The rooms have an order: whoever walks from a file to a page enters each once."""
    known = {_dotted(module): module for module in ROOT.rglob("*.py") if module.stem != "__init__"}
    uses: dict[str, set[str]] = {}
    for module in known.values():
        rooms = {_room(known[name]) for name in _used(module) & set(known)}
        uses.setdefault(_room(module), set()).update(rooms - {_room(module)})
    tuple(TopologicalSorter(uses).static_order())  # a CycleError names the circle


def test_the_developers_map_is_the_one_in_force() -> None:
    """Each row of the table in DEVELOPERS.md: a part, what it is, what it may import."""
    guide = (ROOT.parents[1] / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = guide.partition("| part | what it is | may import |\n")[2].partition("\n\n")[0]
    told: dict[str, set[str]] = {}
    for line in table.splitlines()[1:]:
        part, _, allowed = (cell.strip() for cell in line.strip("|").split("|"))
        names = set(allowed.split(", ")) - {"nothing"}
        told[part.strip("`")] = (names - {"the base"}) | (BASE if "the base" in names else set())
    assert told == {part: names for part, names in MAY_IMPORT.items() if "__" not in part}
