"""Readers that do to their process what a broken or hostile file may do to a parser."""

import os
import signal
import sys
import time
from collections.abc import Callable
from typing import ClassVar

import polars as pl

from afterclear.errors import RefusedFileError
from afterclear.records import Delivery, PlainRows, ReadFile


def _hungry() -> None:
    held = [bytearray(1 << 20) for _ in range(2000)]
    del held


def _native() -> None:  # the way native code fails to get memory, and tells it
    os.write(2, b"memory allocation of 412316860416 bytes failed\n")
    os.abort()


def _endless() -> None:
    while True:
        pass


def _crashing() -> None:
    os.kill(os.getpid(), signal.SIGSEGV)


def _killed() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def _faulty() -> None:
    raise KeyError("a name nobody thought of")


def _telling() -> None:
    raise RefusedFileError(" ".join(os.environ))


def _loaded() -> None:
    raise RefusedFileError(" ".join(sys.modules))


def _chatty() -> None:
    print("a library prints this")


_DOES: dict[str, Callable[[], None]] = {
    "hungry": _hungry,
    "native": _native,
    "endless": _endless,
    "asleep": lambda: time.sleep(600),
    "crashing": _crashing,
    "killed": _killed,
    "faulty": _faulty,
    "telling": _telling,
    "loaded": _loaded,
    "chatty": _chatty,
    "good": lambda: None,
}


class OddReader:
    """Does what the file's first word says, then gives one vehicle."""

    name: ClassVar[str] = "odd"

    def identify(self, delivery: Delivery) -> bool:
        return delivery.name.endswith(".odd")

    def read(self, delivery: Delivery) -> ReadFile:
        word, vehicle = delivery.path.read_text(encoding="utf-8").split()
        _DOES[word]()
        frame = pl.DataFrame({"vehicle_id": [vehicle], "make": ["Nordal"], "_line": [1]})
        return ReadFile((PlainRows("vehicles", frame),))
