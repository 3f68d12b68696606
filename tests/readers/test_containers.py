"""Archives and mail: each file within is a delivery of its own; nothing leads outside."""

import gzip
import io
import tarfile
import zipfile
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path

import pytest

from afterclear.errors import RefusedFileError
from afterclear.load import Arrival, load_files
from afterclear.readers import limits
from afterclear.readers.containers import Unpacked, container_kind, unpacked
from afterclear.records import LoadResult
from afterclear.store.engine.database import open_store
from tests.readers.samples import IMPORTS, SCANS

NOON = datetime(2026, 11, 1, 12, tzinfo=UTC)


def open_up(folder: Path, name: str, raw: bytes) -> Unpacked:
    path = folder / name
    path.write_bytes(raw)
    kind = container_kind(path, name)
    assert kind is not None
    inside = folder / "inside"
    inside.mkdir(exist_ok=True)
    return unpacked(path, name, kind, inside)


def load(folder: Path, name: str, raw: bytes) -> list[LoadResult]:
    path = folder / name
    path.write_bytes(raw)
    with open_store(folder / "x.duckdb") as con:
        arrivals = [Arrival("test", path, name)]
        return list(load_files(con, folder / "archive", arrivals, lambda: NOON, IMPORTS))


def zipped(files: dict[str, bytes]) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, raw in files.items():
            packed.writestr(name, raw)
    return file.getvalue()


def tarred(files: dict[str, bytes], links: tuple[str, ...] = ()) -> bytes:
    file = io.BytesIO()
    with tarfile.open(fileobj=file, mode="w") as packed:
        for name, raw in files.items():
            entry = tarfile.TarInfo(name)
            entry.size = len(raw)
            packed.addfile(entry, io.BytesIO(raw))
        for name in links:
            entry = tarfile.TarInfo(name)
            entry.type, entry.linkname = tarfile.SYMTYPE, "/etc/hostname"
            packed.addfile(entry)
    return file.getvalue()


def mail(*attached: tuple[str, bytes, str], text: str = "Regards") -> bytes:
    made = EmailMessage()
    made["From"], made["To"], made["Subject"] = "a@site.example", "b@fleet.example", "Scans"
    made["Date"] = "Tue, 04 Mar 2025 10:00:00 +0100"
    made.set_content(text)
    for name, raw, kind in attached:
        main, _, sub = kind.partition("/")
        made.add_attachment(raw, maintype=main, subtype=sub, filename=name)
    return made.as_bytes()


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("a.zip", zipped({"north/scans.csv": SCANS.encode()})),
        ("a.tar", tarred({"north/scans.csv": SCANS.encode()})),
        ("a.tar.gz", gzip.compress(tarred({"north/scans.csv": SCANS.encode()}))),
        ("a.tgz", gzip.compress(tarred({"north/scans.csv": SCANS.encode()}))),
        ("scans.csv.gz", gzip.compress(SCANS.encode())),
        ("a.eml", mail(("scans.csv", SCANS.encode(), "text/csv"))),
        ("a.eml", mail(("a.zip", zipped({"scans.csv": SCANS.encode()}), "application/zip"))),
    ],
    ids=["zip", "tar", "tar.gz", "tgz", "gz", "mail", "zip in a mail"],
)
def test_what_is_within_is_loaded_under_its_own_name(name: str, raw: bytes, tmp_path: Path) -> None:
    results = load(tmp_path, name, raw)
    inner = [r for r in results if r.reader == "plain_table"]
    assert [(r.outcome, r.rows_stored) for r in inner] == [("stored", 3)]
    assert inner[0].file_name.startswith(f"{name}/")
    assert inner[0].file_name.endswith("scans.csv")
    assert [r.outcome for r in results] == ["stored"] * len(results)
    assert "1 files within" in results[-1].note


def test_an_archive_delivered_again_is_known_and_so_is_a_file_from_it(tmp_path: Path) -> None:
    raw = zipped({"scans.csv": SCANS.encode()})
    load(tmp_path, "a.zip", raw)
    assert [r.outcome for r in load(tmp_path, "again.zip", raw)] == ["known"]
    assert [r.outcome for r in load(tmp_path, "scans.csv", SCANS.encode())] == ["known"]


def test_one_bad_file_within_does_not_spoil_the_others(tmp_path: Path) -> None:
    raw = zipped({"a.bin": b"\x00\x01\x02" * 50, "scans.csv": SCANS.encode()})
    assert [r.outcome for r in load(tmp_path, "a.zip", raw)] == ["refused", "stored", "stored"]


