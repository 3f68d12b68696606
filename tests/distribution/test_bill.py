"""The bill of materials names all that is needed, in the form of its standard."""

import json
import tomllib
from importlib.metadata import version
from pathlib import Path

import pytest
from cyclonedx.output.json import JsonV1Dot6
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.distribution.bill import bill_of_materials

PROJECT = Path(__file__).parents[2] / "pyproject.toml"


@pytest.fixture(scope="module")
def written() -> str:
    return JsonV1Dot6(bill_of_materials()).output_as_string()


def test_the_bill_is_valid_by_its_standard(written: str) -> None:
    """ECMA-424, checked against the schema that the standard's own library carries."""
    assert JsonStrictValidator(SchemaVersion.V1_6).validate_str(written) is None


def test_the_bill_names_each_requirement_with_the_installed_version(written: str) -> None:
    named = {part["name"]: part["version"] for part in json.loads(written)["components"]}
    asked = tomllib.loads(PROJECT.read_text(encoding="utf-8"))["project"]["dependencies"]
    direct = {canonicalize_name(Requirement(line).name) for line in asked}
    assert direct <= named.keys()
    assert all(named[name] == version(name) for name in direct)
    assert "pytest" not in named  # what only tests need is not shipped
    assert "jinja2" in named
    assert "markupsafe" in named  # needed by another part


def test_each_part_says_who_needs_it(written: str) -> None:
    bill = json.loads(written)
    needs = {line["ref"]: line.get("dependsOn", []) for line in bill["dependencies"]}
    reached, waiting = set(), [bill["metadata"]["component"]["bom-ref"]]
    while waiting:
        ref = waiting.pop()
        if ref not in reached:
            reached.add(ref)
            waiting += needs[ref]
    assert {part["bom-ref"] for part in bill["components"]} < reached
