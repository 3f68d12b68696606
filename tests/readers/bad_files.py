"""Files that break whoever reads them, made when they are asked for."""

import io
import json
import tarfile
import zipfile
from email.message import EmailMessage

import can
import xlsxwriter

from tests.readers.samples import SCANS

# name -> what the refusal says; None: it is read
BAD: dict[str, str | None] = {
    "corner.xlsx": "16,384 columns",
    "sparse.json": "hardly a name in common",
    "wide.json": "hardly a name in common",
    "bomb.blf": "times its size",
    "late.tar": None,
    "deep.eml": "nests without end",
    "deepish.eml": "more than 100 deep",
    "brackets.eml": "nests",
    "z." + "y" * 252: "no kind of file",
    "names.zip": None,
    "names.eml": None,
}


def workbook(*cells: tuple[int, int, str]) -> bytes:
    file = io.BytesIO()
    with xlsxwriter.Workbook(file) as book:
        sheet = book.add_worksheet()
        for row, column, text in cells:
            sheet.write_string(row, column, text)
    return file.getvalue()


def late_tar() -> bytes:
    file = io.BytesIO()
    with tarfile.open(fileobj=file, mode="w", format=tarfile.PAX_FORMAT) as packed:
        entry = tarfile.TarInfo("late.csv")
        entry.size, entry.mtime = len(SCANS), 1e300
        packed.addfile(entry, io.BytesIO(SCANS.encode()))
    return file.getvalue()


def blf_bomb() -> bytes:
    """Write the same frame 600,000 times, packed as tightly as can be."""
    file = io.BytesIO()
    with can.BLFWriter(file, compression_level=9) as writer:
        writer.max_container_size = 16 << 20
        writer.on_message_received(can.Message(timestamp=1.7e9, arbitration_id=1, data=b"0"))
        piece = b"".join(writer._buffer)  # noqa: SLF001 - an object as the form has it
        for _ in range(1 + 600_000 * len(piece) // writer.max_container_size):
            writer._buffer = [piece * (writer.max_container_size // len(piece))]  # noqa: SLF001
            writer._buffer_size = len(writer._buffer[0])  # noqa: SLF001
            writer._flush()  # noqa: SLF001
        file.close = lambda: None  # type: ignore[method-assign]
    return file.getvalue()


def nested_mail(depth: int) -> bytes:
    parts = "".join(
        f"Content-Type: multipart/mixed; boundary=b{n}\n\n--b{n}\n" for n in range(depth)
    )
    return f"From: a@site.example\n{parts}\nhello\n".encode()


def zipped(name: str, raw: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as packed:
        packed.writestr(name, raw)
    return file.getvalue()


def mail_of_odd_names() -> bytes:
    mail = EmailMessage()
    mail["From"] = "a@site.example"
    for name in ("x." + "y" * 250, "bell\x07.csv"):
        mail.add_attachment(SCANS.encode(), maintype="text", subtype="csv", filename=name)
    return mail.as_bytes()


def bad_files() -> dict[str, bytes]:
    """Make all of ``BAD``."""
    units = [{"unit": f"U{n}", f"k{n % 4900}": 1} for n in range(50_000)]
    wide = {**{f"k{n}": 1 for n in range(2000)}, "units": [{}] * 190_000}
    made = [
        workbook((0, 0, "unit"), (1_048_575, 16_383, "x")),
        json.dumps({"units": units}).encode(),
        json.dumps(wide).encode(),
        blf_bomb(),
        late_tar(),
        nested_mail(3000),
        nested_mail(150),
        b"From: a@x.example\nContent-Type: " + b"(" * 5000 + b"\n\nhi\n",
        b"no table at all",
        zipped("a." + "y" * 253, b"no table at all"),
        mail_of_odd_names(),
    ]
    return dict(zip(BAD, made, strict=True))
