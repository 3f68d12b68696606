"""The examples in the digest's docstrings are run."""

import doctest
import importlib
import pkgutil

import pytest

import afterclear.digest

MODULES = [
    found.name for found in pkgutil.walk_packages(afterclear.digest.__path__, "afterclear.digest.")
]


@pytest.mark.parametrize("name", MODULES)
def test_examples_hold(name: str) -> None:
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_there_are_examples() -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    found = [
        example
        for name in MODULES
        for test in finder.find(importlib.import_module(name))
        for example in test.examples
    ]
    assert len(found) >= 10
