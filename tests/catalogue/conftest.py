"""The shipped tables, loaded once."""

from pathlib import Path

import pytest

from afterclear.catalogue.code_meaning import Catalogue

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture(scope="session")
def config_dir() -> Path:
    return CONFIG


@pytest.fixture(scope="session")
def catalogue() -> Catalogue:
    return Catalogue.load(CONFIG)
