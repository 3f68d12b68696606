"""What the pages ask of the store beside histories, findings and roles."""

from typing import Final

PAGE_WORDS: Final = """
    SELECT code, family, min(family_label) AS family_label, min(meaning) AS meaning
    FROM codes_met GROUP BY code, family ORDER BY code, family"""
