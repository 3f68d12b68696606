"""Exports in which a plain reading would be wrong."""

from collections.abc import Iterator

from tests.readers.messy.delimited import ALL
from tests.readers.messy.files import VIN, Messy, repairs, scans, sheet, text


def columns() -> Iterator[Messy]:
    """Columns that are easily taken for others."""
    many = [
        [
            "Fahrgestellnummer",
            "Erstzulassung",
            "Auslesedatum",
            "Laufleistung",
            "Steuergerät",
            "Fehlercode",
            "Häufigkeit",
        ],
        [VIN(1), "01.07.2019", "13.02.2026", "123.456", "Motor", "P0301", "3"],
        [VIN(2), "15.03.2020", "14.02.2026", "98.020", "Motor", "P0420", "1"],
    ]
    yield Messy(
        "erstzulassung.csv",
        "de",
        "another date beside that of the reading",
        sheet(many),
        scans(
            ("V-01", "2026-02-13T00:00", 123456, "Motor", "P0301", 3),
            ("V-02", "2026-02-14T00:00", 98020, "Motor", "P0420", 1),
            names="vehicle_id scanned_at odometer_km ecu code occurrences",
        ),
    )
    text_code = [
        ["Vehículo", "Fecha", "Km", "Código - descripción"],
        ["V-04", "14/03/2026", "98000", "P0301 - Fallo de encendido cilindro 1"],
        ["V-05", "15/03/2026", "99000", "P0420 - Eficiencia del catalizador"],
    ]
    yield Messy(
        "con_texto.csv",
        "es",
        "code and text in one cell",
        sheet(text_code),
        scans(
            ("V-04", "2026-03-14T00:00", 98000, "P0301", "Fallo de encendido cilindro 1"),
            ("V-05", "2026-03-15T00:00", 99000, "P0420", "Eficiencia del catalizador"),
            names="vehicle_id scanned_at odometer_km code description",
        ),
    )
    flags = [
        ["Pojazd", "Data odczytu", "Przebieg", "Sterownik", "Kod błędu", "Aktywny"],
        ["V-05", "13.02.2026", "91 200", "silnik", "P0301", "tak"],
        ["V-05", "13.02.2026", "91 200", "silnik", "P0420", "nie"],
    ]
    yield Messy(
        "aktywne.csv",
        "pl",
        "a column that says yes or no to active",
        sheet(flags),
        scans(
            ("V-05", "2026-02-13T00:00", 91200, "silnik", "P0301", "confirmed"),
            ("V-05", "2026-02-13T00:00", 91200, "silnik", "P0420", "stored"),
        ),
    )
    both = [
        ["Unit", "Reg", "When", "Odo (km)", "System", "Fault"],
        ["V-01", "NH-AB 101", "2026-03-14 10:00", "83,120", "Engine", "P0301"],
        ["V-06", "AB12 CDE", "2026-03-15 11:00", "51,650", "Brakes", "C0035"],
    ]
    yield Messy(
        "units_and_systems.csv",
        "en",
        "Unit is the vehicle, System the control unit",
        sheet(both, ","),
        scans(
            ("V-01", "2026-03-14T10:00", 83120, "Engine", "P0301"),
            ("V-06", "2026-03-15T11:00", 51650, "Brakes", "C0035"),
        ),
    )
    codes = [
        [
            "Order",
            "Vehicle",
            "Done on",
            "Odometer km",
            "Codes",
            "Description of work",
            "Parts",
            "Labour",
        ],
        [
            "W-1",
            "V-01",
            "2026-03-14",
            "83120",
            "P0301 P0302",
            "Coils 1 and 2 replaced",
            "180.50",
            "90.00",
        ],
        ["W-2", "V-02", "2026-03-15", "51650", "", "Brake pads front", "75.00", "60.00"],
    ]
    yield Messy(
        "orders_with_codes.csv",
        "en",
        "work orders that name codes",
        sheet(codes, ","),
        repairs(
            ("V-01", "2026-03-14T00:00", 83120, "P0301 P0302", "Coils 1 and 2 replaced", 180.5),
            ("V-02", "2026-03-15T00:00", 51650, None, "Brake pads front", 75),
            names="vehicle_id repaired_at odometer_km codes notes part_cost",
        ),
    )
    slots = [
        ["Véhicule", "Date", "Km", "Défaut 1", "État 1", "Défaut 2", "État 2"],
        ["V-03", "13/02/2026", "91 200", "P0301", "mémorisé", "P0420", "en attente"],
        ["V-01", "14/02/2026", "71 200", "C0035", "présent", "", ""],
    ]
    yield Messy(
        "cases.csv",
        "fr",
        "codes side by side, a status beside each",
        sheet(slots),
        scans(
            ("V-03", "2026-02-13T00:00", 91200, ALL, "P0301", "stored"),
            ("V-03", "2026-02-13T00:00", 91200, ALL, "P0420", "pending"),
            ("V-01", "2026-02-14T00:00", 71200, ALL, "C0035", "confirmed"),
        ),
    )


