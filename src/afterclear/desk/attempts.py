"""How often signing in failed, and who has to wait: a wait, never a lock.

Tries are counted in two ways, each like a bucket that fills again with time:

- by address, for whatever names: 20 wrong ones, then one a minute.  A right one gives none back, or
  whoever has a password could go on guessing those of others.
- by user, from all addresses together: 100 wrong ones (the limit of NIST SP 800-63B-4, section
  3.2.2, from memory), then one in a quarter of an hour.  A right one gives all back.  Addresses
  from which this user has signed in do not count here: so strangers cannot keep a user out.

While somebody waits nothing is checked or counted.  The memory is bounded whatever is tried.
"""

import ipaddress
import time
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass
from typing import Final

_MOST_KEPT: Final = 1000  # addresses
_MOST_KNOWN: Final = 1000  # pairs of user and address
_SUBNET: Final = 64  # bits of an address that one subscriber of IPv6 has


@dataclass(frozen=True, slots=True)
class _Bucket:
    holds: int  # tries
    refill_s: float  # until one more is in it


_BY_ADDRESS: Final = _Bucket(20, 60)
_BY_USER: Final = _Bucket(100, 900)


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


class Attempts:
    """The wrong tries to sign in.  ``now``: seconds that never run back."""

    def __init__(self, now: Callable[[], float] = time.monotonic) -> None:
        self._by_address = _Buckets(_BY_ADDRESS, _MOST_KEPT, now)
        self._by_user = _Buckets(_BY_USER, _MOST_KEPT, now)
        self._known: OrderedDict[tuple[str, str], None] = OrderedDict()

    @property
    def n_kept(self) -> int:
        """How much is remembered."""
        return len(self._by_address) + len(self._by_user) + len(self._known)

    def wait_s(self, user: str, address: str) -> float:
        """Give the seconds until a try is looked at; 0: now.  ``user``: empty for no known one."""
        place = _network(address)
        by_user = 0.0 if (user, place) in self._known else self._by_user.wait_s(user)
        return max(self._by_address.wait_s(place), by_user)

    def was_wrong(self, user: str, address: str) -> None:
        """Count a wrong try."""
        place = _network(address)
        self._by_address.take(place)
        if (user, place) not in self._known:
            self._by_user.take(user)

    def was_right(self, user: str, address: str) -> None:
        """Remember from where a user signed in."""
        self._by_user.fill(user)
        pair = (user, _network(address))
        self._known[pair] = None
        self._known.move_to_end(pair)
        while len(self._known) > _MOST_KNOWN:
            self._known.popitem(last=False)


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
