"""Lines of a bus recording that are frames, other frames, or none."""

from pathlib import Path

import pytest

from afterclear.errors import RefusedFileError
from afterclear.readers.bus.can_log import CanLogReader
from tests.readers.bus import codes, delivery, read, rows

# --- lines that are no frames -------------------------------------------------------------


def test_a_bad_line_is_refused_with_its_number_and_the_rest_is_read(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    frame = "(0.5) can0 18FECA00#04FF64000401FFFF"
    bad = ["", "(1.0) can0 18FECA00#04FF6400040", "nonsense", "(2.0) can0 3FFFFFFF1#00"]
    log.write_text("\n".join([frame, *bad, frame]), encoding="ascii")
    made = read(log)
    assert [(r.line, r.value) for r in made.rejections] == list(
        zip((3, 4, 5), bad[1:], strict=True)
    )
    assert all("at most 8 data bytes" in r.expected for r in made.rejections)
    assert codes(made) == {("SA 0 engine", "SPN 100 FMI 4")}


def test_a_length_that_does_not_fit_the_bytes_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    line = " (0.5)  can0  18FECA00   [{}]  04 FF 64 00 04 01 FF FF"
    log.write_text(line.format(8) + "\n" + line.format(7) + "\n", encoding="ascii")
    assert [r.line for r in read(log).rejections] == [2]


def test_frames_of_other_kinds_are_counted_not_refused(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    lines = [
        "(0.1) can0 18FECA00#04FF64000401FFFF",
        "(0.2) can0 123#R",
        "(0.3) can0 18FECA00##1" + "00" * 12,
        "(0.4) can0 20000004#0000000000000000",
        " (0.5)  can0  123   [0]  remote request",
        " (0.6)  can0  123  [12]  00 00 00 00 00 00 00 00 00 00 00 00",
    ]
    log.write_text("\n".join(lines), encoding="ascii")
    made = read(log)
    assert made.rejections == ()
    assert "1 error frames" in made.note
    assert "2 remote frames" in made.note
    assert "3 frames" in made.note


def test_windows_line_ends_direction_marks_and_ascii_columns_are_read(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    lines = [
        "(0.1) can0 18FECA00#04FF64000401FFFF R",
        " (0.2)  can0  RX - -  18FECA00   [8]  04 FF 64 00 04 01 FF FF   '..d.....'",
    ]
    log.write_bytes("\r\n".join(lines).encode() + b"\r\n")
    made = read(log)
    assert (made.rejections, codes(made)) == ((), {("SA 0 engine", "SPN 100 FMI 4")})


def test_steps_between_frames_are_added_up(tmp_path: Path) -> None:
    """The form -td of candump writes the time since the frame before."""
    log = tmp_path / "a.log"
    steps = [0.0, *[0.9, 0.1] * 100, 90.0, *[0.1, 0.9] * 100]
    frame = "can0  18FECA00   [8]  00 FF 00 00 00 00 FF FF"
    log.write_text("".join(f" ({s:010.6f})  {frame}\n" for s in steps), encoding="ascii")
    made = read(log)
    assert "steps between frames" in made.note
    assert [row["scanned_at"][11:19] for row in rows(made, "scans")] == ["12:00:00", "12:03:10"]


UNSTAMPED = "  can0  18FECA00   [8]  04 FF 64 00 04 01 FF FF\n"


def test_a_recording_without_time_stamps_is_read_where_its_begin_is_told(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    log.write_text(UNSTAMPED * 2 + "nonsense\n", encoding="ascii")
    made = read(log)
    (row,) = rows(made, "scans")
    assert (row["code"], row["scanned_at"]) == ("SPN 100 FMI 4", "2024-05-01T12:00:00.001+00:00")
    assert "no time stamps" in made.note
    assert [(r.line, r.value) for r in made.rejections] == [(3, "nonsense")]


def test_a_recording_without_time_stamps_and_begin_is_refused_with_the_way_out(
    tmp_path: Path,
) -> None:
    log = tmp_path / "a.log"
    log.write_text(UNSTAMPED * 2, encoding="ascii")
    with pytest.raises(RefusedFileError, match=r"without time stamps.*--begun"):
        read(log, started_at=None)


def test_without_time_stamps_no_stretch_counts_as_short(tmp_path: Path) -> None:
    """A message that came once is believed in under two seconds only: nobody knows how long."""
    log = tmp_path / "a.log"
    log.write_text(UNSTAMPED, encoding="ascii")
    assert rows(read(log), "scans") == []


def test_a_line_with_a_time_among_lines_without_one_is_refused(tmp_path: Path) -> None:
    log = tmp_path / "a.log"
    late = "(1714564800.0) can0 18FECA00#04FF64000401FFFF"
    log.write_text(UNSTAMPED * 200 + late + "\n", encoding="ascii")
    assert [(r.line, r.value) for r in read(log).rejections] == [(201, late)]


@pytest.mark.parametrize("text", ["", "\n\n", "time;code\n1;P0301\n", "(now) can0 123#00\n"])
def test_a_file_without_a_frame_is_not_ours(tmp_path: Path, text: str) -> None:
    log = tmp_path / "a.log"
    log.write_text(text, encoding="ascii")
    assert not CanLogReader().identify(delivery(log))
    with pytest.raises(RefusedFileError, match="no bus recording"):
        read(log)
