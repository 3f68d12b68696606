"""One normal form for every spelling of a code."""

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from afterclear.catalogue.codes import NormalCode, Refusal, normal_code, split_codes

# spelling -> normal form; forms as in SAE J2012 / ISO 15031-6 and SAE J1939-73, separators as
# published maker texts print them
SPELLINGS = [
    ("P0301", "P0301"),
    ("p0301", "P0301"),
    (" P0301 ", "P0301"),
    ("P 0301", "P0301"),
    ("P-0301", "P0301"),
    ("DTC P0301", "P0301"),
    ("Fault code: P0301", "P0301"),
    ("(P0301)", "P0301"),
    ("P0301*", "P0301"),
    ("P0301-00", "P0301"),
    ("P030100", "P0301"),
    ("0x0301", "P0301"),
    ("0xC100", "U0100"),  # ISO 14229 study notes: C100 is U0100
    ("0xA5B6", "B25B6"),  # the same
    ("0xA5B6C7", "B25B6-C7"),
    ("P0A7F", "P0A7F"),
    ("c003a", "C003A"),
    ("U02CD", "U02CD"),
    ("C0034-11", "C0034-11"),
    ("C0034:11", "C0034-11"),
    ("C0034 - 11", "C0034-11"),
    ("C003411", "C0034-11"),
    ("C0034\u201111", "C0034-11"),  # non-breaking hyphen
    ("C0034 FTB 11", "C0034-11"),
    ("P0500-81", "P0500-81"),
    ("C0034 11", "C0034/11"),
    ("C0034/11", "C0034/11"),
    ("C0034 (11)", "C0034/11"),
    ("C0035 0F", "C0035/0F"),
    ("C0035 symptom 0F", "C0035/0F"),
    ("C0200/31", "C0200/31"),
    ("C0200-11/31", "C0200-11/31"),
    ("SPN 100 FMI 4", "SPN 100 FMI 4"),
    ("spn:100,fmi:4", "SPN 100 FMI 4"),
    ("SPN100FMI04", "SPN 100 FMI 4"),
    ("SPN=100 FMI=4 OC=3", "SPN 100 FMI 4"),
    ("FMI 4 SPN 100", "SPN 100 FMI 4"),
    ("SPN 100/4", "SPN 100 FMI 4"),
    ("J1939 100/4", "SPN 100 FMI 4"),
    ("SPN 4364", "SPN 4364"),
    ("40417", "unknown:40417"),
    ("040417.0", "unknown:40417"),
    ("9CD1", "unknown:9CD1"),
    ("9CD1-11", "unknown:9CD1-11"),
    ("acme:00532", "acme:532"),
    ("Acme Trucks: 77", "acme-trucks:77"),
    ("acme: P0301", "P0301"),
]


@pytest.mark.parametrize(("text", "normal"), SPELLINGS)
def test_a_usual_spelling_has_one_normal_form(text: str, normal: str) -> None:
    found = normal_code(text)
    assert isinstance(found, NormalCode)
    assert found.code == normal


