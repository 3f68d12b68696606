"""Broken files: seeds of every kind a reader knows, bent as files break and people attack."""

import csv
import gzip
import io
import json
import random
import tarfile
import tempfile
import zipfile
from collections.abc import Callable
from email.message import EmailMessage
from pathlib import Path

import can

from afterclear.config import shipped
from tests.readers.bus import DM1, one_code
from tests.readers.printed import paper, raw, ruled, say
from tests.readers.workbooks import ods, orders, xls, xlsx
from tests.store.care_fixture import CORRECTED, REPAIRS, VEHICLES, WITH_REFUSED, scans

_MOST_BYTES = 20_000  # of a seed: small files break in the same ways as large ones
_READER_DATA = Path(__file__).parents[1] / "readers" / "data"

_NASTY = [
    b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b"\r", b"\n\n\n", b'"', b'""', b"'", b",", b";", b"\t",
    b"=1+1", b"@SUM(A1)", b"\x1b[31m", b"%s%n", b"../../etc/passwd", b"'; DROP TABLE scans; --",
    b"<script>alert(1)</script>", b"9" * 400, b"-1e999", b"NaN", b"inf", b"1e-400", b"0x7fffffff",
    b"2025-02-30", b"9999-12-31T23:59:60Z", b"0000-00-00", b"\xe2\x80\xae", b"\xf0\x9f\x9a\x97",
    b"\xc3", b"{", b"}", b"[" * 500, b'{"a":' * 200, b"null", b"true", b"\\u0000", b"\x1a",
]  # fmt: skip


def seeds() -> list[tuple[str, bytes]]:
    """(name, bytes) of whole files, at least one of each kind the readers know."""
    found = [
        ("vehicles.csv", VEHICLES.encode()),
        ("scans.csv", scans().encode()),
        ("repairs.csv", REPAIRS.encode()),
        ("corrected.csv", CORRECTED.encode()),
        ("refused.csv", WITH_REFUSED.encode()),
        ("scans.jsonl", _as_jsonl(scans())),
        ("packed.zip", _as_zip("scans.csv", scans())),
        *_foreign(),
    ]
    for folder in (shipped("sample_data"), _READER_DATA):
        for path in sorted(folder.rglob("*")):
            if path.is_file() and path.suffix not in {".md", ".py", ".pyc"}:
                content = path.read_bytes()
                if path.suffix in {".csv", ".jsonl", ".log", ".txt", ".asc", ".trc"}:
                    content = _first_lines(content)
                if len(content) <= 20 * _MOST_BYTES:
                    found.append((path.name, content))
    return found


def mutated(chance: random.Random, known: list[tuple[str, bytes]]) -> tuple[str, bytes]:
    """Give one broken file; one in twenty is left whole, or is a whole one under a wrong name.

    Every ending comes as often as any other, however many files have it.
    """
    ending = chance.choice(sorted({Path(name).suffix for name, _ in known}))
    name, content = chance.choice([each for each in known if each[0].endswith(ending)])
    if chance.random() < 0.05:
        return chance.choice(known)[0] if chance.random() < 0.5 else name, content
    broken = bytearray(content)
    for _ in range(chance.choice((1, 1, 1, 2, 3, 8))):
        broken = chance.choice(_WAYS)(chance, broken, known)
    return name, bytes(broken)


def _foreign() -> list[tuple[str, bytes]]:
    """Workbooks, recordings in other forms than text, archives and a mail."""
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w") as archive:
        entry = tarfile.TarInfo("scans.csv")
        entry.size = len(scans())
        archive.addfile(entry, io.BytesIO(scans().encode()))
    mail = EmailMessage()
    mail["From"], mail["Subject"], mail["Date"] = (
        "a@site.example",
        "Scans",
        "4 Mar 2025 10:00 +0100",
    )
    mail.set_content("Regards")
    mail.add_attachment(scans().encode(), maintype="text", subtype="csv", filename="scans.csv")
    return [
        ("orders_2025.xlsx", xlsx(orders())),
        ("orders_2025.ods", ods(orders())),
        ("orders_2025.xls", xls(orders())),
        *((f"bus{ending}", _recorded(ending)) for ending in (".blf", ".asc", ".trc")),
        ("scans.tar", packed.getvalue()),
        ("scans.csv.gz", gzip.compress(scans().encode())),
        ("scans.eml", mail.as_bytes()),
        *_printed(),
    ]


