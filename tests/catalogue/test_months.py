"""Names of months: every one CLDR gives for the languages served is known, and no other month."""

from typing import Any

import pytest
from babel import Locale

from afterclear.catalogue.months import ENGLISH, in_english, month_of


@pytest.mark.parametrize("language", ["en", "de", "de_AT", "fr", "es", "pl"])
@pytest.mark.parametrize("use", ["format", "stand-alone"])
@pytest.mark.parametrize("width", ["wide", "abbreviated"])
def test_every_month_of_the_unicode_locale_data_is_known(
    language: str, use: str, width: str
) -> None:
    months: Any = Locale.parse(language).months[use][width]
    found = [month_of(months[number]) for number in range(1, 13)]
    assert found == list(ENGLISH)


def test_other_words_stay_as_they_are() -> None:
    assert in_english("Mo. 3. Mai 2026, 14:05 Uhr") == "Mo. 3. May 2026, 14:05 Uhr"
    assert in_english("03/04/2026 02:05 p. m.") == "03/04/2026 02:05 PM"


def test_a_day_of_the_month_may_be_an_ordinal() -> None:
    assert in_english("1er septembre 2026") == "1 Sep 2026"
    assert in_english("21st March 2026") == "21 Mar 2026"
