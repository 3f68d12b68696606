"""What a status proves: the readings of ISO 14229-1 annex D, and the words."""

import pytest

from afterclear.histories.presence import Presence, presence_of_byte, presence_table

BYTES = [  # byte, reading; ISO 14229-1 annex D as worked out there
    (0x50, Presence.NOT_TESTED),  # cleared, test has not run since: says nothing
    (0x40, Presence.ABSENT),  # has passed since the clear
    (0x00, Presence.ABSENT),  # ran and passed in this cycle
    (0x27, Presence.PRESENT),  # failing now
    (0x2F, Presence.PRESENT),
    (0xAF, Presence.PRESENT),
    (0x24, Presence.PRESENT),  # pending, and bit 5: failed since the clear
    (0x28, Presence.PRESENT),  # confirmed, aging
    (0x68, Presence.PRESENT),
    (0x20, Presence.PRESENT),  # failed at some time since the clear
    (0x60, Presence.PRESENT),
    (0x2C, Presence.PRESENT),
    (0x04, Presence.SIGN),  # pending alone
]


@pytest.mark.parametrize(("byte", "presence"), BYTES)
def test_a_status_byte_is_read_by_its_bits(byte: int, presence: Presence) -> None:
    assert presence_of_byte(byte) is presence


def test_the_warning_lamp_bit_alone_proves_nothing() -> None:
    assert all(presence_of_byte(byte) is presence_of_byte(byte | 0x80) for byte in range(0x80))


def test_every_status_a_row_may_have_is_in_the_table() -> None:
    table = presence_table()
    assert len(table) == 256 + 7
    assert table["pending"] is Presence.SIGN
    assert table["permanent"] is Presence.PERMANENT
    assert table[""] is Presence.PRESENT