def _printed() -> list[tuple[str, bytes]]:
    """PDFs of a table and of lines, packed and plain: what is packed breaks in other ways."""
    found = []
    for is_packed in (True, False):
        table, lines = paper("Report", "Page {}"), paper()
        for each in (table, lines):
            each.set_compression(is_packed)
            say(each, "Vehicle: V1", "Date: 2025-03-04 10:00")
        rows = [("Unit", "Code", "Text"), *((f"Unit {n}", f"P03{n:02d}", "a") for n in range(20))]
        ruled(table, rows, (20, 20, 40))
        say(lines, "[Engine]", "P0301 stored", "[ABS]", "C0035 pending")
        found += [("table.pdf", raw(table)), ("lines.pdf", raw(lines))]
    return found


def _recorded(ending: str) -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"bus{ending}"
        with can.Logger(path) as recorder:
            for n in range(50):
                data = one_code(100, 4)
                recorder(can.Message(timestamp=1.7e9 + n, arbitration_id=DM1, data=data))
        return path.read_bytes()


def _place(chance: random.Random, raw: bytearray) -> int:
    return chance.randrange(len(raw) + 1)


def _flip(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    for _ in range(chance.choice((1, 4, 32))):
        if raw:
            raw[chance.randrange(len(raw))] ^= 1 << chance.randrange(8)
    return raw


def _cut(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    return raw[: _place(chance, raw)]


def _behead(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    return raw[min(_place(chance, raw), chance.randrange(1, 200)) :]


def _insert(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    at = _place(chance, raw)
    return raw[:at] + chance.choice(_NASTY) + raw[at:]


def _replace_cell(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    pieces = bytes(raw).split(b",")
    pieces[chance.randrange(len(pieces))] = chance.choice(_NASTY)
    return bytearray(b",".join(pieces))


def _double(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    begin, end = sorted((_place(chance, raw), _place(chance, raw)))
    return raw[:end] + raw[begin : min(end, begin + 2000)] + raw[end:]


def _drop(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    begin = _place(chance, raw)
    return raw[:begin] + raw[begin + chance.randrange(1, 300) :]


def _splice(chance: random.Random, raw: bytearray, known: object) -> bytearray:
    _, other = chance.choice(known)  # type: ignore[call-overload]
    return raw[: _place(chance, raw)] + other[chance.randrange(len(other) + 1) :]


def _shuffle_lines(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    lines = bytes(raw).splitlines(keepends=True)
    chance.shuffle(lines)
    return bytearray(b"".join(lines))


def _line_ends(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    return bytearray(bytes(raw).replace(b"\n", chance.choice((b"\r\n", b"\r", b"\n\r"))))


def _encode(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    text = bytes(raw).decode("utf-8", errors="replace")
    return bytearray(text.encode(chance.choice(("utf-16", "utf-32", "utf-7")), errors="replace"))


def _swell(chance: random.Random, raw: bytearray, _: object) -> bytearray:
    at = _place(chance, raw)
    return raw[:at] + chance.choice(_NASTY) * chance.choice((50, 5000)) + raw[at:]


_WAYS: tuple[Callable[[random.Random, bytearray, object], bytearray], ...] = (
    _flip, _cut, _behead, _insert, _replace_cell, _double, _drop, _splice, _shuffle_lines,
    _line_ends, _encode, _swell,
)  # fmt: skip


def _first_lines(content: bytes) -> bytes:
    return content[: content.rfind(b"\n", 0, _MOST_BYTES) + 1] or content[:_MOST_BYTES]


def _as_jsonl(text: str) -> bytes:
    rows = csv.DictReader(io.StringIO(text))
    return "".join(json.dumps({k: v for k, v in r.items() if v}) + "\n" for r in rows).encode()


def _as_zip(name: str, text: str) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(name, text)
    return out.getvalue()
