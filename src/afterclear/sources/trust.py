"""Whose certificates a source's server may show."""

import ssl

from afterclear.errors import RefusedSourceError
from afterclear.sources.source import Address


def trusted(address: Address) -> ssl.SSLContext:
    """Trust the system's certificates, and those of ``ca_file`` beside them.

    Raises:
        RefusedSourceError: ``ca_file`` cannot be read, or holds no certificate.

    """
    trust = ssl.create_default_context()
    if address.ca_file is not None:
        try:
            trust.load_verify_locations(cafile=address.ca_file)
        except OSError as error:  # ssl.SSLError is one
            raise RefusedSourceError(
                f"The certificates in {address.ca_file} cannot be used: {error.strerror or error}."
            ) from error
    return trust
