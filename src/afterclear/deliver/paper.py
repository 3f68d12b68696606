"""Pages -> PDF files, printed by a Chromium that is on the machine."""

import logging
import os
import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

from afterclear.errors import ConfigError

# names the free browser goes by in distributions
_BROWSERS = ("chromium", "chromium-browser", "chromium-headless-shell")
_log = logging.getLogger("afterclear.paper")
NO_SANDBOX = (
    "Chromium printed without its sandbox, which it does not offer to root. Give the command as "
    "another user to have it."
)
_LONGEST = 180  # seconds for one page


def find_browser() -> str | None:
    """Give the browser's path, or None."""
    return next((path for name in _BROWSERS if (path := shutil.which(name))), None)


def has_no_sandbox() -> bool:
    """Whether Chromium has no sandbox for this user: root alone."""
    return hasattr(os, "geteuid") and os.geteuid() == 0


def print_pages(pages: Sequence[Path]) -> tuple[Path, ...]:
    """Print each page on A4 beside itself, as ``NAME.pdf``; returns the new files.

    Raises:
        ConfigError: there is no browser, or it does not print.

    """
    browser = find_browser()
    if browser is None:
        raise ConfigError(
            f"A PDF is printed by Chromium, and none of {', '.join(_BROWSERS)} is on the path. "
            "Install it, or leave out --pdf and print from any browser."
        )
    if has_no_sandbox():
        _log.warning(NO_SANDBOX)
    return tuple(_print(browser, page) for page in pages)


def _print(browser: str, page: Path) -> Path:
    paper = page.with_suffix(".pdf")
    with tempfile.TemporaryDirectory() as folder:
        draft = Path(folder) / paper.name
        flags = [
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-sync",
            "--disable-component-update",
            "--no-pdf-header-footer",
            f"--user-data-dir={folder}/profile",
            f"--print-to-pdf={draft}",
        ]
        # our own page, which cannot run or fetch anything
        if has_no_sandbox():
            flags.append("--no-sandbox")
        done = subprocess.run(  # noqa: S603  (found on the path, our own arguments)
            [browser, *flags, page.resolve().as_uri()],
            capture_output=True,
            timeout=_LONGEST,
            check=False,
        )
        if done.returncode or not draft.is_file():
            said = done.stderr.decode(errors="replace").strip().splitlines()[-1:]
            raise ConfigError(f"{browser} did not print {page.name}: {' '.join(said)}")
        shutil.move(draft, paper)
    return paper
