"""All files of the corpus."""

from collections.abc import Iterator

from tests.readers.messy import delimited, others, printed, second_look, strangers, tricky
from tests.readers.messy.files import Messy


def all_files() -> Iterator[Messy]:
    """List them, by kind and language."""
    yield from delimited.all_files()
    yield from others.all_files()
    yield from printed.papers()
    yield from tricky.all_files()
    yield from strangers.all_files()
    yield from second_look.all_files()
