"""A bill of materials in CycloneDX 1.6 JSON: ``python -m tests.distribution.bill``.

Lists afterclear and everything it needs to run, directly or through others, as installed in this
environment: name, version, package URL, licence as the package states it, and who needs whom.
Source of the format: ECMA-424 (CycloneDX), written by the project's own library.
"""

import sys
from collections import deque
from importlib.metadata import Distribution, distribution

from cyclonedx.contrib.license.factories import LicenseFactory
from cyclonedx.model.bom import Bom
from cyclonedx.model.component import Component, ComponentType
from cyclonedx.output.json import JsonV1Dot6
from packageurl import PackageURL
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

_ROOT = "afterclear"


def needed_by(installed: Distribution) -> list[str]:
    """Name what a package needs on this machine, without its extras."""
    wanted = map(Requirement, installed.requires or ())
    return sorted(
        canonicalize_name(need.name)
        for need in wanted
        if need.marker is None or need.marker.evaluate({"extra": ""})
    )


def bill_of_materials(root: str = _ROOT) -> Bom:
    """List a package and all it needs, as installed.

    Raises:
        importlib.metadata.PackageNotFoundError: something needed is not installed.

    """
    bom = Bom()
    parts: dict[str, Component] = {}
    needs: dict[str, list[str]] = {}
    waiting = deque([root])
    while waiting:
        name = waiting.popleft()
        if name not in parts:
            installed = distribution(name)
            parts[name], needs[name] = _component(name, installed), needed_by(installed)
            waiting.extend(needs[name])
    bom.metadata.component = parts[root]
    bom.components.update(part for name, part in parts.items() if name != root)
    for name, others in needs.items():
        bom.register_dependency(parts[name], [parts[other] for other in others])
    return bom


def _component(name: str, installed: Distribution) -> Component:
    kind = ComponentType.APPLICATION if name == _ROOT else ComponentType.LIBRARY
    url = PackageURL(type="pypi", name=name, version=installed.version)
    part = Component(
        type=kind, name=name, version=installed.version, purl=url, bom_ref=url.to_string()
    )
    stated = installed.metadata.get("License-Expression") or installed.metadata.get("License")
    if stated and "\n" not in stated:  # some packages put the whole text of the licence there
        part.licenses.add(LicenseFactory().make_from_string(stated))
    return part


if __name__ == "__main__":
    sys.stdout.write(JsonV1Dot6(bill_of_materials()).output_as_string(indent=2) + "\n")
