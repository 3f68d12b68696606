"""What the pages ask of the store beside histories, findings and roles; digests to take out."""

from typing import Final

from afterclear.store.exports_findings import PAGE_FINDINGS

EXPORTS_DIGEST: Final[dict[str, str]] = {
    "held_by_quarter": PAGE_FINDINGS["held_by_quarter"],
    # made digests by number, with what makes them again, and the sent ledger
    "digests": """
        SELECT digest_id, as_of, told_at, version, audiences, is_public, previous_digest, settings,
            (SELECT count(*) FROM digest_pages p WHERE p.digest_id = d.digest_id) AS n_pages
        FROM digest_archive d ORDER BY digest_id""",
    "sent": """
        SELECT way, subject, recipient, as_of, begun_at, sent_at, failure
        FROM sent ORDER BY begun_at, recipient, subject""",
}

PAGE_WORDS: Final = """
    SELECT code, family, min(family_label) AS family_label, min(meaning) AS meaning
    FROM codes_met GROUP BY code, family ORDER BY code, family"""
