"""What is coming on the fleet page: the record decides what is advised."""

from dataclasses import replace
from datetime import UTC, datetime

from afterclear.digest.common.assess import Setting
from afterclear.digest.common.forecast_lines import ComingView, coming_view
from afterclear.digest.input.frames import Caution, DigestSettings
from afterclear.finding_tables.forecast import Forecast, ForecastPart, ForecastQuarter
from afterclear.wording.cells import Cells

NOW = datetime(2026, 1, 1, tzinfo=UTC)
AIRBAGS = Caution("Airbags", "They can fire.")
STEERING = Caution("Other", "")
SETTING = Setting(
    as_of=NOW,
    cells=Cells(),
    settings=DigestSettings(),
    cautions={},
    part_cautions={"airbag": (AIRBAGS,), "steering": (STEERING,)},
)
FLEET = Forecast(
    "fleet", None, None, None, None, 30, NOW, 50, 90, 7.0, 3, 12, 1.0, "EUR", 40, None, 600.0
)  # fmt: skip
QUARTER = ForecastQuarter("2025-Q1", 50, 20.0, 12, 30, 22, held=True, n_components=9,
                          n_components_held=9)  # fmt: skip
PART = ForecastPart("igniter", "igniter", 30, 9, 1.2, 3, "IG-1", "Aldmoor", is_advised=True)


def told(record: list[ForecastQuarter], parts: list[ForecastPart]) -> ComingView:
    of = replace(FLEET, level="component", component="airbag", label="airbag", expected=2.0)
    less = replace(of, component="thermostat", label="thermostat", expected=1.0)
    rows = [replace(row, days=days) for row in (FLEET, less, of) for days in (30, 90)]
    view = coming_view(tuple(rows), tuple(parts), tuple(record), SETTING)
    assert view is not None
    return view


def pieces(*, advised: bool) -> list[ForecastPart]:
    both = [PART, replace(PART, days=90, expected=3.0, keep=6)]
    return [replace(part, is_advised=advised) for part in both]


def test_the_most_expected_stands_first_with_its_caution() -> None:
    view = told([QUARTER] * 4, pieces(advised=True))
    assert [line.component for line in view.lines] == ["Airbag", "Thermostat"]
    assert view.cautions == (AIRBAGS,)


def test_parts_are_told_with_their_number_for_both_horizons() -> None:
    (line,) = told([QUARTER] * 4, pieces(advised=True)).parts
    assert (line.number, line.keep_soon, line.keep_later) == ("Aldmoor IG-1", 3, 6)


def test_no_parts_are_advised_where_the_record_does_not_hold() -> None:
    missed = replace(QUARTER, held=False)
    view = told([QUARTER, QUARTER, missed, missed], pieces(advised=False))
    assert (view.has_record, view.is_advised, view.parts) == (True, False, ())
    assert view.n_held == 2


def test_a_record_that_holds_is_no_bad_one_because_no_order_fitted_a_part() -> None:
    view = told([QUARTER] * 8, [])
    assert (view.is_advised, view.n_held, view.parts) == (True, 8, ())


def test_a_part_to_have_comes_with_its_caution_though_its_fault_is_not_among_those_shown() -> None:
    pads = [replace(part, part_family="steering") for part in pieces(advised=True)]
    assert told([QUARTER] * 4, pads).cautions == (AIRBAGS, STEERING)


def test_two_quarters_are_no_record() -> None:
    assert not told([QUARTER] * 2, pieces(advised=False)).has_record


def test_without_a_forecast_there_is_no_section() -> None:
    assert coming_view((), (), (), SETTING) is None
