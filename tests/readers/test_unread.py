"""A file that nothing reads is told apart as far as its bytes go, with what to do."""

from pathlib import Path

import pytest

from afterclear.errors import RefusedFileError
from afterclear.readers.registry import all_readers, identify
from afterclear.records import Delivery
from tests.readers.workbooks import xlsx

HEAD = "scan_id,vehicle_id,scanned_at,ecu,code\n"
ROW = "S1,V1,2026-01-02T10:00:00Z,engine,P0301\n"
WHY = [
    ("empty.csv", b"", "is empty"),
    ("blank.csv", b"\r\n\n  \n", "nothing but blanks"),
    ("marks.csv", b"\xef\xbb\xbf\r\n", "nothing but blanks"),
    ("list.pdf", b"%PDF-1.7\n\x00", "a damaged PDF"),
    ("list.csv", b"\xff\xd8\xff\xe0\x00", "a picture"),
    ("list.7z", b"7z\xbc\xaf\x27\x1c\x00", "pack it as zip"),
    ("list.parquet", b"PAR1\x00", "damaged"),
    ("list.xlsx", b"a list", "called a workbook, but is none"),
    ("semicolons.csv", (HEAD + ROW).replace(",", ";").encode(), "text with semicolons"),
    ("tabs.txt", (HEAD + ROW).replace(",", "\t").encode(), "text with tabs"),
    ("utf16.csv", (HEAD + ROW).encode("utf-16"), "another encoding"),
    (
        "typo.csv",
        (HEAD + ROW).replace("nned", "ned").encode(),
        "is 'scaned_at' meant for it?",
    ),
    ("lacking.csv", b"scan_id,vehicle_id,code\nS1,V1,P0301\n", "no column scanned_at"),
    ("miles.csv", b"repair_id,vehicle_id,odometer_mi\nR1,V1,9\n", "no column repaired_at"),
    ("list.csv", b"Fahrzeug;Datum\nV1;03.04.2026\n", "is no kind of file afterclear knows"),
    ("letter.txt", b"Dear all,\nsee the share.\n", "is no kind of file afterclear knows"),
]


@pytest.mark.parametrize(("name", "raw", "told"), WHY)
def test_what_keeps_a_file_from_being_read_is_said(
    tmp_path: Path, name: str, raw: bytes, told: str
) -> None:
    path = tmp_path / name
    path.write_bytes(raw)
    with pytest.raises(RefusedFileError) as refused:
        identify(Delivery("test", name, path, ""), all_readers())
    assert told in str(refused.value)
    assert str(refused.value).startswith(name)


def test_a_workbook_without_a_map_is_not_called_damaged(tmp_path: Path) -> None:
    path = tmp_path / "orders.xlsx"
    path.write_bytes(xlsx({"May": [["Vehicle", "Date"], ["V1", "2026-05-01"]]}))
    with pytest.raises(RefusedFileError, match="map-check"):
        identify(Delivery("test", "orders.xlsx", path, ""), all_readers())
