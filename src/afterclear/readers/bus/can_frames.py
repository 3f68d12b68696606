"""Recordings of a CAN bus as one table of frames: no meaning, only what was on the wire.

candump text is taken apart as whole columns (millions of frames); ``other_forms`` reads the rest.
A line that is no frame becomes a rejection.
"""

import re
from codecs import BOM_UTF8
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

import polars as pl

from afterclear.errors import worded
from afterclear.records import Rejection

SCHEMA: Final = {
    "line": pl.Int64,  # 1-based line, or frame number if the form has no lines
    "at": pl.Float64,  # seconds, the log's own clock
    "bus": pl.String,
    "id": pl.UInt32,
    "extended": pl.Boolean,
    "data": pl.String,  # upper-case hex, no spaces; 8 bytes at most but for long frames (CAN FD)
}
MAX_DATA_HEX = 16  # a classic frame holds 8 bytes
MAX_LONG_DATA_HEX = 128  # a CAN FD frame 64
STANDARD_ID_LENGTH = 3  # candump writes 11-bit identifiers with three digits, 29-bit with eight
ERROR_FLAG = 0x20000000  # SocketCAN's flag of an error frame in the identifier
HEAD_BYTES = 8192  # these identify a recording
CHUNK_BYTES = 16 << 20  # bounds memory: some 300,000 lines at a time
# Below this a clock is relative: epoch seconds passed 1e8 in March 1973, and no log runs 3 years.
RELATIVE_BELOW_S = 1e8
# candump -td writes the step since the frame before.  A clock that falls this often is one.
STEP_CLOCK_SHARE = 0.25

# The line candump writes without further options, short or long.  Each character can be matched
# in one way only, which is what makes a column of them four times as fast as _ANY_FRAME.
_USUAL_FRAME = (
    r"^ *\((?P<at>[0-9.]+)\) +(?P<bus>[^ ]+) +(?P<id>[0-9A-Fa-f]+)"
    r"(?:#| +\[(?P<dlc>[0-8])\])(?P<data>[0-9A-Fa-f ]*)\r?$"
)
_STAMP = r"\(\s*(?P<at>\d+(?:\.\d*)?|\d{4}-\d\d-\d\d[ T]\d\d:\d\d:\d\d(?:\.\d*)?)\s*\)"
_DIRECTION = r"(?:[RT]X\s+\S\s+\S\s+)?"  # candump -x
_ASCII = r"(?:\s+'.*')?"  # candump -a
_ANY_FRAME = (
    rf"^\s*{_STAMP}\s+(?P<bus>\S+)\s+{_DIRECTION}(?P<id>[0-9A-Fa-f]{{3,8}})"
    r"(?:#(?P<long>#[0-9A-Fa-f])?|\s+\[(?P<dlc>\d\d?)\])"
    rf"(?P<data>[0-9A-Fa-f ]*?)(?:\s+[RT])?{_ASCII}\s*$"
)
_REMOTE_FRAME = (  # asks for data and has none
    rf"^\s*{_STAMP}\s+\S+\s+{_DIRECTION}[0-9A-Fa-f]{{3,8}}"
    rf"(?:#R[0-8]?|\s+\[[0-8]\]\s+remote request)(?:\s+[RT])?{_ASCII}\s*$"
)
# candump without -t: no time at all.  A name of an interface ends in its number.
_UNSTAMPED_FRAME = (
    r"^\s*[A-Za-z_]+\d+\s+[0-9A-Fa-f]{3,8}\s+\[\d\d?\](?:\s+[0-9A-Fa-f]{2})*(?:\s+'.*')?\s*$"
)
UNSTAMPED = "candump without time stamps"
_GIVEN_STAMP = r"^\(\d+\.\d{3}\) "
EXPECTED_LINE = worded(
    "a bus frame with at most 8 data bytes: (seconds) bus ID#DATA or (seconds) bus ID [n] DATA"
)


# A time stamp beyond this (the year 5138) is a damaged number.
LATEST_S = 1e11


