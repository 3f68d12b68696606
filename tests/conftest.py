"""What tests of more than one part begin with."""

from pathlib import Path

import pytest
from hypothesis import settings

# The same examples on every machine, however slow it is; fresh ones with
# --hypothesis-profile=default.
settings.register_profile("repeatable", derandomize=True, deadline=None)
settings.load_profile("repeatable")


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make one small garage for a module's tests to copy."""
    from tests.store.care_fixture import garage  # noqa: PLC0415 - only where it is asked for

    folder = tmp_path_factory.mktemp("template")
    garage(folder)
    return folder
