import hashlib
import re
from fnmatch import fnmatch

from hypothesis import given
from hypothesis import strategies as st

from afterclear.digest.common.file_names import vehicle_page
from afterclear.store.upkeep.forget import page_before
from tests.digest.hostile_fixture import EVIL_IDS

SAFE = re.compile(r"vehicles/v-[a-z0-9]+(-{1,2}[a-z0-9]+)*\.html")


@given(st.text())
def test_any_identifier_gives_a_safe_file_name(vehicle_id: str) -> None:
    name = vehicle_page(vehicle_id)
    assert SAFE.fullmatch(name)
    assert len(name) < 80


@given(st.text(), st.text())
def test_two_vehicles_never_share_a_page(one: str, other: str) -> None:
    """Not even where a file system takes upper and lower case for the same."""
    same = vehicle_page(one).lower() == vehicle_page(other).lower()
    assert same == (one == other)


def test_spellings_that_differ_a_little_get_pages_of_their_own() -> None:
    assert len({vehicle_page(name) for name in EVIL_IDS}) == len(EVIL_IDS)


def test_a_plain_identifier_is_its_own_name() -> None:
    assert vehicle_page("bus-17") == "vehicles/v-bus-17.html"


def test_a_name_cannot_be_forged() -> None:
    """The page of "BUS 17" has two hyphens, so no plain identifier can be written like it."""
    forged = vehicle_page("BUS 17").removeprefix("vehicles/v-").removesuffix(".html")
    assert vehicle_page(forged) != vehicle_page("BUS 17")


def test_no_two_names_of_other_letters_share_a_digest_that_can_be_made() -> None:
    """Forty bits fall to a million guesses; capitals, told by their letters, keep their names."""
    assert re.fullmatch(r"vehicles/v-bus-17--[0-9a-f]{32}\.html", vehicle_page("BUS 17"))
    assert vehicle_page("BUS-17") == "vehicles/v-bus-17--911f031901.html"
    assert re.fullmatch(r"vehicles/v-b{18}--[0-9a-f]{32}\.html", vehicle_page("B" * 41))


def test_who_is_forgotten_is_forgotten_under_the_page_name_of_before_too() -> None:
    """Ten digits of the same digest, and as many letters as there were room for."""
    name = "Depot North, bus 17 of the eastern line"
    digest = hashlib.sha256(name.encode()).hexdigest()[:10]
    before = f"vehicles/v-depot-north-bus-17-of-the-eastern-line--{digest}.html"
    assert fnmatch(before, page_before(vehicle_page(name), "*"))
    assert page_before(vehicle_page("bus-17"), "*") == vehicle_page("bus-17")
