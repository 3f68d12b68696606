"""J1939 against cantools, an independent reader of identifiers and bit layouts."""

import cantools
from hypothesis import given
from hypothesis import strategies as st

from afterclear.protocols.j1939 import id_from_int
from afterclear.protocols.j1939_faults import dtc_from_bytes, lamps_from_bytes

# Bit places of SAE J1939-73, written as a signal database.
DATABASE = """VERSION ""
BU_: unit
BO_ 2566834688 DM1: 8 unit
 SG_ protect : 0|2@1+ (1,0) [0|3] "" unit
 SG_ amber_warning : 2|2@1+ (1,0) [0|3] "" unit
 SG_ red_stop : 4|2@1+ (1,0) [0|3] "" unit
 SG_ mil : 6|2@1+ (1,0) [0|3] "" unit
 SG_ spn_low : 16|16@1+ (1,0) [0|65535] "" unit
 SG_ fmi : 32|5@1+ (1,0) [0|31] "" unit
 SG_ spn_high : 37|3@1+ (1,0) [0|7] "" unit
 SG_ count : 40|7@1+ (1,0) [0|127] "" unit
 SG_ cm : 47|1@1+ (1,0) [0|1] "" unit
"""
DM1 = cantools.database.load_string(DATABASE, "dbc").messages[0]


@given(st.integers(0, (1 << 29) - 1))
def test_identifiers_agree(can_id: int) -> None:
    theirs = cantools.j1939.frame_id_unpack(can_id)
    ours = id_from_int(can_id)
    is_addressed = theirs.pdu_format < 240
    assert (ours.priority, ours.source_address) == (theirs.priority, theirs.source_address)
    assert ours.destination == (theirs.pdu_specific if is_addressed else None)
    assert ours.pgn == cantools.j1939.pgn_pack(
        theirs.reserved,
        theirs.data_page,
        theirs.pdu_format,
        0 if is_addressed else theirs.pdu_specific,
    )


@given(st.binary(min_size=8, max_size=8))
def test_lamps_and_codes_agree(data: bytes) -> None:
    theirs = DM1.decode(data, decode_choices=False)
    lamps = {lamp.name: int(lamp.state) for lamp in lamps_from_bytes(data[:2])}
    assert lamps == {name: theirs[name] for name in lamps}
    ours = dtc_from_bytes(data[2:6], method=3)  # the layout of the current form, whatever CM says
    assert (ours.spn, ours.fmi) == (theirs["spn_high"] << 16 | theirs["spn_low"], theirs["fmi"])
    assert ours.occurrences == (None if theirs["count"] == 127 else theirs["count"])
