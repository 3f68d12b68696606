"""A small garage of its own for each test that asks for one."""

from pathlib import Path

import pytest

from afterclear.commands.app import App
from tests.store.care_fixture import copy_of_garage


@pytest.fixture
def app(tmp_path: Path, template: Path) -> App:
    """Copy the module's garage."""
    return copy_of_garage(template, tmp_path)
