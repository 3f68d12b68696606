"""Bus recordings: frames -> scans, clears and the VIN, in the plain layout.

What the bytes mean is decided in ``can_j1939`` (trucks, tractors, buses) and in
``diagnostic_answers`` (a tester's questions and the answers); this file cuts the recording into
scans and finds the time of each.
"""

from bisect import bisect_right
from collections.abc import Callable, Mapping
from itertools import zip_longest

import polars as pl

from afterclear.errors import RefusedFileError, worded
from afterclear.protocols.obd import Form
from afterclear.readers.bus import can_frames
from afterclear.readers.bus.can_diagnostics import diagnostic_messages
from afterclear.readers.bus.can_frames import HEAD_BYTES, Frames
from afterclear.readers.bus.can_j1939 import acknowledged_clears, take_j1939, with_j1939_columns
from afterclear.readers.bus.diagnostic_answers import clears_in, matched_answers, take_answers
from afterclear.readers.bus.other_forms import read_other
from afterclear.readers.bus.reading_rows import plain_parts, scan_heads, vehicle_of
from afterclear.readers.bus.unit_readings import Clear, Readings
from afterclear.records import Delivery, ReadFile

# A vehicle's bus is never silent for a minute while it is awake: slow groups come every 10 s at
# most (own judgement).  After a longer silence the recorder was started again.
SILENCE_S = 60.0
# A scan has one moment and one odometer reading, so a day's recording is cut into hours.
SCAN_AT_MOST_S = 3600.0
# Units answer one erase request one after the other; the new scan begins when all have.
CLEAR_BURST_S = 10.0


def read_recording(delivery: Delivery, spn_methods: Mapping[int, int]) -> ReadFile:
    """Turn a recording into scans, clears and a vehicle.

    Raises:
        RefusedFileError: nothing in it is a frame, or the vehicle is not known.

    """
    frames = _frames(delivery)
    table, begin_note = _on_wall_clock(frames, delivery)
    table = _with_stretches(table)
    readings = Readings()
    messages = diagnostic_messages(table, readings.counts)
    answers, readings.counts["answers without a question"] = matched_answers(messages)
    clears = acknowledged_clears(with_j1939_columns(table)) + clears_in(answers)
    readings.clears = sorted(clears, key=lambda clear: clear.line)
    table = _with_scans(table, readings.clears)
    take_j1939(with_j1939_columns(table), spn_methods, readings, is_timed=frames.is_stamped)
    take_answers(answers, _scan_of_line(table), readings, Form.CAN)
    vehicle = vehicle_of(delivery, readings.vins)
    began = dict(table.group_by("scan").agg(pl.col("at").min()).iter_rows())
    heads = scan_heads(delivery, vehicle, readings, began)
    parts, unnamed = plain_parts(vehicle, readings, heads)
    return ReadFile(parts, (*frames.rejections, *unnamed), _note(frames, readings, begin_note))


def _form(delivery: Delivery) -> str | None:
    with delivery.path.open("rb") as file:
        return can_frames.form_of(delivery.name, file.read(HEAD_BYTES))


def _frames(delivery: Delivery) -> Frames:
    form = _form(delivery)
    if form is None:
        raise RefusedFileError(
            worded(
                "{name} is no bus recording: none of its first lines is a frame ({expected_line}).",
                name=delivery.name,
                expected_line=can_frames.EXPECTED_LINE,
            )
        )
    if form == can_frames.UNSTAMPED and delivery.started_at is None:
        raise RefusedFileError(
            worded(
                "{name} is a bus recording without time stamps: nothing in it says when it "
                "was made. Say when it began with `load --begun TIME`, or record with time "
                "stamps (candump -L).",
                name=delivery.name,
            )
        )
    if form in {"candump", can_frames.UNSTAMPED}:
        is_stamped = form != can_frames.UNSTAMPED
        frames = can_frames.read_candump(delivery.path, delivery.zone, is_stamped=is_stamped)
    else:
        frames = read_other(delivery, form)
    if frames.table.is_empty() and not frames.skipped.total():
        raise RefusedFileError(worded("{name} holds no frame of a bus.", name=delivery.name))
    return frames


# --- when ----------------------------------------------------------------------------------


def _on_wall_clock(frames: Frames, delivery: Delivery) -> tuple[pl.DataFrame, str]:
    """Shift a relative clock to its start; say where the start was taken from."""
    if not frames.is_relative:
        return frames.table, ""
    if delivery.started_at is not None:
        begin, note = delivery.started_at.timestamp(), "relative clock, begun as stated"
    else:
        begin = delivery.path.stat().st_mtime
        note = worded(
            "relative clock without a stated begin: the file's modification time was taken"
        )
    return frames.table.with_columns(pl.col("at") + begin), note


def _with_stretches(table: pl.DataFrame) -> pl.DataFrame:
    """Give each frame its stretch of traffic: a silence or a clock set back begins one."""
    step = pl.col("at").diff().abs().fill_null(0.0)
    return table.with_columns((step > SILENCE_S).cum_sum().cast(pl.Int64).alias("stretch"))


def _with_scans(table: pl.DataFrame, clears: list[Clear]) -> pl.DataFrame:
    """Give each frame its scan: a stretch, cut every hour and after each confirmed erasing."""
    since = pl.col("at") - pl.col("at").first().over("stretch")
    # frames of several buses may be slightly out of order: an hour once begun stays
    hour = (since // SCAN_AT_MOST_S).cast(pl.Int64).clip(0).cum_max().over("stretch")
    n_clears = _line_counter(_ends_of_bursts(clears))
    parts = table.with_columns(hour.alias("hour"), n_clears.alias("n_clears"))
    changed = pl.any_horizontal(
        pl.col(name) != pl.col(name).shift() for name in ("stretch", "hour", "n_clears")
    )
    return parts.with_columns(changed.fill_null(value=True).cum_sum().cast(pl.Int64).alias("scan"))


def _ends_of_bursts(clears: list[Clear]) -> list[int]:
    pairs = zip_longest(clears, clears[1:])
    return [one.line for one, after in pairs if after is None or after.at - one.at > CLEAR_BURST_S]


def _scan_of_line(table: pl.DataFrame) -> Callable[[int], int]:
    begins = table.group_by("scan", maintain_order=True).agg(pl.col("line").first())
    lines, scans = begins["line"].to_list(), begins["scan"].to_list()
    return lambda line: int(scans[bisect_right(lines, line) - 1])


def _line_counter(lines: list[int]) -> pl.Expr:
    """Count for each frame how many of the lines lie before it."""
    counter = pl.lit(0)
    for line in lines:
        counter = counter + (pl.col("line") > line).cast(pl.Int64)
    return counter


def _note(frames: Frames, readings: Readings, begin_note: str) -> str:
    """Describe what else the recording held, one sentence for each part."""
    counts = {"frames": frames.table.height, **frames.skipped, **readings.counts}
    counts["answers that break their standard"] = len(readings.broken)
    parts = [f"{n:,} {what}" for what, n in counts.items() if n]
    return "; ".join([", ".join(parts), *frames.notes, *([begin_note] if begin_note else [])])
