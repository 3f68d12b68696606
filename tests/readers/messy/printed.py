"""PDFs: scan reports and invoices as they are printed."""

import struct
import zlib
from collections.abc import Iterator

from tests.readers.messy.delimited import ALL
from tests.readers.messy.files import VIN, Messy, repairs, scans
from tests.readers.printed import bare, paper, raw, ruled, say


def papers() -> Iterator[Messy]:
    """List them."""
    made = paper("Diagnosebericht", "Seite {}")
    say(made, f"VIN: {VIN(1)}   Kilometerstand: 83.120", "Datum: 13.02.2026 14:05", "")
    ruled(
        made,
        [
            ("Steuergerät", "Fehlercode", "Beschreibung", "Status"),
            (
                "Motor",
                "P0301",
                "Zylinder 1: Verbrennungsaussetzer erkannt, siehe auch die Hinweise zu Spulen",
                "gespeichert",
            ),
            ("ABS", "C0035", "Raddrehzahlsensor vorne links", "sporadisch"),
            ("Airbag", "kein Fehler", "", ""),
        ],
        (20, 20, 50, 20),
    )
    yield Messy(
        "diagnose.pdf",
        "de",
        "PDF: facts above a ruled table, a cell in two lines, a clean unit",
        raw(made),
        scans(
            ("V-01", "2026-02-13T14:05", 83120, "Motor", "P0301", "stored"),
            ("V-01", "2026-02-13T14:05", 83120, "ABS", "C0035", "stored"),
            ("V-01", "2026-02-13T14:05", 83120, "Airbag", None, None),
        ),
    )
    yield _pages()
    yield _bare()
    yield _invoice()
    yield _scanned()


def _pages() -> Messy:
    made = paper("Fleet fault list", "Page {} of 3")
    made.ln(4)
    lines = [
        (f"V-0{n % 6 + 1}", f"2026-03-{n // 6 + 1:02d}", str(50000 + 100 * n), f"P03{n:02d}")
        for n in range(1, 81)
    ]
    ruled(made, [("Vehicle", "Date", "Odometer km", "Code"), *lines], (20, 20, 20, 20))
    return Messy(
        "fleet_list.pdf",
        "en",
        "PDF: three pages, head, foot and headings again on each",
        raw(made),
        scans(*((v, f"{day}T00:00", float(km), ALL, code) for v, day, km, code in lines)),
    )


def _bare() -> Messy:
    made = paper()
    say(made, "Rapport de lecture", "Immatriculation : AA-103-BB", "Date : 13/02/2026")
    say(made, "Km : 91200", "")
    rows = [
        ("Calculateur", "Code défaut", "Libellé", "Etat"),
        ("Moteur", "P0420", "Catalyseur : rendement\nsous le seuil", "présent"),
        ("Freins", "C0040", "Capteur de roue", "mémorisé"),
    ]
    bare(made, rows, (10, 50, 80, 150))
    return Messy(
        "lecture.pdf",
        "fr",
        "PDF: no lines drawn, a cell in two lines",
        raw(made),
        scans(
            ("V-03", "2026-02-13T00:00", 91200, "Moteur", "P0420", "confirmed"),
            ("V-03", "2026-02-13T00:00", 91200, "Freins", "C0040", "stored"),
        ),
    )


def _invoice() -> Messy:
    made = paper("Factura de taller")
    say(made, "Factura: F-2026-118", "Matrícula: 1104 BCD", "Fecha: 14/03/2026", "Km: 98000", "")
    rows = [
        ("Trabajo realizado", "Cantidad", "Importe"),
        ("Sustituir sensor de oxígeno", "1", "120,50"),
        ("Sustituir bobina de encendido", "1", "45,00"),
    ]
    bare(made, rows, (10, 110, 150))
    return Messy(
        "factura.pdf",
        "es",
        "PDF: an invoice, its facts above",
        raw(made),
        repairs(
            ("V-04", "2026-03-14T00:00", 98000, "Sustituir sensor de oxígeno"),
            ("V-04", "2026-03-14T00:00", 98000, "Sustituir bobina de encendido"),
        ),
    )


def _scanned() -> Messy:
    made = paper()
    with made.local_context(text_mode="INVISIBLE"):
        say(made, "Pojazd V-05", "P03O1")
    made.image(picture(), x=10, y=10, w=150)
    return Messy(
        "skan.pdf", "pl", "PDF: a scanned page, its text recognised", raw(made), (), is_nothing=True
    )


def picture() -> bytes:
    """Give a grey PNG of eight by eight pixels."""

    def part(name: bytes, data: bytes) -> bytes:
        sums = zlib.crc32(name + data)
        return struct.pack(">I", len(data)) + name + data + struct.pack(">I", sums)

    pixels = b"".join(b"\0" + bytes([128] * 8) for _ in range(8))
    head = struct.pack(">IIBBBBB", 8, 8, 8, 0, 0, 0, 0)
    packed = part(b"IDAT", zlib.compress(pixels))
    return b"\x89PNG\r\n\x1a\n" + part(b"IHDR", head) + packed + part(b"IEND", b"")