@dataclass(slots=True)
class Frames:
    """What a recording holds.  ``skipped`` counts frames that carry no message for us."""

    table: pl.DataFrame
    rejections: list[Rejection] = field(default_factory=list)
    skipped: Counter[str] = field(default_factory=Counter)
    notes: list[str] = field(default_factory=list)
    is_stamped: bool = True  # False: only the order of the frames is known

    @property
    def is_relative(self) -> bool:
        """True if the clock counts from the log's start instead of from 1970."""
        first = self.table["at"].drop_nulls().head(1).to_list()
        return not first or first[0] < RELATIVE_BELOW_S


# --- candump -------------------------------------------------------------------------------


def is_candump_line(text: str) -> bool:
    """Whether one line is a frame as candump writes it."""
    return bool(re.match(_ANY_FRAME, text, re.ASCII) or re.match(_REMOTE_FRAME, text, re.ASCII))


def read_candump(path: Path, zone: str, *, is_stamped: bool = True) -> Frames:
    """Read candump text, short (``-L``) or long form, with seconds or dates as time stamps.

    Not ``is_stamped``: no line has a time; each gets one a thousandth of a second after the last.
    """
    frames = Frames(pl.DataFrame(schema=SCHEMA), is_stamped=is_stamped)
    if not is_stamped:
        frames.notes.append(worded("no time stamps: the order of the lines stands for the time"))
    parts = [frames.table]
    first_line = 1
    for chunk in _chunks(path):
        n_lines = chunk.count(b"\n") + (not chunk.endswith(b"\n"))
        parts.append(_candump_chunk(chunk, first_line, zone, frames))
        first_line += n_lines
    frames.table = _as_running_clock(pl.concat(parts), frames)
    return frames


def _chunks(path: Path) -> Iterator[bytes]:
    with path.open("rb") as file:
        rest = b""
        if file.read(len(BOM_UTF8)) != BOM_UTF8:
            file.seek(0)
        while block := file.read(CHUNK_BYTES):
            whole, newline, tail = block.rpartition(b"\n")
            if newline:
                yield rest + whole + newline
                rest = tail
            else:
                rest += block
        if rest:
            yield rest


def _candump_chunk(chunk: bytes, first_line: int, zone: str, frames: Frames) -> pl.DataFrame:
    text = pl.Series("text", [chunk.decode("utf-8", "replace").removesuffix("\n")])
    lines = text.str.split("\n").explode().to_frame().with_row_index("line", first_line)
    if not frames.is_stamped:
        lines = _with_given_stamps(lines)
    table = _taken_apart(lines, _USUAL_FRAME, None)
    usual = table.filter("is_sound")
    rest = table.filter(~pl.col("is_sound") & (pl.col("text").str.strip_chars() != ""))
    rest = rest.select("line", "text")
    if not rest.is_empty():
        table = _taken_apart(rest, _ANY_FRAME, zone)
        _set_aside(table.filter(~pl.col("is_sound")).select("line", "text"), frames)
        usual = pl.concat([usual, table.filter("is_sound").select(usual.columns)]).sort("line")
    is_error = pl.col("number") >= ERROR_FLAG
    frames.skipped["error frames"] += usual.filter(is_error).height
    return usual.filter(~is_error).select(
        pl.col("line").cast(pl.Int64),
        "at",
        "bus",
        pl.col("number").alias("id"),
        (pl.col("id").str.len_bytes() > STANDARD_ID_LENGTH).alias("extended"),
        "data",
    )


def _with_given_stamps(lines: pl.DataFrame) -> pl.DataFrame:
    """Write before each line that has any text a time in the order of lines."""
    thousandths = pl.col("line").cast(pl.Int64)
    stamp = pl.format(
        "({}.{}) ", thousandths // 1000, (thousandths % 1000).cast(pl.String).str.zfill(3)
    )
    is_blank = pl.col("text").str.strip_chars() == ""
    return lines.with_columns(
        pl.when(is_blank).then(pl.col("text")).otherwise(stamp + pl.col("text")).alias("text")
    )


