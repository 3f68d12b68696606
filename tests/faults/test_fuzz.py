"""Broken files through every reader: no crash, no hang, every row accounted for.

The long run is a command: ``python -m tests.campaigns files``; one file is made again by
``python -m tests.faults.fuzz --only N``.
"""

import ast
import random
from collections import deque
from pathlib import Path

import pytest

from afterclear import protocols
from afterclear.config import Config, commented_files
from afterclear.errors import ConfigError
from afterclear.readers.looking import CannotLookError, texts
from tests.campaigns import counted, repeats
from tests.faults import guided_inputs
from tests.faults.fuzz import fuzz, read_again
from tests.faults.guided import KEPT
from tests.faults.mutations import mutated, seeds


@pytest.mark.slow
def test_every_kind_of_reader_meets_broken_files() -> None:
    """A short run for every day; the seed is not that of the longer ones."""
    tally = fuzz(120, 1)
    assert tally.wrong == []
    assert sum(tally.fates.values()) >= 120
    assert (
        tally.rows["read"]
        == tally.rows["stored"] + tally.rows["duplicate"] + tally.rows["rejected"]
    )


@pytest.mark.slow
def test_many_broken_files_break_nothing() -> None:
    tally = fuzz(repeats(1_000), 20261125)
    counted(sum(tally.fates.values()), "broken files", len(tally.wrong))
    print("\n" + "\n".join(tally.lines()))
    assert tally.wrong == []


@pytest.mark.slow
def test_what_broke_a_reader_once_breaks_none_again() -> None:
    """Files that campaigns found (seed 20261130, or guided): nonsense lengths, places, numbers."""
    tally = read_again(KEPT)
    assert tally.wrong == []
    assert sum(tally.fates.values()) == len(list(KEPT.iterdir()))


def test_what_broke_a_reader_once_can_be_searched_for_names_or_is_told() -> None:
    """A forgetting looks into every archived file, the broken ones too."""
    told = 0
    for path in KEPT.iterdir():
        try:
            deque(texts(path, path.name), maxlen=0)
        except CannotLookError:
            told += 1
    assert told > 0


def test_a_broken_config_is_refused_in_words(tmp_path: Path) -> None:
    """Bent like the files: read as what it says, or refused with file and reason; never a crash."""
    chance = random.Random(20261125)  # noqa: S311 - no secret
    known = [(name, text.encode()) for name, text in commented_files().items()]
    switched_on = [(n, t.replace(b"\n# ", b"\n")) for n, t in known]
    refused = 0
    for _ in range(1_500):
        name, content = mutated(chance, known + switched_on)
        (tmp_path / name).write_bytes(content)
        told = ""
        try:
            Config(tmp_path)
        except ConfigError as error:
            told = str(error)
            refused += 1
        assert not told or name in told
        (tmp_path / name).unlink()
    assert 300 < refused < 1_500


def test_the_seeds_hold_every_kind_of_file() -> None:
    endings = {Path(name).suffix for name, _ in seeds()}
    assert {".csv", ".jsonl", ".parquet", ".log", ".zip"} <= endings
    assert {
        ".xlsx",
        ".ods",
        ".xls",
        ".blf",
        ".asc",
        ".trc",
        ".tar",
        ".gz",
        ".eml",
        ".pdf",
        ".mf4",
    } <= endings


def test_every_decoder_of_bytes_is_led_by_coverage() -> None:
    """What takes bytes and is not led there would be looked for by nobody."""
    led = Path(guided_inputs.__file__).read_text(encoding="utf-8")
    taking_bytes = {
        f"{path.stem}.{made.name}"
        for path in Path(protocols.__file__).parent.glob("*.py")
        for made in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(made, ast.FunctionDef) and made.name[0] != "_"
        if "bytes" in ast.unparse(made.args)
    }
    assert len(taking_bytes) > 20
    assert {name for name in taking_bytes if not _is_named(name, led)} == set()


def _is_named(name: str, text: str) -> bool:
    module, _, function = name.partition(".")
    return name in text or f"protocols.{module} import {function}\n" in text
