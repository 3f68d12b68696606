"""All files of the corpus."""

from collections.abc import Iterator

from tests.readers.messy import (
    delimited,
    fifth_look,
    fourth_look,
    others,
    printed,
    second_look,
    strangers,
    third_look,
    third_look_abroad,
    tricky,
)
from tests.readers.messy.files import Messy

# Refused with a reason, where a person who knows the sender could load more.
NOT_READ = {
    "annahme_abgabe.csv": "codes joined by plus, in a table headed as orders",
    "two_exports_pasted.csv": "a second export below the first, with other headings",
    "outer_quotes.csv": "each line as a whole within quotes",
    "modules_as_keys.jsonl": "control units as keys",
    "taller_grupos.csv": "a line above each group names its vehicle",
    "letter_o.csv": "most codes have the letter O for the figure 0",
    "informe_paginas.txt": "a unit that runs over two pages",
}


def all_files() -> Iterator[Messy]:
    """List them, by kind and language."""
    yield from delimited.all_files()
    yield from others.all_files()
    yield from printed.papers()
    yield from tricky.all_files()
    yield from strangers.all_files()
    yield from second_look.all_files()
    yield from third_look.all_files()
    yield from third_look_abroad.all_files()
    yield from fourth_look.all_files()
    yield from fifth_look.all_files()
