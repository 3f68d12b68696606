"""The vehicle identification number as it comes over a bus: ASCII, or nothing.

Check digits and model years are ``catalogue``'s business: a failed check digit is a hint, never
a reason to drop what a unit says.
"""

LENGTH = 17
_ALPHABET = frozenset("ABCDEFGHJKLMNPRSTUVWXYZ0123456789")  # no I, O, Q (49 CFR 565)


def vin_from_ascii(raw: bytes) -> str | None:
    r"""Read a VIN, zero bytes and blanks around it dropped.  None: not 17 letters of a VIN.

    >>> vin_from_ascii(b"\0\0\0ZZZ1TEST0AFT00001")
    'ZZZ1TEST0AFT00001'
    """
    text = raw.decode("ascii", "replace").strip("\0 ").upper()
    return text if len(text) == LENGTH and set(text) <= _ALPHABET else None
