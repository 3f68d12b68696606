"""Words that files give in English and pages show: grades of parts, drives, why a code was cleared.

Pure.  A word that is not here is the user's own and stays as it is.
"""

from typing import Final

from afterclear.wording.language import Language, mark

GIVEN: Final = frozenset(
    (
        mark("original"),
        mark("aftermarket"),
        mark("remanufactured"),
        mark("used"),
        mark("petrol"),
        mark("diesel"),
        mark("hybrid"),
        mark("electric"),
        mark("after repair"),
    )
)


def given_words(text: str, language: Language) -> str:
    """Say a word of a file in the reader's language, where that knows it.

    >>> given_words("petrol", Language("de")), given_words("own word", Language("de"))
    ('Benzin', 'own word')
    """
    return language.t(text) if text in GIVEN else text
