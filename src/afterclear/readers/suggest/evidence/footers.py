"""How lines begin that are none of a table's rows: sums, taxes, pages, who printed it and when.

The words are common practice, no source.
"""

import re

from afterclear.catalogue.folded_words import without_accents

_TOTALS = re.compile(
    r"(?:grand |sub)?totals?\b|sum(?:me|a)?\b|gesamt(?:summe)?\b|zwischensumme|razem\b|ogolem"
    r"|anzahl|count\b|nombre de|liczba|numero de|records?\b"
    r"|(?:gesamt|end|rechnungs)betrag|netto\b|brutto\b|mwst\b|ust\b|mehrwertsteuer"
    r"|vat\b|tax\b|tva\b|iva\b|podatek|net a payer|a payer|base imponible|do zaplaty"
    r"|rabatt\b|skonto\b|discount\b|remise\b|descuento\b|rabat\b"
    r"|montant (?:ht|ttc)|importe total|kwota (?:netto|brutto|razem)"
)
_COUNTED = re.compile(
    r"\d+ (?:vehicles?|orders?|records?|rows?|faults?|codes?|fahrzeuge?|auftrage?|zeilen?"
    r"|datensatze?|fehler|vehicules?|ordres?|lignes?|defauts?|vehiculos?|ordenes|registros?|averias?|pojazd\w*"
    r"|zlecen\w*|wiersz\w*|rekord\w*|uster\w*|bled\w*)(?=$|[:,;.])"
)
_FOOTERS = re.compile(
    r"seite \d|page \d|pagina \d|strona \d|erstellt|gedruckt|printed|exported|generated"
    r"|report generated|end of"
    r"|ende\b|imprime|edite|genere|fin du|impreso|generado|fin del|wydrukowano|wygenerowano|koniec"
)


def footer_word(text: str) -> int:
    """Give the length of the word by which a line begins as a footer; 0: it does not."""
    first = without_accents(text)
    found = _TOTALS.match(first) or _FOOTERS.match(first) or _COUNTED.match(first)
    return found.end() if found else 0
