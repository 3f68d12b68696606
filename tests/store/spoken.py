"""A vehicle that is spoken of in every form of file, and a search of every byte for its names."""

import gzip
import io
import json
import tarfile
import zipfile
from collections.abc import Iterator
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
from tests.readers.workbooks import xlsx

NOW = datetime(2026, 1, 1, 12, tzinfo=UTC)
NUMBER, VIN, PLATE = "T-014", "WTR00000000000014", "QÄ-7 714"
OWNER = "Quillonby"  # stands only in the vehicle's own notes
SPELLINGS = (NUMBER, VIN, VIN.lower(), PLATE, "QÄ-7714", "qä 7 714", OWNER)
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


def _rows_of(tag: str) -> list[dict[str, str]]:
    seen = _seen(tag)
    return [dict(zip(seen[0], seen[0], strict=True)), *seen]


def fleet(folder: Path, *, judged: bool, only: tuple[str, ...] = ()) -> App:
    """Deliver it all, or ``only`` some; ``judged``: and analyse it, and write digests."""
    inbox = folder / "inbox"
    inbox.mkdir()
    for name, content in deliveries().items():
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
            told += [raw, *_within(raw)]
        found += [f"{path.name}: {name}" for name in SPELLINGS if _is_in(name, told)]
    found += [place for place, text in _cells(app) if any(name in text for name in SPELLINGS)]
    return found


def _is_in(name: str, told: list[bytes]) -> bool:
    codecs = ("utf-8", "utf-16-le", "utf-16-be", "latin-1")
    escaped = json.dumps(name)[1:-1]
    return any(n.encode(c) in raw for raw in told for c in codecs for n in (name, escaped))


def _within(raw: bytes) -> Iterator[bytes]:
    """Unpack what is packed: zip, gzip, and the parts of workbooks and Parquet as text."""
    if zipfile.is_zipfile(io.BytesIO(raw)):
        with zipfile.ZipFile(io.BytesIO(raw)) as packed:
            for name in packed.namelist():
                yield name.encode()
                yield packed.read(name)
    elif raw.startswith(b"\x1f\x8b"):
        yield gzip.decompress(raw)
    elif raw.startswith(b"PAR1"):
        yield pl.read_parquet(io.BytesIO(raw)).write_csv().encode()


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