def _taken_apart(lines: pl.DataFrame, pattern: str, zone: str | None) -> pl.DataFrame:
    """Add a frame's fields to each line, and ``is_sound``: all of them fit together."""
    has_long = "long" in re.compile(pattern).groupindex
    is_long = pl.col("dlc").str.len_bytes().fill_null(0) == 2  # noqa: PLR2004 - [08] is CAN FD
    if has_long:
        is_long = is_long | pl.col("long").is_not_null()
    is_sound = (
        pl.col("at").is_between(-LATEST_S, LATEST_S)
        & (pl.col("number") < 2 * ERROR_FLAG)
        & (pl.col("id").str.len_bytes() >= STANDARD_ID_LENGTH)
        & (pl.col("digits") % 2 == 0)
        & (pl.col("digits") <= pl.when(is_long).then(MAX_LONG_DATA_HEX).otherwise(MAX_DATA_HEX))
        & (pl.col("dlc").is_null() | (pl.col("dlc").cast(pl.UInt32) * 2 == pl.col("digits")))
    )
    return (
        lines.with_columns(pl.col("text").str.extract_groups(pattern).alias("f"))
        .unnest("f")
        .with_columns(pl.col("data").str.replace_all(" ", "", literal=True).str.to_uppercase())
        .with_columns(
            _seconds(pl.col("at"), zone).alias("at"),
            pl.col("id").str.to_integer(base=16, dtype=pl.UInt32, strict=False).alias("number"),
            pl.col("data").str.len_bytes().alias("digits"),
        )
        .with_columns(is_sound.fill_null(value=False).alias("is_sound"))
    )


def _seconds(stamp: pl.Expr, zone: str | None) -> pl.Expr:
    """Read time stamps; ``zone`` is that of dates, None if there are none (it is faster)."""
    number = stamp.cast(pl.Float64, strict=False)
    if zone is None:
        return number
    date = (
        stamp.str.replace("T", " ", literal=True)
        .str.to_datetime("%Y-%m-%d %H:%M:%S%.f", time_unit="us", strict=False)
        .dt.replace_time_zone(zone, ambiguous="earliest", non_existent="null")
    )
    return pl.coalesce(number, date.dt.epoch("us").cast(pl.Float64) / 1e6)


def _set_aside(lines: pl.DataFrame, frames: Frames) -> None:
    """Count the frames without data; refuse lines that are no frame."""
    is_remote = lines["text"].str.contains(_REMOTE_FRAME)
    frames.skipped["remote frames"] += int(is_remote.sum())
    for line, text in lines.filter(~is_remote).iter_rows():
        own = text if frames.is_stamped else re.sub(_GIVEN_STAMP, "", text)
        shown = own.rstrip("\r")[:200]
        frames.rejections.append(Rejection("scans", line, None, shown, EXPECTED_LINE))


def _as_running_clock(table: pl.DataFrame, frames: Frames) -> pl.DataFrame:
    """Add up a clock that gives only the step since the frame before (candump -td)."""
    at = table["at"]
    if table.is_empty() or at[0] >= RELATIVE_BELOW_S:
        return table
    if (at.diff() < 0).sum() <= STEP_CLOCK_SHARE * table.height:
        return table
    frames.notes.append(worded("time stamps are steps between frames; added up"))
    return table.with_columns(pl.col("at").cum_sum())


# --- which form ----------------------------------------------------------------------------

CSV_HEADER = b"timestamp,arbitration_id,extended,remote,error,dlc,data"
# First bytes -> form.  MDF: the identification block of ASAM MDF; a recorder that lost its power
# leaves it unfinalised, its counters of frames still to be set, and the library sets them.
_MARKS = (
    (b"LOGG", ".blf"),
    (b"MDF     ", ".mf4"),
    (b"UnFinMF ", ".mf4"),
    (CSV_HEADER, ".csv"),
)


def form_of(name: str, head: bytes) -> str | None:
    """Name the form of a recording by its first bytes: candump, .asc, .blf, .trc, .csv, .mf4.

    None: not a recording this module reads. The name counts only if a form has no signature of its
    own.
    """
    if marked := next((form for mark, form in _MARKS if head.startswith(mark)), None):
        return marked
    text = head.decode("utf-8", "replace")
    lines = [line for line in text.splitlines()[:-1] or text.splitlines() if line.strip()]
    if any(is_candump_line(line) for line in lines[:50]):
        return "candump"
    if any(re.match(_UNSTAMPED_FRAME, line, re.ASCII) for line in lines[:50]):
        return UNSTAMPED
    suffix = Path(name).suffix.lower()
    if suffix == ".asc" and re.search(r"^(date |base\s+(hex|dec))", text, re.MULTILINE):
        return suffix
    if suffix == ".trc" and text.startswith(";"):
        return suffix
    return None
