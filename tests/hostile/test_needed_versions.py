"""Lower bounds that safety rests on: with an older library an attack of before works again."""

import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2] / "pyproject.toml"

# library -> the lowest version allowed, and why
NEEDED = {
    # 2.0.0 writes to the error output; connections are locked with what 2.0 offers
    "duckdb": (2, 0, 1),
    # no entities, no document types in XML
    "defusedxml": (0, 7),
}


def numbers(text: str) -> tuple[int, ...]:
    """Read a released version.

    >>> numbers("2.0.1")
    (2, 0, 1)
    """
    return tuple(int(part) for part in text.split(".") if part.isdigit())


@pytest.mark.parametrize("library", NEEDED)
def test_a_version_that_safety_rests_on_is_asked_for_and_installed(library: str) -> None:
    asked = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]["dependencies"]
    (bound,) = [line.removeprefix(f"{library}>=") for line in asked if line.startswith(library)]
    assert numbers(bound) >= NEEDED[library]
    assert numbers(version(library)) >= NEEDED[library]
