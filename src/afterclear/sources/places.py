"""The place an address names; says which client is missing if it is not installed."""

import importlib
from contextlib import AbstractContextManager
from typing import Final, cast
from urllib.parse import urlsplit

from afterclear.errors import ConfigError
from afterclear.sources.source import Address, Opener, Place

# scheme -> (module, the extra it needs or nothing)
_PLACES: Final = {
    "https": ("https", ""),
    "http": ("https", ""),
    "sftp": ("sftp", "sftp"),
    "s3": ("s3", "s3"),
    "imaps": ("imap", ""),
    "imap": ("imap", ""),
}


def opened_place(address: Address) -> AbstractContextManager[Place]:
    """Give the place at an address, opened.

    Raises:
        ConfigError: its client is not installed.

    """
    module, extra = _PLACES[urlsplit(address.url).scheme]
    try:
        found = importlib.import_module(f"afterclear.sources.{module}")
    except ImportError as error:
        raise ConfigError(
            f"A source {module}:// needs more than is installed: pip install 'afterclear[{extra}]'."
        ) from error
    return cast("Opener", found.opened)(address)