@pytest.mark.parametrize(
    ("text", "failure_type", "make", "normal"),
    [
        ("C0034", "11", None, "C0034-11"),
        ("C0034", "0x1F", None, "C0034-1F"),
        ("C0034", "7", None, "C0034-07"),
        ("C0034 11", "11", None, "C0034-11"),  # the column says what the suffix is
        ("C0034-11", "11", None, "C0034-11"),
        ("P0301", "00", None, "P0301"),
        ("SPN 100", "4", None, "SPN 100 FMI 4"),
        ("100/4", None, "J1939", "SPN 100 FMI 4"),
        ("100", "4", "j1939", "SPN 100 FMI 4"),
        ("40417", None, "Acme", "acme:40417"),
        ("40417", "11", "Acme", "acme:40417-11"),
        ("unknown:5", None, "Acme", "unknown:5"),
        ("77", None, "Acme 4x", "make-acme-4x:77"),
        ("P1234", None, "Acme", "P1234"),
    ],
)
def test_failure_type_and_make_columns_add_what_the_text_leaves_open(
    text: str, failure_type: str | None, make: str | None, normal: str
) -> None:
    found = normal_code(text, failure_type, make)
    assert isinstance(found, NormalCode)
    assert found.code == normal


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("", "empty"),
        ("none", "empty"),
        ("No codes stored", "empty"),
        ("P0000", "filler"),
        ("SPN 0 FMI 0", "filler"),
        ("000", "empty"),
        ("PO301", "perhaps P0301"),
        ("P0301X", "0-3, three hex digits"),
        ("P4000", "0-3, three hex digits"),
        ("P030", "0-3, three hex digits"),
        ("P0301 Cylinder 1 misfire", "own column"),
        ("P0301-00-2F", "own column"),
        ("100/4", "SPN 100 FMI 4"),
        ("SPN 524288 FMI 1", "524287"),  # 19 bits, SAE J1939-73
        ("SPN 100 FMI 32", "31"),  # 5 bits, SAE J1939-73
        ("misfire", "a code such as"),
        ("1M8GDM9AXKP042788", "a code such as"),
        ("P0301" * 10_000, "not a text of 50000 characters"),
    ],
)
def test_a_text_that_is_no_code_is_refused_with_what_was_expected(text: str, hint: str) -> None:
    found = normal_code(text)
    assert isinstance(found, Refusal)
    assert hint in found.expected


@pytest.mark.parametrize(
    ("text", "failure_type"), [("C0034-11", "12"), ("C0034", "short"), ("SPN 100 FMI 4", "5")]
)
def test_a_column_that_contradicts_the_text_is_refused(text: str, failure_type: str) -> None:
    assert isinstance(normal_code(text, failure_type), Refusal)


LIKELY = st.text(alphabet="PCBUpcbu0123456789ABCDEFabcdef-:/ .xXSPNFMI,()", max_size=24)
ANY = st.one_of(st.text(max_size=40), LIKELY, st.sampled_from([s for s, _ in SPELLINGS]))
MAYBE = st.one_of(st.none(), st.text(max_size=12), st.sampled_from(["11", "4", "Acme", "j1939"]))


@given(text=ANY, failure_type=MAYBE, make=MAYBE)
@settings(max_examples=1500, deadline=None)
@example(text="1", failure_type=None, make="P0301")
@example(text="1", failure_type=None, make="spn")
def test_a_normal_form_is_its_own_normal_form(
    text: str, failure_type: str | None, make: str | None
) -> None:
    """Holds without the columns and with the make again; and no text ever raises."""
    found = normal_code(text, failure_type, make)
    if isinstance(found, NormalCode):
        assert normal_code(found.code) == found
        assert normal_code(found.code, None, make) == found


@given(
    letter=st.sampled_from("PCBU"),
    digits=st.integers(1, 0x3FFF),
    kind=st.one_of(st.none(), st.integers(1, 255)),
    separator=st.sampled_from(["-", ":", "", " - "]),
)
def test_every_code_of_the_standard_is_read_back(
    letter: str, digits: int, kind: int | None, separator: str
) -> None:
    base = f"{letter}{digits >> 12}{digits & 0xFFF:03X}"
    suffix = "" if kind is None else f"{kind:02X}"
    written = base + (separator + suffix if suffix else "")
    found = normal_code(written.lower())
    assert isinstance(found, NormalCode)
    assert (found.base, found.failure_type) == (base, suffix or None)
    assert found.code == base + (f"-{suffix}" if suffix else "")


def test_a_cell_with_several_codes_is_split_and_spn_pairs_stay_together() -> None:
    assert split_codes("P0301, C0034-11;SPN 100 FMI 4|acme:5\nspn:91,fmi:3") == (
        "P0301",
        "C0034-11",
        "SPN 100 FMI 4",
        "acme:5",
        "spn:91,fmi:3",
    )
    assert split_codes("  ") == ()
