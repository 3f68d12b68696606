"""The fleet page's works on each fault: what stands beside them."""

from datetime import UTC, datetime

import pytest

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


BETTER = {"difference_low": 0.2, "difference_high": 0.7}


def test_the_top_of_the_page_never_says_to_clear_in_place_of_a_repair() -> None:
    clear = cure("clear", 9, 8, 1, told="better", **BETTER)
    (line,) = view_of(USUAL, clear, fault="misfire", beside={}).told
    assert (line.is_better, line.usual) == (True, "")


def test_nobody_is_told_on_top_to_clear_where_only_clearing_is_usual() -> None:
    usual = cure("clear", 9, 8, 1)
    coil = cure("replace:ignition_coil", 9, 1, 8, told="worse", works_label="coil", **APART)
    (line,) = view_of(usual, coil, fault="misfire", beside={}).told
    assert line.usual == ""


@pytest.mark.parametrize("work", ["not_told", "several", "replace:part:not_named"])
def test_the_top_of_the_page_advises_no_work_that_nobody_named(work: str) -> None:
    other = cure(work, 9, 8, 1, told="better", works_label="part", **BETTER)
    (line,) = view_of(USUAL, other, fault="misfire", beside={}).told
    assert (line.is_better, line.usual) == (True, "")


def test_cautions_of_the_usual_work_keep_it_off_the_top_too() -> None:
    usual = cure("replace:airbag", 9, 8, 1, works_label="Airbag")
    clear = cure("clear", 9, 1, 8, told="worse", **APART)
    (line,) = view_of(usual, clear, fault="misfire", beside={"airbag": (AIRBAGS,)}).told
    assert line.usual == ""


def test_a_brand_that_cures_less_often_is_told_on_top_beside_the_better_one() -> None:
    named = {"level": "brand", "works_label": "ignition coil"}
    orvo = cure("replace:ignition_coil", 12, 11, 1, part="Orvo", **named)
    kelt = cure("replace:ignition_coil", 6, 1, 5, part="Kelt", told="worse", **named, **APART)
    whole = cure("replace:ignition_coil", 18, 12, 6, works_label="ignition coil")
    plug = cure("replace:spark_plug", 5, 3, 2, told="no_difference", works_label="spark plug")
    (line,) = view_of(whole, plug, orvo, kelt, fault="misfire", beside={}).told
    assert (line.work, line.is_better) == ("Ignition coil replaced: Kelt", False)
    assert line.usual == "Ignition coil replaced: Orvo: cured it in 11 of 12"
    assert "fewer of 100 than this: Ignition coil replaced: Orvo" in line.difference