def notations() -> Iterator[Messy]:
    """Numbers and times that can be read in two ways."""
    swiss = [
        ["Fahrzeug", "Datum", "km-Stand", "Fehlercode"],
        ["V-01", "13.02.26", "123'456", "P0301"],
        ["V-02", "14.02.26", "98'020", "P0302"],
    ]
    yield Messy(
        "apostroph.csv",
        "de",
        "apostrophes part thousands, years of two digits",
        sheet(swiss),
        scans(
            ("V-01", "2026-02-13T00:00", 123456, ALL, "P0301"),
            ("V-02", "2026-02-14T00:00", 98020, ALL, "P0302"),
        ),
    )
    odd = [
        ["Vehicle", "Date", "Engine hours", "Code"],
        ["V-01", "2026-03-14", "1.250", "P0301"],
        ["V-02", "2026-03-15", "2.375", "P0302"],
    ]
    yield Messy(
        "hours.csv",
        "en",
        "hours with three digits behind the dot",
        sheet(odd, ","),
        scans(
            ("V-01", "2026-03-14T00:00", 1250, "P0301"),
            ("V-02", "2026-03-15T00:00", 2375, "P0302"),
            names="vehicle_id scanned_at engine_hours code",
        ),
        answers={"decimal-mark": "comma"},
    )
    clocks = [
        ["Vehicle", "Date", "Time", "Odometer km", "Code"],
        ["V-01", "25/12/2026", "9:05 PM", "83120", "P0301"],
        ["V-02", "26/10/2026", "12:15 AM", "51650", "P0302"],
    ]
    yield Messy(
        "half_days.csv",
        "en",
        "a clock of twelve hours in its own column, day first",
        sheet(clocks, ","),
        scans(("V-02", "2026-10-26T00:15", 51650, ALL, "P0302")),
        refused=1,
    )
    serial = [
        ["Véhicule", "Date de lecture", "Km", "Code défaut"],
        ["V-03", "46066", "91200", "P0301"],
        ["V-01", "46067", "71200", "P0302"],
    ]
    yield Messy(
        "numeros.csv",
        "fr",
        "day numbers of a spreadsheet",
        sheet(serial),
        scans(
            ("V-03", "2026-02-13T00:00", 91200, ALL, "P0301"),
            ("V-01", "2026-02-14T00:00", 71200, ALL, "P0302"),
        ),
    )
    week = [
        ["Fahrzeug", "Zeitpunkt", "km", "Fehlercode"],
        ["V-01", "Fr., 13.02.2026 14:05 Uhr", "123.456", "P0301"],
        ["V-02", "Sa., 14.02.2026 8:15 Uhr", "98.020", "P0302"],
    ]
    yield Messy(
        "wochentag.csv",
        "de",
        "weekday before, Uhr behind",
        sheet(week),
        scans(
            ("V-01", "2026-02-13T14:05", 123456, ALL, "P0301"),
            ("V-02", "2026-02-14T08:15", 98020, ALL, "P0302"),
        ),
    )
    lines = [
        "Export 28/11/2026 10:00",
        "",
        "Vehicle|Date|Odometer km|Code",
        "V-01|2026-03-14|83120|P0301",
        "V-02|2026-03-15|51650|C0035-11",
    ]
    yield Messy(
        "bars.txt",
        "en",
        "bars between cells, a title above",
        text(lines),
        scans(
            ("V-01", "2026-03-14T00:00", 83120, ALL, "P0301"),
            ("V-02", "2026-03-15T00:00", 51650, ALL, "C0035-11"),
        ),
    )
    plain = [
        ["Matrícula", "Fecha", "Km", "Trabajos"],
        ["1104 BCD", "14/03/2026", "98.000", "Cambio de pastillas delanteras"],
    ]
    yield Messy(
        "taller.csv",
        "es",
        "free text and nothing else of an order",
        sheet(plain),
        repairs(("V-04", "2026-03-14T00:00", 98000, "Cambio de pastillas delanteras")),
    )
    unknown = [
        ["Kennzeichen", "Datum", "km-Stand", "Fehlercode"],
        ["NH-XY 77", "14.02.2026", "98.020", "P0301"],
    ]
    yield Messy(
        "fremde.csv",
        "de",
        "plates that no list names",
        sheet(unknown),
        scans(("NH-XY 77", "2026-02-14T00:00", 98020, ALL, "P0301")),
        answers={"plates": "number"},
        knows=False,
    )


def all_files() -> Iterator[Messy]:
    """List them."""
    for each in (columns, notations):
        yield from each()
