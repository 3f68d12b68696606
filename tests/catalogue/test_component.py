"""A family's component: one rule, in Python and in the database."""

from pathlib import Path

import pytest

from afterclear.catalogue.component import component_of, split_family
from afterclear.store.engine.database import open_store, query

FAMILIES = {
    "wheel_speed_sensor:front_right": ("wheel_speed_sensor", "front_right"),
    "mixture": ("mixture", None),
    "code:P1234": ("code:P1234", None),
    "code:norvik:P1234": ("code:norvik:P1234", None),
    "part:hose": ("part:hose", None),
    "coder:one": ("coder", "one"),
}


@pytest.mark.parametrize("family", FAMILIES)
def test_the_database_and_python_name_the_same_component(tmp_path: Path, family: str) -> None:
    with open_store(tmp_path / "a.duckdb") as con:
        in_store = query(con, "SELECT component_of(?)", [family]).item()
    assert in_store == component_of(family) == FAMILIES[family][0]
    assert split_family(family) == FAMILIES[family]
