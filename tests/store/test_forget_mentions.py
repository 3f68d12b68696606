"""A forgotten vehicle's names in files about another one: in every encoding and package."""

from pathlib import Path

import pytest

from afterclear.commands.forgetting import forget
from afterclear.commands.upkeep import check
from tests.store.spoken import (
    CODECS,
    NUMBER,
    OWNER,
    VIN,
    fleet,
    load_inbox,
    mentions,
    places_with_names,
)


@pytest.mark.slow
def test_a_mention_is_found_in_every_encoding_and_however_deep_it_is_packed(
    tmp_path: Path,
) -> None:
    app = fleet(tmp_path, judged=False, files=mentions)
    before = places_with_names(app)
    assert sum("šž 77 14" in place for place in before) >= len(CODECS)
    assert {place.rpartition(": ")[2] for place in before} >= {NUMBER, VIN, OWNER, "ŠŽ 7714"}
    forget(app, NUMBER)
    assert places_with_names(app) == []
    load_inbox(app)
    assert places_with_names(app) == []
    assert check(app, quick=True).wrong == ()
