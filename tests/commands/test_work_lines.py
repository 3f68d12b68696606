"""A line of the worklist is known by a stamp, so that nobody decides on what changed since."""

import pytest

from afterclear.commands.queries.work_lines import stamp_of

ROW = dict.fromkeys(("site", "safety", "soon", "action", "because", "evidence", "decided"))


@pytest.mark.parametrize(
    "changed", [{"codes": '["C0034","P0301"]'}, {"cautions": "brakes"}, {"because": "x"}]
)
def test_a_line_whose_codes_or_cautions_changed_has_another_stamp(changed: dict[str, str]) -> None:
    row = ROW | {"codes": '["P0301","C0034"]', "cautions": ""}
    assert stamp_of(row) != stamp_of(row | changed)
