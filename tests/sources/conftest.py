"""No test waits between tries; every test's secret is in its environment only."""

import pytest
import trustme

from afterclear.sources import source
from tests.sources.garage import SECRET
from tests.sources.servers import PASSWORD


@pytest.fixture(autouse=True)
def _no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "WAITS_S", (0.0, 0.0, 0.0))


@pytest.fixture
def secret(monkeypatch: pytest.MonkeyPatch) -> str:
    """Give the name of the environment variable with the servers' password."""
    monkeypatch.setenv(SECRET, PASSWORD)
    return SECRET


@pytest.fixture(scope="session")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture(scope="session")
def certificate(authority: trustme.CA) -> trustme.LeafCert:
    return authority.issue_cert("127.0.0.1", "localhost")
