"""Files of a web server: one file, or all files a listing page links to.

An address that ends with a slash is a listing: the files its page links to, below it.  Where
the server tells an ETag or a time (RFC 9110, 8.8), a file is fetched again only when they
change.  The password goes to the address's own host only, also when it redirects.
"""

import base64
import http.client
import ssl
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urljoin, urlsplit, urlunsplit

from afterclear.errors import RefusedSourceError, UnreachableError
from afterclear.sources.base import TIMEOUT_S, Address, Found, written
from afterclear.sources.trust import trusted

_CHUNK = 1 << 16
_MAX_LISTING_BYTES = 20_000_000
# RFC 9110, 15.5.9 and RFC 6585, 4: asked too slowly, too often; 5xx: the server's own trouble
_TEMPORARY = {408, 425, 429}


class _Links(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [value for key, value in attrs if tag == "a" and key == "href" and value]


class HttpsPlace:
    """A file or a listing on a web server."""

    def __init__(self, address: Address) -> None:
        parts = urlsplit(address.url)
        self._name = parts.hostname or ""
        self._url = urlunsplit(
            (parts.scheme, parts.netloc.rpartition("@")[2], parts.path, parts.query, "")
        )
        self._header = _login(unquote(parts.username or ""), address.secret)
        self._opener = urllib.request.build_opener(
            urllib.request.ProxyHandler({}),
            urllib.request.HTTPSHandler(context=trusted(address)),
        )

    def look(self) -> list[Found]:
        """List the files, with what a HEAD request tells of each."""
        if not urlsplit(self._url).path.endswith("/"):
            return [self._head(self._url, unquote(self._url.rpartition("/")[2]))]
        with self._ask(self._url) as answer:
            page = answer.read(_MAX_LISTING_BYTES).decode("utf-8", errors="replace")
        links = _Links()
        links.feed(page)
        found = {}
        for link in links.found:
            target = urljoin(self._url, link).partition("#")[0]
            name = unquote(target.removeprefix(self._url))
            if target.startswith(self._url) and name and not name.endswith("/") and "?" not in name:
                found[name] = target
        return [self._head(target, name) for name, target in sorted(found.items())]

    def fetch(self, found: Found, target: Path) -> None:
        """Write a file's bytes; as many as the server promised."""
        is_listing = urlsplit(self._url).path.endswith("/")
        url = self._url + urllib.request.pathname2url(found.name) if is_listing else self._url
        with self._ask(url) as answer:
            promised = answer.headers.get("Content-Length")
            size = int(promised) if promised and promised.isdigit() else found.size
            written(_chunks(answer, found.name), target, size, found.name)

    def _head(self, url: str, name: str) -> Found:
        with self._ask(url, "HEAD") as answer:
            headers = answer.headers
        size = headers.get("Content-Length")
        mark = headers.get("ETag") or headers.get("Last-Modified")
        return Found(
            name, f"{mark}:{size}" if mark else "", int(size) if size and size.isdigit() else None
        )

    @contextmanager
    def _ask(self, url: str, method: str = "GET") -> Iterator[http.client.HTTPResponse]:
        request = urllib.request.Request(url, method=method)  # noqa: S310 - schemes are checked
        if self._header:
            request.add_unredirected_header("Authorization", self._header)
        try:
            with self._opener.open(request, timeout=TIMEOUT_S) as answer:
                yield answer
        except urllib.error.HTTPError as error:
            with error:
                said = f"{self._name} answered {error.code} {error.reason}."
            if error.code in _TEMPORARY or error.code >= http.client.INTERNAL_SERVER_ERROR:
                raise UnreachableError(said) from error
            raise RefusedSourceError(said) from error
        except urllib.error.URLError as error:
            if isinstance(error.reason, ssl.SSLCertVerificationError):
                raise RefusedSourceError(
                    f"The certificate of {self._name} is not trusted: "
                    f"{error.reason.verify_message}. Name its issuer as ca_file."
                ) from error
            raise UnreachableError(f"{self._name} does not answer: {error.reason}.") from error
        except (OSError, http.client.HTTPException) as error:
            raise UnreachableError(f"{self._name} broke off: {error!r}.") from error


@contextmanager
def opened(address: Address) -> Iterator[HttpsPlace]:
    """Give the place at an address."""
    yield HttpsPlace(address)


def _login(user: str, secret: str | None) -> str | None:
    """Write the Authorization header: Basic with a user (RFC 7617), else a bearer token."""
    if secret is None:
        return None
    if not user:
        return f"Bearer {secret}"
    return "Basic " + base64.b64encode(f"{user}:{secret}".encode()).decode()


def _chunks(answer: http.client.HTTPResponse, name: str) -> Iterator[bytes]:
    try:
        while chunk := answer.read(_CHUNK):
            yield chunk
    except (OSError, http.client.HTTPException) as error:
        raise UnreachableError(f"{name} broke off: {error!r}.") from error
