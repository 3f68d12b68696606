"""All files of the corpus."""

from collections.abc import Iterator

from tests.readers.messy import (
    delimited,
    eighth_look,
    eighth_look_abroad,
    eleventh_look,
    fifteenth_look,
    fifth_look,
    fourteenth_look,
    fourth_look,
    known_before,
    ninth_look,
    others,
    printed,
    second_look,
    seventh_look,
    sixteenth_look,
    sixth_look,
    strangers,
    tenth_look,
    third_look,
    third_look_abroad,
    thirteenth_look,
    tricky,
)
from tests.readers.messy.files import Messy

# Refused with a reason, where a person who knows the sender could load more.
NOT_READ = {
    "two_exports_pasted.csv": "a second export below the first, with other headings",
    "semaines.csv": "a column of distances for each week",
    "codes_oben.csv": "codes as headings",
    "ampel.html": "a line of the table heads each vehicle's rows",
    "standorte.xlsx": "sheets with other headings",
    "or_lignes.txt": "records of several kinds",
    "lecture_points.txt": "a unit and its code in one line",
    "rectificativa.csv": "an invoice that takes another back",
    "przestawna.csv": "vehicles as headings",
    "que_se_borro.csv": "free words say what was cleared, and that it failed",
    "passages_avant_apres.json": "one time for what was read before a clearing and after it",
    "steuergeraete_zwei.csv": "fewer columns of units than of codes",
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
    yield from sixth_look.all_files()
    yield from known_before.all_files()
    yield from seventh_look.all_files()
    yield from eighth_look.all_files()
    yield from eighth_look_abroad.all_files()
    yield from ninth_look.all_files()
    yield from tenth_look.all_files()
    yield from eleventh_look.all_files()
    yield from thirteenth_look.all_files()
    yield from fourteenth_look.all_files()
    yield from fifteenth_look.all_files()
    yield from sixteenth_look.all_files()
