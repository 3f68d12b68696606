"""A vehicle that is spoken of in every form of file, and a search of every byte for its names."""

import email
import email.policy
import gzip
import io
import json
import re
import tarfile
import zipfile
import zlib
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from email.message import EmailMessage
from pathlib import Path

import polars as pl
import zstandard

from afterclear.commands.analysis.analysing import analyse
from afterclear.commands.app import App
from afterclear.commands.intake.loading import Whose, load_paths
from afterclear.commands.pages.write_digests import digest
from afterclear.config import Config
from afterclear.records import LoadResult
from afterclear.store.engine.database import open_store, query
from tests.readers.printed import paper, say
from tests.readers.workbooks import xlsx

NOW = datetime(2026, 1, 1, 12, tzinfo=UTC)
NUMBER, VIN, PLATE = "T-014", "WTR00000000000014", "QÄ-7 714"
OWNER = "Quillonby"  # stands only in the vehicle's own notes
PLATE_BEFORE = "ŠŽ-7714"  # its letters are other bytes in each codepage
SPELLINGS = (
    *(NUMBER, VIN, VIN.lower(), PLATE, "QÄ-7714", "qä 7 714", OWNER),
    *(PLATE_BEFORE, "ŠŽ 7714", "šž 77 14"),
)
# what texts come in: Unicode, and those codepages of Windows, Unix, Macs and DOS that have them
CODECS = (
    *("utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"),
    *("cp1250", "cp1252", "iso8859-2", "iso8859-15", "mac-latin2", "cp852"),
)
_SOUGHT_IN = (*(codec for codec in CODECS if codec not in ("utf-8-sig", "utf-16")), "latin-1")
OTHER = ("T-015", "WTR00000000000015", "QÄ-7 715")

VEHICLES = f"""vehicle_id,vin,plate,make,model
{NUMBER},{VIN},{PLATE},Tarrovane,Lumo
{OTHER[0]},{OTHER[1]},{OTHER[2]},Tarrovane,Lumo
"""
SCANS = "scan_id,vehicle_id,scanned_at,odometer_km,scan_scope,ecu,code,status\n" + "".join(
    f"S{v}{n},{v},2025-0{n + 1}-10T08:00:00Z,{1000 * n},full,engine,{'P0301' if n < 3 else ''},\n"
    for v in (NUMBER, OTHER[0])
    for n in range(6)
)
REPAIRS = f"""repair_id,vehicle_id,repaired_at,odometer_km,codes,action,notes
R1,{NUMBER},2025-03-20T08:00:00Z,2500,P0301,replace,{OWNER} waits
R2,{OTHER[0]},2025-03-20T08:00:00Z,2500,P0301,replace,unit out of qä 7714
"""
CLEARS = "".join(
    json.dumps({"vehicle_id": v, "cleared_at": "2025-03-20T09:00:00Z", "reason": why}) + "\n"
    for v, why in ((NUMBER, f"{OWNER} asked"), (OTHER[0], "after the work"))
)
SCAN_MAP = """
kind = "{kind}"
files = ["{files}"]
[[table]]
into = "scans"
[table.columns]
vehicle_id = "car"
scan_id = "no"
scanned_at = "at"
ecu = {{ value = "engine" }}
code = "fault"
"""


ROWS = {"json": "seen", "xml": "fleet.seen"}


def app_in(folder: Path) -> App:
    """Give the afterclear of a folder, with maps for files of its own."""
    imports = folder / "config" / "imports"
    imports.mkdir(parents=True, exist_ok=True)
    for name, kind, files in (
        ("text", "delimited", "*.list.csv"),
        ("json", "json", "*.json"),
        ("xml", "xml", "*.xml"),
        ("book", "workbook", "*.xlsx"),
    ):
        text = SCAN_MAP.format(kind=kind, files=files)
        if kind == "delimited":
            text = text.replace("[[table]]", 'delimiter = ";"\n[[table]]')
        if kind in ROWS:
            text = text.replace('into = "scans"', f'into = "scans"\nrows = "{ROWS[kind]}"')
        (imports / f"{name}.toml").write_text(text, encoding="utf-8")
    return App(Config(folder / "config"), folder / "fleet.duckdb", lambda: NOW)


def _seen(tag: str) -> list[dict[str, str]]:
    return [
        {"car": v, "no": f"{tag}{n}", "at": f"2025-0{n}-20T08:00:00", "fault": "P0420"}
        for n, v in enumerate((NUMBER, OTHER[0]), 1)
    ]


