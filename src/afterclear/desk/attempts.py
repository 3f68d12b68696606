"""How often signing in failed, and who has to wait: a wait, never a lock.

Tries are counted like buckets that fill again with time:

- by address, for whatever names: 20 wrong ones, then one a minute.  A right one gives none back, or
  whoever has a password could go on guessing those of others.
- by name, from all addresses together: 100 wrong ones (the limit of NIST SP 800-63B-4, section
  3.2.2, from memory), then one in a quarter of an hour.  A right one gives all back.  A name that
  nobody has is counted alike, or the wait would tell who has a password.
- of a user at an address where this user has signed in before only by both together: 20 wrong ones,
  then one a minute; a right one gives all back.  So neither strangers nor whoever shares the
  address and guesses at others keep a user out.  The price: whoever shares it can tell that this
  user signs in from there.

While somebody waits nothing is checked or counted.  The memory is bounded whatever is tried.
"""

import hashlib
import ipaddress
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Final

_MOST_KEPT: Final = 1000  # addresses
_MOST_KNOWN: Final = 1000  # pairs of user and address
_MOST_SLOTS: Final = 2**13  # of names that nobody has
_SUBNET: Final = 64  # bits of an address that one subscriber of IPv6 has


@dataclass(frozen=True, slots=True)
class _Bucket:
    holds: int  # tries
    refill_s: float  # until one more is in it


_BY_ADDRESS: Final = _Bucket(20, 60)
_BY_NAME: Final = _Bucket(100, 900)
_BY_PAIR: Final = _Bucket(20, 60)


class _Buckets:
    """How much is left in each bucket; those that were used longest ago are given up."""

    def __init__(self, kind: _Bucket, most: int, now: Callable[[], float]) -> None:
        self._kind, self._most, self._now = kind, most, now
        self._left: OrderedDict[Hashable, tuple[float, float]] = OrderedDict()  # tries, as of

    def __len__(self) -> int:
        return len(self._left)

    def wait_s(self, key: Hashable) -> float:
        """Give the seconds until one more try is left."""
        return max(0.0, (1 - self._in(key)) * self._kind.refill_s)

    def take(self, key: Hashable) -> None:
        """Take one try out."""
        self._left[key] = (self._in(key) - 1, self._now())
        self._left.move_to_end(key)
        while len(self._left) > self._most:
            self._left.popitem(last=False)

    def fill(self, key: Hashable) -> None:
        """Give all tries back."""
        self._left.pop(key, None)

    def _in(self, key: Hashable) -> float:
        left, at = self._left.get(key, (self._kind.holds, 0.0))
        return min(self._kind.holds, left + (self._now() - at) / self._kind.refill_s)


@dataclass(frozen=True, slots=True)
class Try:
    """A try to sign in.  ``name``: alike for all ways to type it; ``is_user``: somebody has it."""

    name: str
    address: str
    is_user: bool = True


class Attempts:
    """The wrong tries to sign in.  ``now``: seconds that never run back."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._by_address = _Buckets(_BY_ADDRESS, _MOST_KEPT, now)
        self._by_user = _Buckets(_BY_NAME, _MOST_KEPT, now)
        self._by_no_user = _Buckets(_BY_NAME, _MOST_SLOTS, now)  # push no user's out
        self._by_pair = _Buckets(_BY_PAIR, _MOST_KNOWN, now)
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()
        self._salt = secrets.token_bytes(16)

    @property
    def n_kept(self) -> int:
        """How much is remembered."""
        kept = (self._by_address, self._by_user, self._by_no_user, self._by_pair, self._known)
        return sum(len(each) for each in kept)

    def wait_s(self, tried: Try) -> float:
        """Give the seconds until a try is looked at; 0: now."""
        return max(buckets.wait_s(key) for buckets, key in self._counted(tried))

    def was_wrong(self, tried: Try) -> None:
        """Count a wrong try."""
        for buckets, key in self._counted(tried):
            buckets.take(key)

    def was_right(self, tried: Try) -> None:
        """Remember from where a user signed in."""
        pair = (tried.name, _network(tried.address))
        self._by_user.fill(tried.name)
        self._by_pair.fill(pair)
        self._known[pair] = None
        self._known.move_to_end(pair)
        while len(self._known) > _MOST_KNOWN:
            self._known.popitem(last=False)

    def _counted(self, tried: Try) -> list[tuple[_Buckets, Hashable]]:
        """Give the buckets that a try is taken from."""
        pair = (tried.name, _network(tried.address))
        if pair in self._known:
            return [(self._by_pair, pair)]
        by_name: tuple[_Buckets, Hashable] = (
            (self._by_user, tried.name)
            if tried.is_user
            else (self._by_no_user, self._slot(tried.name))
        )
        return [(self._by_address, pair[1]), by_name]

    def _slot(self, name: str) -> int:
        """Give one of so many slots: none is given up for another, which would tell it apart."""
        hashed = hashlib.blake2b(name.encode(errors="replace"), digest_size=8, key=self._salt)
        return int.from_bytes(hashed.digest()) % _MOST_SLOTS


def _network(address: str) -> str:
    """Give what one subscriber has: an address, or the subnet of an IPv6 address."""
    try:
        parsed = ipaddress.ip_address(address.partition("%")[0])
    except ValueError:
        return ""  # a peer without an address: all of these are one
    if isinstance(parsed, ipaddress.IPv4Address):
        return str(parsed)
    if parsed.ipv4_mapped is not None:
        return str(parsed.ipv4_mapped)
    return str(ipaddress.ip_network((parsed, _SUBNET), strict=False))
