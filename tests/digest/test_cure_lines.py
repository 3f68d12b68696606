"""The fleet page's works on each fault: what stands beside them."""

from datetime import UTC, datetime

from afterclear.digest.common.assess import Setting
from afterclear.digest.common.cure_lines import CuresView, cures_view
from afterclear.digest.input.frames import Caution, DigestSettings
from afterclear.finding_tables.cures import Cure
from afterclear.wording.cells import Cells
from tests.findings.test_cures import cure

BRAKES = Caution("Brakes", "Do not drive with a red brake warning.")
AIRBAGS = Caution("Airbags", "They can fire.")


def view_of(*rows: Cure, fault: str, beside: dict[str, tuple[Caution, ...]]) -> CuresView:
    view = cures_view(
        Setting(
            as_of=datetime(2026, 1, 1, tzinfo=UTC),
            cells=Cells(),
            settings=DigestSettings(),
            cautions={},
            part_cautions=beside,
            cures={fault: rows},
        )
    )
    assert view is not None
    return view


def test_works_on_what_keeps_people_safe_have_their_cautions_beside_them() -> None:
    rows = tuple(cure(work, 9, 5, 4, fault="abs_pump") for work in ("repair:airbag", "clear"))
    beside = {"abs_pump": (BRAKES,), "airbag": (AIRBAGS,), "steering": (Caution("Other", ""),)}
    assert view_of(*rows, fault="abs_pump", beside=beside).cautions == (BRAKES, AIRBAGS)


APART = {"difference_low": -0.7, "difference_high": -0.2}
USUAL = cure("replace:ignition_coil", 9, 8, 1)


def test_the_top_of_the_page_says_what_to_stop_beside_what_cures() -> None:
    clear = cure("clear", 9, 1, 8, told="worse", **APART)
    (line,) = view_of(USUAL, clear, fault="misfire", beside={}).told
    assert (line.is_better, line.usual) == (False, "Ignition coil replaced: cured it in 8 of 9")


def test_the_top_of_the_page_never_says_to_leave_out_a_check() -> None:
    look = cure("inspect:ignition_coil", 9, 1, 8, told="worse", works_label="coil", **APART)
    (line,) = view_of(USUAL, look, fault="misfire", beside={}).told
    assert line.usual == ""


def test_work_that_has_cautions_is_compared_beside_them_only() -> None:
    clear = cure("clear", 9, 1, 8, told="worse", **APART)
    (line,) = view_of(USUAL, clear, fault="misfire", beside={"misfire": (BRAKES,)}).told
    assert line.difference
    assert line.usual == ""