def _list(tag: str) -> str:
    return "no;car;at;fault\n" + "".join(
        f"{r['no']};{r['car']};{r['at']};{r['fault']}\n" for r in _seen(tag)
    )


def _xml(tag: str) -> str:
    rows = ["".join(f"<{k}>{v}</{k}>" for k, v in r.items()) for r in _seen(tag)]
    return f"<fleet>{''.join(f'<seen>{row}</seen>' for row in rows)}</fleet>"


def _zip(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in files.items():
            packed.writestr(zipfile.ZipInfo(name), content)
    return out.getvalue()


def _tar(files: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w") as packed:
        for name, content in files.items():
            member = tarfile.TarInfo(name)
            member.size = len(content)
            packed.addfile(member, io.BytesIO(content))
    return out.getvalue()


def _mail(files: dict[str, bytes]) -> bytes:
    mail = EmailMessage()
    mail["Subject"] = f"Scans of {PLATE}"
    mail["From"] = "desk@example.org"
    mail.set_content(f"{OWNER} brought {VIN}.")
    for name, content in files.items():
        mail.add_attachment(content, maintype="text", subtype="csv", filename=name)
    return mail.as_bytes()


def _parquet() -> bytes:
    out = io.BytesIO()
    frame = pl.read_csv(io.StringIO(SCANS), infer_schema=False)
    frame.with_columns(pl.col("scan_id") + "p").write_parquet(out)
    return out.getvalue()


def deliveries() -> dict[str, bytes]:
    """Give files of every form, each of which speaks of the vehicle and of another."""
    return {
        "1_vehicles.csv": VEHICLES.encode(),
        "2_scans.csv": SCANS.encode(),
        "2_again.csv": (SCANS + "\n").encode(),  # nothing but duplicates
        "3_repairs.csv": REPAIRS.encode(),
        "4_clears.jsonl": CLEARS.encode(),
        "5_p.parquet": _parquet(),
        "a_lines.json": json.dumps({"seen": _seen("JA")}).encode(),
        "b_pretty.json": json.dumps({"seen": _seen("JB")}, indent=2).encode(),
        "c_wide.list.csv": _list("LC").encode("utf-16"),
        "d_latin.list.csv": (_list("LD") + f"L9;{OTHER[0]};x;{PLATE}\n").encode("latin-1"),
        "e_plain.list.csv": _list("LE").encode(),
        "f_tree.xml": _xml("XF").encode(),
        "g_book.xlsx": xlsx({"seen": [list(row.values()) for row in _rows_of("BG")]}),
        "h_zip.zip": _zip({f"{NUMBER}.list.csv": _list("ZH").encode(), "b.csv": b"no;table\n"}),
        "i_gz.list.csv.gz": gzip.compress(_list("GI").encode(), mtime=0),
        "j_tar.tar": _tar({"x.list.csv": _list("TJ").encode()}),
        "k_mail.eml": _mail({"m.list.csv": _list("MK").encode()}),
        "l_broken.zip": _zip({"a.csv": VEHICLES.encode()})[:-20],
        "m_refused.csv": f"a,b\n1,{VIN.lower()}\n".encode(),
        f"n_{NUMBER}.list.csv": _list("NN").encode(),
        "o_others.list.csv": _list("OO").replace(NUMBER, OTHER[0]).encode(),
    }


def mentions() -> dict[str, bytes]:
    """Give files about another vehicle, or about none, that hide a name of this one."""
    own = f"no;car;at;fault\nM0;{OTHER[0]};2025-06-20T08:00:00;P0420\n"
    quoting = own + f"M1;{OTHER[0]};unit of šž 77 14;\n"  # refused: that is no time
    mail = EmailMessage()
    mail["Subject"] = f"Unit of {PLATE_BEFORE}"  # an encoded word (RFC 2047)
    mail.set_content(f"It came out of {VIN}, and {OWNER} wants it back: ŠŽ 7714.", cte="base64")
    mail.add_attachment(own.encode(), maintype="text", subtype="csv", filename="q.list.csv")
    printed = paper()
    say(printed, "Invoice", f"Vehicle {NUMBER}", f"VIN {VIN}", f"for {OWNER}")
    report = bytes(printed.output())
    book = xlsx({"seen": [["car", "no", "at", "fault"], [OTHER[0], "B", "x", VIN]]})
    return {
        "0_before.csv": f"vehicle_id,plate,site\n{NUMBER},{PLATE_BEFORE},North\n".encode(),
        "1_vehicles.csv": VEHICLES.encode(),
        **{f"said_{codec}.list.csv": quoting.encode(codec) for codec in CODECS},
        "mail.eml": mail.as_bytes(),
        "printed.pdf": report,
        "packed.zip": _zip({"printed.pdf": report, "a.zip": _zip({"b.xlsx": book})}),
        "packed.tar": _tar({"b.xlsx.gz": gzip.compress(book, mtime=0)}),
    }


def _rows_of(tag: str) -> list[dict[str, str]]:
    seen = _seen(tag)
    return [dict(zip(seen[0], seen[0], strict=True)), *seen]


def fleet(
    folder: Path,
    *,
    judged: bool,
    only: tuple[str, ...] = (),
    files: Callable[[], dict[str, bytes]] = deliveries,
) -> App:
    """Deliver it all, or ``only`` some; ``judged``: and analyse it, and write digests."""
    inbox = folder / "inbox"
    inbox.mkdir()
    for name, content in files().items():
        if not only or name in only:
            (inbox / name).write_bytes(content)
    app = app_in(folder)
    load_inbox(app)
    if judged:
        analyse(app)
        digest(app)
    return app


def load_inbox(app: App) -> list[LoadResult]:
    """Deliver every file of the inbox."""
    report = load_paths(app, [app.store.parent / "inbox"], Whose(), lambda _: None)
    return list(report.results)


def places_with_names(app: App) -> list[str]:
    """Search every byte beside the inbox, packed or not, and every cell of the store."""
    found = []
    for path in sorted(app.store.parent.rglob("*")):
        if path.is_dir() or "inbox" in path.parts:
            continue
        raw = path.read_bytes()
        told = [path.name.encode(), raw]
        if path.suffix == ".zst":
            raw = zstandard.ZstdDecompressor().decompressobj().decompress(raw)
            told.append(raw)
        found += [f"{path.name}: {name}" for name in names_in(*told, *_within(raw))]
    found += [place for place, text in _cells(app) if any(name in text for name in SPELLINGS)]
    return found


def names_in(*told: bytes) -> list[str]:
    """Give the spellings of the vehicle's names that stand in some bytes, in any encoding."""
    return [name for name in SPELLINGS if _is_in(name, told)]


def _is_in(name: str, told: tuple[bytes, ...]) -> bool:
    written = (name, json.dumps(name)[1:-1], name.encode("ascii", "xmlcharrefreplace").decode())
    forms = {n.encode(c, "ignore") for c in _SOUGHT_IN for n in written if _has(c, n)}
    return any(form in raw for raw in told for form in forms)


def _has(codec: str, name: str) -> bool:
    try:
        name.encode(codec)
    except UnicodeEncodeError:
        return False
    return True


def _within(raw: bytes) -> Iterator[bytes]:
    """Unpack what is packed, and what is packed in it: archives, workbooks, mail, PDF, Parquet."""
    for inner in _members(raw):
        yield inner
        yield from _within(inner)


def _members(raw: bytes) -> Iterator[bytes]:
    if zipfile.is_zipfile(io.BytesIO(raw)):
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            for name in packed.namelist():
                yield name.encode()
                yield packed.read(name)
    elif raw.startswith(b"\x1f\x8b"):
        yield gzip.decompress(raw)
    elif raw.startswith(b"PAR1"):
        yield pl.read_parquet(io.BytesIO(raw)).write_csv().encode()
    elif raw.startswith(b"%PDF"):  # its streams (ISO 32000-1, 7.3.8); letters stand there as text
        yield from map(
            zlib.decompress, re.findall(rb"stream\r?\n(x.*?)\r?\nendstream", raw, re.DOTALL)
        )
    elif raw[257:262] == b"ustar":
        with tarfile.open(fileobj=io.BytesIO(raw)) as tar:
            yield from (file.read() for m in tar if (file := tar.extractfile(m)) is not None)
    elif raw[:9].lower() in (b"subject: ", b"mime-vers"):
        mail = email.message_from_bytes(raw, policy=email.policy.default)
        yield str(mail["Subject"]).encode()
        for part in mail.walk():
            if isinstance(content := part.get_payload(decode=True), bytes):
                yield content


def _cells(app: App) -> Iterator[tuple[str, str]]:
    with open_store(app.store, read_only=True) as con:
        columns = query(
            con,
            """SELECT table_name, column_name FROM duckdb_columns() JOIN duckdb_tables()
                   USING (database_name, schema_name, table_name)
               WHERE database_name = 'store' ORDER BY ALL""",
        ).rows()
        for table, column in columns:
            cells = query(con, f'SELECT DISTINCT "{column}"::VARCHAR AS c FROM store."{table}"')
            yield f"{table}.{column}", "\n".join(cells["c"].drop_nulls())
