"""Who may import whom: the map in DEVELOPERS.md, checked."""

import ast
from pathlib import Path

import afterclear

ROOT = Path(afterclear.__file__).parent
BASE = {"errors", "records", "plain", "reasons"}
MAY_IMPORT = {
    "errors": set(),
    "plain": {"errors"},
    "records": {"errors", "plain"},
    "config": {"errors", "plain"},
    "protocols": {"errors"},
    "normalise": {"errors"},
    "sources": BASE,
    "readers": BASE | {"protocols", "normalise"},
    "store": BASE | {"normalise"},
    "cut_out": BASE | {"readers", "store", "normalise"},
    "load": BASE | {"sources", "readers", "store", "config", "normalise", "cut_out"},
    "read_again": BASE | {"readers", "store", "load"},
    "histories": BASE | {"store", "normalise"},
    "analyses": {"errors"},
    "reasons": set(),
    "wording": BASE | {"normalise"},
    "digest": BASE | {"analyses", "normalise", "wording"},
    "deliver": {"errors"},
    "observe": {"errors"},
    "findings": BASE | {"store", "analyses", "histories", "normalise"},
    "runs": BASE
    | {
        "config",
        "normalise",
        "readers",
        "load",
        "cut_out",
        "read_again",
        "store",
        "histories",
        "findings",
        "digest",
    }
    | {"sources", "deliver", "observe", "wording"},
    "schedule": BASE | {"config", "runs", "observe"},
    "cli": BASE | {"config", "runs", "schedule", "findings", "observe", "wording"},
    "__main__": {"cli"},
    "__init__": set(),
}
# third parties that may be met in some parts only
ONLY_IN = {
    "duckdb": {"store"},
    "jinja2": {"digest"},
    "click": {"cli"},
    "rich": {"cli"},
    "apscheduler": {"schedule"},
    "can": {"readers"},
    "python_calamine": {"readers"},
    "defusedxml": {"readers"},
    "scipy": {"analyses"},
    "pydantic": {"config", "readers"},
    "zstandard": {"store"},
    "smtplib": {"deliver"},
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
    """The flow runs one way; siblings meet in load.py and runs.py only."""
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
