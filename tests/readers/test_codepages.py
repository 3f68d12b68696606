"""Codepages: told apart by the letters they give; what is doubtful is refused by name."""

import pytest

from afterclear.errors import RefusedFileError
from afterclear.readers.text.codepages import codepage_of
from afterclear.readers.text.text_of_bytes import codec_named, decoded

TEXTS = {
    "de": "Fahrzeug;Steuergerät;Getriebe prüfen;größer als;Öl;Kühler für Motor",
    "fr": "Véhicule;défaut mémorisé;à vérifier;arrêt;Code défaut;État;kilométrage",
    "es": "Matrícula;Código de avería;año;señal;situación;kilómetros;cámara",
    "pl": "Pojazd;kod błędu;brak błędów;część;żarówka;źródło;świeca;Łódź",
}


@pytest.mark.parametrize("language", TEXTS)
@pytest.mark.parametrize("codec", ["cp1252", "cp1250", "iso8859-2", "iso8859-15", "cp852", "cp850"])
def test_text_of_a_language_is_read_as_it_was_written(language: str, codec: str) -> None:
    """Whatever the codepage is called, the text is the same."""
    text = TEXTS[language]
    try:
        raw = text.encode(codec)
    except UnicodeEncodeError:
        pytest.skip(f"{codec} lacks letters of {language}")
    assert codepage_of(raw).text == text


def test_two_readings_as_good_as_each_other_are_refused_with_both() -> None:
    """One letter, no word of any language: 0xF1 is ñ or ń."""
    with pytest.raises(RefusedFileError, match="two encodings fit") as raised:
        decoded(b"xq;zq\nq\xf1q;1\n", "detect", "a.csv")
    assert "ñ" in str(raised.value)
    assert "ń" in str(raised.value)
    assert decoded(b"q\xf1q", "windows-1250", "a.csv").text == "qńq"


def test_every_encoding_of_text_can_be_stated_and_no_other() -> None:
    assert codec_named("windows-1250") == "cp1250"
    for name in ("klingon", "base64"):
        with pytest.raises(ValueError, match="encoding"):
            codec_named(name)


def test_a_few_zero_bytes_are_padding_and_counted() -> None:
    found = decoded(b"a;b\n1;2\x00\n" + b"3;4\n" * 50, "detect", "a.csv")
    assert "\x00" not in found.text
    assert "bytes of value 0 left out: 1" in found.note
