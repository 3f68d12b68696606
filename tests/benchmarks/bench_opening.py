"""How long a browser takes to open pages of a large fleet from disk.

    python -m tests.benchmarks.bench_opening [vehicles]

All overviews and lists, and the pages of some vehicles: every page of a fleet of 5,000 is to open
in under 1 s and its index in under 2 s (issue 16), from the address to the first frame drawn.
"""

import shutil
import sys
import tempfile
import time
from itertools import islice
from pathlib import Path

from playwright.sync_api import Browser, sync_playwright

from afterclear.digest.common.file_names import INDEX
from afterclear.digest.output.render import render_overviews, render_vehicle
from afterclear.digest.output.write import write_digest
from tests.digest.every_row import build_digest
from tests.digest.fleet_fixture import many

VEHICLES = 5_000
_SHOWN = 20  # pages of vehicles: they are alike
_REPEATS = 3
_MOST_SECONDS = {INDEX: 2.0}
_DRAWN = "() => new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))"


def written(n: int, folder: Path) -> list[Path]:
    """Write the overviews of ``n`` vehicles and the pages of some."""
    model = build_digest(many(n))
    shown = islice(model.vehicles, _SHOWN)
    pages = [(page.ref.page, render_vehicle(page)) for page in shown]
    return write_digest([*pages, *render_overviews(model)], folder)


def seconds_to_open(browser: Browser, file: Path) -> float:
    """Open a page a few times, each in a new window; the fastest counts."""
    took = []
    for _ in range(_REPEATS):
        page = browser.new_page(viewport={"width": 1280, "height": 800})
        begun = time.perf_counter()
        page.goto(file.as_uri())
        page.evaluate(_DRAWN)
        took.append(time.perf_counter() - begun)
        page.close()
    return min(took)


def seconds_to_find(browser: Browser, index: Path, vehicle: str) -> float:
    """Look for a vehicle of the whole fleet: from the first key to its line, index file and all."""
    page = browser.new_page(viewport={"width": 1280, "height": 800})
    page.goto(index.as_uri())
    begun = time.perf_counter()
    page.fill("#whole-fleet input", vehicle)
    page.wait_for_selector("#whole-fleet tbody tr")
    took = time.perf_counter() - begun
    assert page.locator("#whole-fleet tbody th a").all_inner_texts() == [vehicle]
    page.close()
    return took


def main(n: int) -> None:
    """Print seconds and size of each page, the slowest first."""
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        files = written(n, Path(folder))
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        pages = [file for file in files if file.suffix == ".html"]
        took = {file: seconds_to_open(browser, file) for file in pages}
        found = seconds_to_find(browser, Path(folder) / INDEX, f"FL-{n - 1:05d}")
        browser.close()
        print(f"{found:.2f} s to find a vehicle by the index file")
        print(f"{n} vehicles\n     s     kB  page")
        for file in sorted(pages, key=took.__getitem__, reverse=True):
            name = file.relative_to(folder).as_posix()
            print(f"{took[file]:6.2f}  {file.stat().st_size / 1e3:5.0f}  {name}")
            assert took[file] < _MOST_SECONDS.get(name, 1.0), name


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else VEHICLES)
