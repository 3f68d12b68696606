"""Every table a person can take out, as one named query each; columns are a contract."""

from typing import Final

from afterclear.finding_tables.registry import PAGE_FINDINGS
from afterclear.store.queries.exports_digest import EXPORTS_DIGEST
from afterclear.store.queries.exports_histories import EXPORTS_HISTORIES
from afterclear.store.queries.exports_identity import IDENTITY_EXPORTS
from afterclear.store.queries.exports_roles import EXPORTS_ROLES

EXPORTS: Final[dict[str, str]] = {
    **EXPORTS_HISTORIES,
    **IDENTITY_EXPORTS,
    **EXPORTS_ROLES,
    **EXPORTS_DIGEST,
    **PAGE_FINDINGS,
}
