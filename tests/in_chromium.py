"""A real browser for tests of pages, and the rules they are looked at with.

axe-core 4.12 (Deque, MPL 2.0) comes with the test dependency axe-playwright-python; its rules
are those of WCAG 2.0 to 2.2, levels A and AA, and its own best practices.
"""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
if CHROMIUM is None:
    pytest.skip("no chromium on this machine", allow_module_level=True)

from playwright.sync_api import Browser, sync_playwright  # noqa: E402

RULES = {
    "runOnly": {
        "type": "tag",
        "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
    }
}


@contextmanager
def chromium() -> Iterator[Browser]:
    """Open the browser for the block."""
    flags = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=flags)
        yield opened
        opened.close()
