"""The account as a whole: what is left over of a file is asked about, or nothing is loaded."""

from dataclasses import replace

import polars as pl

from afterclear.catalogue.control_units import ControlUnits
from afterclear.errors import RefusedFileError
from afterclear.readers.mapped.map_tables import read_by_map
from afterclear.readers.maps.heading_words import HeadingWords
from afterclear.readers.suggest.account.codes_aside import ask_codes_aside, ask_null_lists
from afterclear.readers.suggest.account.columns_aside import ask_columns_aside
from afterclear.readers.suggest.account.doubt import Account
from afterclear.readers.suggest.account.lines_outside import ask_lines_outside
from afterclear.readers.suggest.account.odd_cells import ask_odd_cells, ask_things_in_texts
from afterclear.readers.suggest.account.sense import ask_sense
from afterclear.readers.suggest.columns.column_choice import Decision
from afterclear.readers.suggest.columns.profiles import Known
from afterclear.readers.suggest.columns.questions import Asker
from afterclear.readers.suggest.evidence.source_file import SourceFile
from afterclear.readers.suggest.evidence.table_seen import Seen
from afterclear.readers.suggest.writing import written

_MOST_PAGES = 50
_About = tuple[SourceFile, HeadingWords, Known, ControlUnits]


def account_for(seen: Seen, decision: Decision, about: _About, asker: Asker) -> None:
    """Ask what of a file is not accounted for by what its map makes of it.

    Only where nothing else is open: a map that is not decided yet accounts for nothing.
    """
    if asker.open or decision.missing:
        return
    account = _account(seen, decision, about, asker)
    if account is None:
        return
    ask_codes_aside(account)
    ask_null_lists(account)
    kinds = [(table, table.part) for table in decision.tables if table.part is not None]
    if kinds:
        for table, rows in kinds:
            _ask_of_kind(account, table, rows)
        ask_lines_outside(account)
        return
    _ask_of_cells(account)
    ask_lines_outside(account)
    ask_sense(account)


def _ask_of_kind(whole: Account, table: Decision, rows: pl.DataFrame) -> None:
    """Account for the rows of one kind, as if they were a table of their own."""
    alone = replace(table, more=[], missing=[])
    read = replace(
        whole.read,
        parts=tuple(part for part in whole.read.parts if part.table == table.into),
        rejections=tuple(each for each in whole.read.rejections if each.table == table.into),
    )
    seen = replace(whole.seen, frame=rows)
    own = replace(whole, seen=seen, decision=alone, read=read)
    whole.asker.within = table.into
    _ask_of_cells(own)
    ask_sense(own)
    whole.asker.within = ""
    table.columns = alone.columns
    whole.decision.missing += alone.missing


def _ask_of_cells(account: Account) -> None:
    ask_odd_cells(account)
    ask_columns_aside(account)
    ask_things_in_texts(account)


def _account(seen: Seen, decision: Decision, about: _About, asker: Asker) -> Account | None:
    """Read the file by its map; None: that is refused, and said when the map is checked."""
    # checking a map takes a library that reading a file does without
    from afterclear.readers.maps.import_map import parse_map  # noqa: PLC0415

    source, words, known, units = about
    made = parse_map(written(source.delivery, seen, decision), "suggested", "the suggestion", [])
    if made is None:
        return None
    try:
        read = read_by_map(made, source.delivery, _MOST_PAGES)
    except RefusedFileError:
        return None
    return Account(seen, decision, source, words, known, units, asker, read)
