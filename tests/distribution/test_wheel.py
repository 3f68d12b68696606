"""The wheel is the same bytes from the same source, and holds all that the sample needs."""

import hashlib
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

PROJECT = Path(__file__).parents[2]

# A child's environment: nothing of the checkout on the path, no network.
_NO_NETWORK = """
import socket
def refused(*args, **kwargs):
    raise OSError("a network was asked for")
socket.socket.connect = socket.socket.connect_ex = socket.getaddrinfo = refused
"""


def built(folder: Path) -> list[Path]:
    """Build source archive and wheel, with the libraries that are here."""
    environment = os.environ | {"SOURCE_DATE_EPOCH": "1767225600"}
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder)]
    subprocess.run([*command, str(PROJECT)], check=True, env=environment, capture_output=True)
    return sorted(folder.iterdir())


@pytest.mark.slow
def test_two_builds_are_the_same_bytes_and_the_wheel_alone_runs_the_sample(tmp_path: Path) -> None:
    """``SOURCE_DATE_EPOCH`` as the reproducible-builds specification has it."""
    builds = [built(tmp_path / name) for name in ("first", "second")]
    names, digests = [], []
    for build in builds:
        names.append([path.name for path in build])
        digests.append([hashlib.sha256(path.read_bytes()).hexdigest() for path in build])
    assert len(names[0]) == 2
    assert (names[0], digests[0]) == (names[1], digests[1])

    unpacked, empty = tmp_path / "unpacked", tmp_path / "empty"
    empty.mkdir()
    (wheel,) = (path for path in builds[0] if path.suffix == ".whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(unpacked)
    (unpacked / "sitecustomize.py").write_text(_NO_NETWORK, encoding="utf-8")
    environment = os.environ | {"PYTHONPATH": str(unpacked), "HOME": str(empty)}
    where = [sys.executable, "-c", "import afterclear; print(afterclear.__file__)"]
    told = subprocess.run(where, check=True, env=environment, capture_output=True, text=True)
    assert told.stdout.startswith(str(unpacked))
    run = [sys.executable, "-m", "afterclear", "demo"]
    ran = subprocess.run(
        run, check=True, env=environment, cwd=empty, capture_output=True, text=True
    )
    assert "pages written" in ran.stdout
    assert (empty / "reports" / "demo" / "fleet.html").stat().st_size > 10_000
