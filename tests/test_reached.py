"""Nothing in the package is there for tests only.

The walk begins at the command line and follows names: what a reached piece of code mentions is
reached, be it defined beside it, imported, or taken from an imported module.  A method is not
followed by itself: it lives and dies with its class.
"""

import ast
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

import afterclear
from afterclear.cli import COMMANDS
from afterclear.sources import places

ROOT = Path(afterclear.__file__).parent
# where people and processes come in, and what is imported by a name put together from parts
BEGIN = [
    ("afterclear.__main__", ""),
    ("afterclear", "open"),  # from Python
    ("afterclear.help.three_questions", ""),
    ("afterclear.readers.child.reading_child", "main"),  # a process of its own
    ("afterclear.desk.long_work.judging", "main"),  # a process of its own
    *((f"afterclear.cli.{module}", "command") for module, _ in COMMANDS.values()),
    *((f"afterclear.sources.{module}", "opened") for module, _ in places._PLACES.values()),  # noqa: SLF001
]
# reached by tests only, and why it may be
ALLOWED: dict[str, str] = {}

Place = tuple[str, str]  # module, name in it; "" is what runs when the module is imported
Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


@dataclass
class Module:
    """What a module defines at its top, and what its names stand for."""

    name: str
    pieces: dict[str, list[ast.AST]] = field(default_factory=dict)
    imported: dict[str, Place] = field(default_factory=dict)


def module_of(file: Path) -> str:
    parts = file.relative_to(ROOT.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def defined_by(statement: ast.stmt) -> list[str]:
    """Names that a statement at the top binds; none for one that only does something."""
    if isinstance(statement, Definition):
        return [statement.name]
    if isinstance(statement, ast.Assign | ast.AnnAssign):
        targets = statement.targets if isinstance(statement, ast.Assign) else [statement.target]
        return [target.id for target in targets if isinstance(target, ast.Name)]
    return []


def read(name: str, text: str) -> Module:
    module = Module(name)
    tree = ast.parse(text)
    for statement in tree.body:
        for piece in defined_by(statement) or [""]:
            module.pieces.setdefault(piece, []).append(statement)
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                module.imported[alias.asname or alias.name.partition(".")[0]] = (alias.name, "")
        elif isinstance(node, ast.ImportFrom) and node.module:
            for alias in node.names:
                module.imported[alias.asname or alias.name] = (node.module, alias.name)
    return module


def mentioned(module: Module, node: ast.AST, known: dict[str, Module]) -> Iterator[Place]:
    """Places a piece of code mentions, here and in other modules."""
    for part in ast.walk(node):
        if isinstance(part, ast.Name | ast.Attribute):
            base = part.value if isinstance(part, ast.Attribute) else part
            if not isinstance(base, ast.Name):
                continue
            if base.id in module.pieces:
                yield (module.name, base.id)
            if base.id in module.imported:
                where, name = module.imported[base.id]
                inner = f"{where}.{name}" if name else where
                if inner in known:
                    yield (inner, part.attr if isinstance(part, ast.Attribute) else "")
                else:
                    yield (where, name)
        elif isinstance(part, ast.Call) and ast.unparse(part.func) == "cast":
            yield from mentioned(module, ast.parse(ast.literal_eval(part.args[0])), known)
        elif isinstance(part, ast.ImportFrom) and part.module:
            yield (part.module, "")
            yield from ((f"{part.module}.{alias.name}", "") for alias in part.names)
        elif isinstance(part, ast.Import):
            yield from ((alias.name, "") for alias in part.names)


def reached(known: dict[str, Module], begin: list[Place]) -> set[Place]:
    found, waiting = set[Place](), list(begin)
    while waiting:
        place = waiting.pop()
        module = known.get(place[0])
        if module is None or place in found or place[1] not in {*module.pieces, ""}:
            continue
        found.add(place)
        waiting.append((module.name, ""))
        if "." in module.name:
            waiting.append((module.name.rpartition(".")[0], ""))
        for node in module.pieces.get(place[1], []):
            waiting += mentioned(module, node, known)
    return found


def unreached(known: dict[str, Module], begin: list[Place]) -> list[str]:
    found = reached(known, begin)
    return sorted(
        f"{module.name}:{name}" if name else module.name
        for module in known.values()
        for name in (["", *module.pieces] if (module.name, "") in found else [""])
        if (module.name, name) not in found and not name.startswith("__")
    )


@pytest.fixture(scope="module")
def package() -> dict[str, Module]:
    files = {module_of(file): file for file in sorted(ROOT.rglob("*.py"))}
    return {name: read(name, file.read_text(encoding="utf-8")) for name, file in files.items()}


def test_everything_is_reached_from_the_command_line(package: dict[str, Module]) -> None:
    assert set(unreached(package, BEGIN)) == set(ALLOWED)


def test_what_only_a_test_would_call_is_found() -> None:
    """A function, a constant that only it uses, and a module nobody imports."""
    texts = {
        "a": "from b import used\nimport c\ndef main(): return used() + c.also",
        "b": "_N = 1\n_M = 2\ndef used(): return _N\ndef unused(): return _M + unused()",
        "c": "also = 1\nnever = 2",
        "d": "def lonely(): ...",
    }
    package = {name: read(name, text) for name, text in texts.items()}
    assert unreached(package, [("a", "main")]) == ["b:_M", "b:unused", "c:never", "d"]
