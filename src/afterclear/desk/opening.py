"""Where the desk listens, by which names it is called, and what must be there before it does."""

import ipaddress
import ssl
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from afterclear.desk.users import User
from afterclear.errors import UsageError

THIS_MACHINE: Final = "127.0.0.1"
_HTTPS: Final = 443


@dataclass(frozen=True, slots=True)
class Opening:
    """What was asked for.  ``port`` 0: a free one; ``listen`` empty: this machine only."""

    port: int = 0
    listen: str = ""
    names: tuple[str, ...] = ()  # of the host, as people type them
    certificate: Path | None = None
    key: Path | None = None
    schedule: bool = False  # whether the timetable is kept, too
    proxy: str = ""  # address of the proxy that speaks TLS for the desk

    @property
    def address(self) -> str:
        """Where it listens, spelled as browsers spell it (RFC 5952 for IPv6)."""
        parsed = ipaddress.ip_address(self.listen or THIS_MACHINE)
        return str(getattr(parsed, "ipv4_mapped", None) or parsed)

    def hosts(self, port: int) -> frozenset[str]:
        """Give what browsers may call it; ``port``: the one it got."""
        if not self.listen:
            return frozenset({f"{THIS_MACHINE}:{port}", f"localhost:{port}"})
        if self.proxy:
            return frozenset(name.lower() for name in self.names)
        called = [name.lower() for name in self.names]
        if not ipaddress.ip_address(self.address).is_unspecified:
            called.append(f"[{self.address}]" if ":" in self.address else self.address)
        ports = ["", f":{port}"] if port == _HTTPS else [f":{port}"]
        return frozenset(name + end for name in called for end in ports)

    def shown(self, port: int) -> str:
        """Give an address for people."""
        named = [name.lower() for name in self.names]
        host = f"{named[0]}{'' if self.proxy else f':{port}'}" if named else min(self.hosts(port))
        return f"https://{host}/"


def check_opening(opening: Opening, users: Sequence[User]) -> None:
    """Refuse to listen to others without users and without TLS.

    Raises:
        UsageError: what is missing, or does not go together.

    """
    if not opening.listen:
        if opening.names or opening.certificate or opening.key or opening.proxy:
            raise UsageError(
                "--name, --certificate, --key and --proxy are for a desk that others use; give "
                "--listen ADDRESS, too."
            )
        return
    _check_address("--listen", opening.listen)
    if not users:
        raise UsageError(
            "Others would be let in, but nobody has a password yet. Add a user first: 'afterclear "
            "desk user add NAME --role admin'."
        )
    if not opening.port:
        raise UsageError("Give --port, too: others need an address that stays.")
    _check_way(opening)
    if opening.proxy or ipaddress.ip_address(opening.address).is_unspecified:
        _check_named(opening.names)


def _check_way(opening: Opening) -> None:
    has_tls = opening.certificate is not None and opening.key is not None
    if opening.proxy:
        if opening.certificate or opening.key:
            raise UsageError("Either the proxy speaks TLS or the desk: leave one of them out.")
        _check_address("--proxy", opening.proxy)
    elif not has_tls:
        raise UsageError(
            "Passwords would be readable on the way. Give --certificate FILE and --key FILE, or "
            "--proxy ADDRESS of the proxy before it that speaks TLS."
        )
    else:
        _check_certificate(opening)


def _check_address(option: str, address: str) -> None:
    try:
        ipaddress.ip_address(address)
    except ValueError as error:
        raise UsageError(
            f"{option} takes an address in numbers, such as 192.168.1.20; found {address!r}."
        ) from error


def _check_named(names: Sequence[str]) -> None:
    if not names:
        raise UsageError(
            "Give --name, too: the name people type for this desk, such as desk.garage.example. "
            "Under any other name it does not answer."
        )


def _check_certificate(opening: Opening) -> None:
    assert opening.certificate is not None  # noqa: S101 - asked before
    try:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        # no question for a passphrase on the terminal: nobody may be there
        context.load_cert_chain(opening.certificate, opening.key, password="")
    except (OSError, ValueError) as error:  # an SSLError is an OSError
        raise UsageError(
            f"{opening.certificate} and {opening.key} are no certificate and key that belong "
            f"together, in PEM, the key without a passphrase: {error}."
        ) from error
