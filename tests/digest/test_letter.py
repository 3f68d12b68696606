"""A digest in a few lines: the reader's units, cautions beside safety, and no "bring in 0"."""

from afterclear.digest.output.letter import brief_of, brief_text
from afterclear.digest.output.render import render_brief
from tests.digest.every_row import build_digest
from tests.digest.findings_fixture import ROWS, findings
from tests.digest.fleet_fixture import CAUTIONS, fleet, frames_of
from tests.digest.story import Story, vehicle


def letter(audience: str, **how: object) -> str:
    model = build_digest(fleet(findings=findings(), **how))  # type: ignore[arg-type]
    brief = brief_of(model, audience)  # type: ignore[arg-type]
    assert brief is not None
    return brief_text(brief, None).replace("\u00a0", " ")


def test_distances_in_a_letter_are_in_the_readers_unit() -> None:
    """180,000 km are 111,847 mi and 14 km are 9, at 1.609344 km a mile."""
    assert "6 of 12 parts failed in 111,847 mi together." in letter("garage", units="mi")
    assert "The memory was cleared 9 mi before" in letter("stock", units="mi")


def test_a_letter_that_marks_safety_says_the_caution() -> None:
    """In stock only one vehicle is marked, and its caution stands once in full."""
    text = letter("stock")
    assert "- Safety, VAN-40 (" in text
    caution = CAUTIONS["C0050"][0]
    assert text.count(f"- {caution.title}: {caution.text}") == 1
    told = letter("fleet")
    assert "- Do not drive, Safety, BUS-07 (" in told
    assert told.count(f"- {caution.title}: {caution.text}") == 1


def test_a_fleet_letter_says_how_soon_where_what_and_what_to_do_of_both_lists() -> None:
    lines = letter("fleet").splitlines()
    (now,) = (line for line in lines if "BUS-07" in line and line.startswith("- Do not drive"))
    assert "BUS-07 (ML 07, Marrow Lane)" in now
    assert "Wheel speed sensor, front right. Find and repair" in now
    assert "Ask someone qualified before it is moved" in now
    assert any(line.startswith("- At the next visit, Safety, VAN-40 (") for line in lines)
    assert lines.index("Bring in:") < lines.index("Scan next:")


def test_a_letter_names_every_reason_that_decides_on_a_vehicle_in_stock() -> None:
    """One alone would hide the other: a code in the body beside an odometer that fell."""
    (line,) = (line for line in letter("stock").splitlines() if line.startswith("- VAN-34"))
    assert "The memory was cleared 14 km before" in line
    assert "Self-tests not completed" in line


def test_a_letter_opens_with_both_lists_and_who_must_not_drive() -> None:
    """As its page does; the list may begin with a vehicle that can wait for its next visit."""
    text = letter("fleet")
    assert "Bring in 2 vehicles, 1 of them not to be driven, 1 of them for safety. " in text
    assert "Scan 1 more, where only a scan can tell." in text
    assert "Bring in now" not in text


def test_a_code_in_a_letter_stays_on_one_line() -> None:
    """C0051-54 was broken after its hyphen; a mail has no style sheet to keep it whole."""
    brief = brief_of(build_digest(fleet(findings=findings())), "fleet")
    assert brief is not None
    html = render_brief(brief, None)
    assert '<span style="white-space:nowrap">BUS-07</span>' in html
    assert "class=" not in html


def test_vehicles_in_stock_are_named_with_plate_and_site() -> None:
    (line,) = (line for line in letter("stock").splitlines() if line.startswith("- VAN-34"))
    assert line.startswith("- VAN-34 (NQ 34, Northquay): ")


def test_a_letter_with_nothing_to_do_says_so() -> None:
    quiet = build_digest(frames_of([Story(vehicle("A-1", "Haul 7", "Northquay")).scan(10, 500)]))
    fleet_brief, garage_brief = brief_of(quiet, "fleet"), brief_of(quiet, "garage")
    assert fleet_brief is not None
    assert fleet_brief.lead == "No vehicle needs to come in."
    assert garage_brief is not None
    assert garage_brief.lead == "Nothing stands out."


def test_where_all_that_come_in_come_for_safety_it_is_said_once() -> None:
    only = [row for row in ROWS["worklist"] if row["vehicle_id"] == "BUS-07"]
    brief = brief_of(build_digest(fleet(findings=findings({**ROWS, "worklist": only}))), "fleet")
    assert brief is not None
    assert brief.lead.replace("\u00a0", " ") == (
        "Bring in 1 vehicle, 1 of them not to be driven, for safety."
    )
