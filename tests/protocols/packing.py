"""Codes as bytes: the other way round than the decoders, so that they can be held against it."""


def bytes_from_code(code: str) -> bytes:
    """Pack a code's five characters into its two bytes (SAE J2012)."""
    letter, second, rest = code[0], code[1], code[2:]
    word = "PCBU".index(letter) << 14 | int(second) << 12 | int(rest, 16)
    return word.to_bytes(2, "big")
