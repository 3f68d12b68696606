"""Which language a text is in, among those served: by letters and words that others lack."""

import re
from collections.abc import Sequence

from afterclear.catalogue.folded_words import without_accents

# Letters beside a to z (the languages' own alphabets).
LETTERS = {
    "de": frozenset("äöüßÄÖÜẞ"),
    "fr": frozenset("àâæçéèêëîïôœùûüÿÀÂÆÇÉÈÊËÎÏÔŒÙÛÜŸ"),
    "es": frozenset("áéíñóúüÁÉÍÑÓÚÜ"),
    "pl": frozenset("ąćęłńóśźżĄĆĘŁŃÓŚŹŻ"),
    "en": frozenset("éï"),
}
# Words of headings and short texts, without accents.
_WORDS = {
    language: frozenset(words.split())
    for language, words in {
        "de": "datum fahrzeug kennzeichen fehler fehlercode steuergerat stand kilometerstand zeit "
        "uhrzeit beschreibung auftrag werkstatt status betrieb und der die das motor getriebe "
        "fahrgestellnummer gelesen geloscht arbeit arbeiten teil bemerkung ausgelesen kfz fzg",
        "fr": "vehicule immatriculation defaut code calculateur kilometrage compteur date heure et "
        "le la les du des atelier travaux libelle remarque piece lecture moteur chassis etat",
        "es": "fecha vehiculo matricula averia codigo centralita kilometraje kilometros hora y el "
        "los las del taller trabajo trabajos descripcion observaciones pieza bastidor estado",
        "pl": "data pojazd rejestracyjny usterki kod bledu sterownik przebieg godzina i w na nr "
        "warsztat opis uwagi czesc nadwozia licznika stan wykonano wymiana naprawa silnik",
        "en": "date vehicle plate fault code unit odometer mileage time description order notes "
        "work done and the of status module repair completed registration engine",
    }.items()
}


def language_of(texts: Sequence[str]) -> str:
    """Name the language of headings and short texts; empty if it cannot be recognised."""
    whole = " ".join(texts)
    words = re.findall(r"[^\W\d_]+", without_accents(whole))
    counts = {
        language: sum(word in own for word in words)
        + 2 * sum(letter in LETTERS[language] for letter in set(whole) if letter not in "éï")
        for language, own in _WORDS.items()
    }
    best, second = sorted(counts, key=lambda language: -counts[language])[:2]
    return best if counts[best] > counts[second] else ""
