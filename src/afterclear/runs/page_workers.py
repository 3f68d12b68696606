"""Pages of a digest, one after another."""

from collections.abc import Iterator

from afterclear.digest.build import DigestModel
from afterclear.digest.render import render_pages


def rendered(model: DigestModel) -> Iterator[tuple[str, str]]:
    """Yield every page's file name and HTML; the index last."""
    yield from render_pages(model)