@pytest.mark.parametrize(
    "name", ["../scans.csv", "/abs/scans.csv", "a/../../scans.csv", "C:\\x\\scans.csv", "..\\s.csv"]
)
@pytest.mark.parametrize("pack", [zipped, tarred])
def test_a_name_that_leads_outside_is_refused(name: str, pack: object, tmp_path: Path) -> None:
    raw = pack({name: SCANS.encode()})  # type: ignore[operator]
    with pytest.raises(RefusedFileError, match="outside"):
        open_up(tmp_path, "a.pack", raw)
    assert not list((tmp_path / "inside").iterdir())


def test_links_and_the_systems_own_files_are_passed_over_and_told(tmp_path: Path) -> None:
    made = open_up(tmp_path, "a.tar", tarred({"s.csv": b"x", "__MACOSX/s.csv": b"y"}, ("link",)))
    assert [m.name for m in made.members] == ["s.csv"]
    assert made.note == (
        "1 files within; 1 files of the operating system passed over; "
        "1 links or devices passed over"
    )


def test_members_are_never_written_under_their_names(tmp_path: Path) -> None:
    made = open_up(tmp_path, "a.zip", zipped({"deep/er/$(x).cs v": b"1", "b.CSV": b"2"}))
    assert [m.path.name for m in made.members] == ["1", "2.csv"]


def test_pictures_of_a_mail_are_passed_over(tmp_path: Path) -> None:
    raw = mail(("logo.png", b"\x89PNG", "image/png"), ("s.csv", SCANS.encode(), "text/csv"))
    made = open_up(tmp_path, "a.eml", raw)
    assert [m.name for m in made.members] == ["s.csv"]
    assert "1 pictures of the mail passed over" in made.note


def test_a_mail_without_attachment_gives_its_text(tmp_path: Path) -> None:
    made = open_up(tmp_path, "a.eml", mail(text="READING H-1\n Zürich\n"))
    assert [m.name for m in made.members] == ["text.txt"]
    assert "Zürich" in made.members[0].path.read_text(encoding="utf-8")
    sent = datetime(2025, 3, 4, 9, 0, tzinfo=UTC).timestamp()
    assert made.members[0].path.stat().st_mtime == sent


def test_a_protected_zip_is_refused(tmp_path: Path) -> None:
    raw = bytearray(zipped({"s.csv": b"x"}))
    raw[raw.index(b"PK\x03\x04") + 6] |= 1  # APPNOTE 4.4.4, bit 0: encrypted
    raw[raw.index(b"PK\x01\x02") + 8] |= 1
    with pytest.raises(RefusedFileError, match="password"):
        open_up(tmp_path, "a.zip", bytes(raw))


def test_what_is_packed_too_many_times_over_is_refused(tmp_path: Path) -> None:
    raw = SCANS.encode()
    for n in range(5):
        raw = zipped({f"{n}.zip" if n else "scans.csv": raw})
    results = load(tmp_path, "a.zip", raw)
    assert [r.outcome for r in results].count("refused") == 1
    assert "packed" in results[0].note


@pytest.mark.parametrize(("pack", "said"), [("zip", "4 files"), ("tar", "more than 3 files")])
def test_too_many_files_are_refused(
    pack: str, said: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A zip tells their number beforehand, a tar only as it is read."""
    monkeypatch.setattr(limits, "MAX_MEMBERS", 3)
    members = {f"{n}.csv": b"x" for n in range(4)}
    packed = {"zip": zipped, "tar": tarred}[pack](members)
    with pytest.raises(RefusedFileError, match=said):
        open_up(tmp_path, f"a.{pack}", packed)


@pytest.mark.parametrize("pack", ["zip", "tar", "gz", "mail"])
def test_a_cut_archive_is_refused_or_gives_what_is_whole(pack: str, tmp_path: Path) -> None:
    """At each byte of small ones: never a crash, never a file with other bytes than were packed."""
    whole = {
        "zip": zipped({"a.csv": SCANS.encode(), "b.csv": b"x" * 50}),
        "tar": tarred({"a.csv": SCANS.encode(), "b.csv": b"x" * 50}),
        "gz": gzip.compress(SCANS.encode()),
        "mail": mail(("a.csv", SCANS.encode(), "text/csv")),
    }[pack]
    name = {"mail": "a.eml"}.get(pack, f"a.{pack}")
    path, inside = tmp_path / name, tmp_path / "inside"
    inside.mkdir()
    for cut in range(0, len(whole), max(1, len(whole) // 150)):
        path.write_bytes(whole[:cut])
        kind = container_kind(path, name)
        if kind is None:
            continue
        try:
            made = unpacked(path, name, kind, inside)
        except RefusedFileError:
            continue
        if pack != "mail":  # a mail says nowhere how long it is
            contents = {SCANS.encode(), b"x" * 50}
            assert {m.path.read_bytes() for m in made.members} <= contents, cut
