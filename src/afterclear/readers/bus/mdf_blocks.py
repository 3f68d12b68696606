"""What of a measurement in ASAM MDF 4 its library follows or reads without looking.

A recording is blocks that lead to each other by their places in the file. The library follows a
chain that leads in a circle for ever, makes room for a record of any length, looks without an end
for records that are not counted, and takes for a signal whatever lies where one is said to be. Each
is looked at before.

Blocks and their links: ASAM MDF 4.1, chapter 5 (from memory; held to recordings that python-can and
asammdf write).
"""

from collections.abc import Iterator
from pathlib import Path
from struct import unpack, unpack_from
from typing import Any, BinaryIO, Final

from afterclear.errors import RefusedFileError, worded

_VERSION_AT: Final = 28  # in the block that names the file; 410 is 4.10
_FIRST_AT: Final = 64  # the head of all others
_HEAD_BYTES: Final = 24  # of each block: kind, length, how many links follow
_MOST_LINKS: Final = 100_000  # no recording met has more than some thousand in a block

# By kind of block: which of its links lead on to what; of the last three a file may have any.
_LISTS: Final = frozenset({b"##DL", b"##HL", b"##LD"})
_GROUP, _CHANNELS, _SIGNAL, _ARRAY = b"##DG", b"##CG", b"##CN", b"##CA"
_LEAD_ON: Final[dict[bytes, tuple[tuple[int, frozenset[bytes]], ...]]] = {
    b"##HD": ((0, frozenset({_GROUP})),),
    _GROUP: ((0, frozenset({_GROUP})), (1, frozenset({_CHANNELS}))),
    _CHANNELS: ((0, frozenset({_CHANNELS})), (1, frozenset({_SIGNAL}))),
    _SIGNAL: ((0, frozenset({_SIGNAL})), (1, frozenset({_SIGNAL, _ARRAY}))),
    _ARRAY: ((0, frozenset({_SIGNAL, _ARRAY})),),
    b"##DL": ((0, _LISTS),),
    b"##LD": ((0, _LISTS),),
    b"##HL": ((0, _LISTS),),
}
_DATA: Final = {_GROUP: 2, _SIGNAL: 5}  # which link leads to data, in a list or at once

# of what stands in no record: counted by the library (cn_type 3 and 6)
_VIRTUAL_SIGNALS: Final = {3, 6}


def check_blocks(path: Path) -> None:
    """Look at a recording before its library reads it.

    Raises:
        RefusedFileError: the library is not installed.
        ValueError: blocks lead in a circle or to another kind; a record is longer than the file;
            records are there where none is counted; a signal lies outside its record; or it is of
            a version before 4.

    """
    try:
        from asammdf import MDF  # noqa: PLC0415 - an extra
    except ImportError as error:
        raise RefusedFileError(
            worded(
                "MDF recordings are read with the extra package asammdf, which is not installed. "
                "Run: pip install 'afterclear[mf4]'"
            )
        ) from error
    with path.open("rb") as file:
        _check_chains(file)
    # the library's own look for bus traffic would read what lies there; its types lack the word
    with MDF(path, process_bus_logging=False) as recording:  # type: ignore[call-arg]
        for group in recording.groups:
            if group.channel_group.samples_byte_nr > path.stat().st_size:
                raise ValueError("a record is said to be longer than the recording")
            _check_records(group)


def _check_chains(file: BinaryIO) -> None:
    """Follow all blocks that lead to others, each once: a second time is a circle."""
    file.seek(_VERSION_AT)
    if not (version := file.read(2)) or unpack("<H", version.ljust(2, b"\0"))[0] < 400:  # noqa: PLR2004
        raise ValueError("a recording of MDF before version 4")
    met: set[int] = set()
    todo = [_FIRST_AT]
    while todo:
        place = todo.pop()
        if place in met:
            raise ValueError("its blocks lead in a circle")
        met.add(place)
        todo += _following(file, place)


def _following(file: BinaryIO, place: int) -> Iterator[int]:
    """Yield the places of blocks that one leads on to."""
    kind, links = _block(file, place)
    for number, wanted in _LEAD_ON.get(kind, ()):
        if number < len(links) and links[number]:
            found, _ = _block(file, links[number])
            if found not in wanted:
                raise ValueError(f"a block of kind {kind!r} leads to one of kind {found!r}")
            yield links[number]
    data = _DATA.get(kind, len(links))
    if data < len(links) and links[data] and _block(file, links[data])[0] in _LISTS:
        yield links[data]


def _block(file: BinaryIO, place: int) -> tuple[bytes, tuple[int, ...]]:
    """Read which kind of block lies at a place, and its links; none where the file ends."""
    file.seek(place)
    head = file.read(_HEAD_BYTES)
    if len(head) < _HEAD_BYTES:
        return b"", ()
    (n_links,) = unpack_from("<Q", head, _HEAD_BYTES - 8)
    if n_links > _MOST_LINKS:
        return b"", ()
    links = file.read(8 * n_links)
    return head[:4], unpack(f"<{len(links) // 8}Q", links[: len(links) // 8 * 8])


def _check_records(group: Any) -> None:  # noqa: ANN401 - of a library that need not be there
    """Look whether a group's records are counted, and each of its signals lies within them."""
    from asammdf.blocks.v4_blocks import Channel  # noqa: PLC0415 - an extra

    # it would look for the first of them without an end; unsorted ones it has sorted by now
    if not group.channel_group.cycles_nr and any(b.original_size for b in group.data_blocks):
        raise ValueError("a group of signals has records, and is said to have none")
    for signal in group.channels:
        if not isinstance(signal, Channel):
            raise ValueError("a recording of MDF before version 4")  # noqa: TRY004
        n_bits = 8 * signal.byte_offset + signal.bit_offset + signal.bit_count
        is_recorded = signal.channel_type not in _VIRTUAL_SIGNALS
        if is_recorded and n_bits > 8 * group.channel_group.samples_byte_nr:
            raise ValueError(f"{signal.name} lies outside the record it is said to be in")
