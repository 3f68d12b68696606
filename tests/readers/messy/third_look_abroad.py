"""Exports of further strange shapes, from English feeds and garages in France, Spain and Poland: their truth was set down by one who had not seen the reader.

Times that name a zone are meant in UTC, all others as they are written.
"""

import datetime as dt
import json
from collections.abc import Iterator

from tests.readers.messy.files import Messy, clears, repairs, scans, sheet, text
from tests.readers.printed import bare, paper, raw, say
from tests.readers.workbooks import xlsx

_MILE = 1.609344
_ORDERS = "vehicle_id repaired_at odometer_km notes repair_id"


def feeds() -> Iterator[Messy]:
    """From English feeds: JSON in lines and XML."""
    keyed = [
        {"vehicle": "V-01", "read_at": "2026-03-14T10:00:00Z", "odometer_km": 83120,
         "modules": {"Engine": [{"code": "P0301", "status": "stored"},
                                {"code": "P0420", "status": "pending"}], "ABS": []}},
        {"vehicle": "V-02", "read_at": "2026-03-15T11:00:00Z", "odometer_km": 51650,
         "modules": {"Engine": [], "Body": [{"code": "U0100", "status": "stored"}]}},
    ]  # fmt: skip
    yield Messy("modules_as_keys.jsonl", "en", "control units as keys, some with an empty list",
                _in_lines(keyed),
                scans(("V-01", "2026-03-14T10:00", 83120, "Engine", "P0301", "stored"),
                      ("V-01", "2026-03-14T10:00", 83120, "Engine", "P0420", "pending"),
                      ("V-01", "2026-03-14T10:00", 83120, "ABS", None, None),
                      ("V-02", "2026-03-15T11:00", 51650, "Engine", None, None),
                      ("V-02", "2026-03-15T11:00", 51650, "Body", "U0100", "stored")))  # fmt: skip
    events = [
        {"event": "dtc_read", "vehicle": "V-01", "at": "2026-03-14T10:05+01:00[Europe/Berlin]",
         "km": 83120, "data": {"ecu": "Engine", "dtc": "P0301", "status": "stored"}},
        {"event": "dtc_clear", "vehicle": "V-01", "at": "2026-03-14T11:30+01:00[Europe/Berlin]",
         "km": 83121, "data": {"ecu": "Engine"}},
        {"event": "dtc_read", "vehicle": "V-01", "at": "2026-04-02T09:00+02:00[Europe/Berlin]",
         "km": 83560, "data": {"ecu": "Engine", "dtc": "none"}},
    ]  # fmt: skip
    yield Messy("workshop_events.jsonl", "en", "read and cleared, the zone's name behind its offset",
                _in_lines(events),
                (*scans(("V-01", "2026-03-14T09:05", 83120, "Engine", "P0301", "stored"),
                        ("V-01", "2026-04-02T07:00", 83560, "Engine", None, None)),
                 *clears(("V-01", "2026-03-14T10:30", 83121))),
                answers={"rows": "clears"})  # fmt: skip
    tractor = (
        '<?xml version="1.0" encoding="UTF-8"?><fleet><vehicle id="V-01">'
        '<reading at="2026-03-14T10:05:00-05:00"><odometer unit="mi">51650</odometer>'
        '<hours>2310.5</hours><controller name="Engine">'
        '<dtc spn="100" fmi="4" oc="3" lamp="red" active="1"/>'
        '<dtc spn="3216" fmi="31" oc="1" lamp="off" active="0"/></controller>'
        '<controller name="Brakes"/></reading></vehicle></fleet>'
    )
    yield Messy("tractor.xml", "en", "SPN and FMI as attributes, miles by an attribute, an offset",
                tractor.encode(),
                scans(("V-01", "2026-03-14T15:05", 51650 * _MILE, "Engine", "SPN 100 FMI 4",
                       "active"),
                      ("V-01", "2026-03-14T15:05", 51650 * _MILE, "Engine", "SPN 3216 FMI 31",
                       "previously_active"),
                      ("V-01", "2026-03-14T15:05", 51650 * _MILE, "Brakes", None, None)))  # fmt: skip


def ateliers() -> Iterator[Messy]:
    """From French garages."""
    space = (
        '<?xml version="1.0" encoding="UTF-8"?><r:releve xmlns:r="urn:example:releve">'
        "<r:vehicule><r:immatriculation>AA 103 BB</r:immatriculation>"
        '<r:date>2026-02-13T14:05:00</r:date><r:kilometrage unite="km">91 200</r:kilometrage>'
        '<r:calculateur nom="Moteur"><r:defaut><r:code>P0420</r:code>'
        "<r:statut>mémorisé</r:statut><r:contexte><r:date>2026-02-10T08:12:00</r:date>"
        '<r:kilometrage unite="km">91 020</r:kilometrage><r:regime>2150</r:regime></r:contexte>'
        '</r:defaut></r:calculateur><r:calculateur nom="Freins"/></r:vehicule></r:releve>'
    )
    yield Messy("releve_espace.xml", "fr", "names with a prefix, a code's own date and distance",
                space.encode(),
                scans(("V-03", "2026-02-13T14:05", 91200, "Moteur", "P0420", "stored"),
                      ("V-03", "2026-02-13T14:05", 91200, "Freins", None, None)),
                answers={"odometer": "releve.vehicule.kilometrage.#text"})  # fmt: skip
    struck = ("AA-103-BB", "14/02/2026", "19&#8239;230 km", "Moteur", "P0301", "pr&eacute;sent")
    kept = (
        ("AA-103-BB", "13/02/2026", "91&#8239;200 km", "Moteur", "P0420", "m&eacute;moris&eacute;"),
        tuple(f"<s>{cell}</s>" for cell in struck),
        ("NH-AB 101", "20/02/2026", "71&#8239;640 km", "Moteur", "aucun d&eacute;faut", "&nbsp;"),
    )
    head = ("Immat.", "Date", "Kilom&eacute;trage", "Calculateur", "Code d&eacute;faut", "Statut")
    rows = "".join(f"<tr>{''.join(f'<td>{cell}</td>' for cell in row)}</tr>" for row in kept)
    page = (
        "<html><body><table><tr><td>Atelier Nord</td><td>Contr&ocirc;le du mois</td></tr></table>"
        f"<table><tr>{''.join(f'<th>{each}</th>' for each in head)}</tr>{rows}</table>"
        "<p>Les lignes barr&eacute;es ont &eacute;t&eacute; saisies par erreur"
        " et ne comptent pas.</p></body></html>"
    )
    yield Messy("controle_barre.html", "fr", "a row struck out, narrow blanks, a table for the looks",
                page.encode("ascii"),
                scans(("V-03", "2026-02-13T00:00", 91200, "Moteur", "P0420", "stored"),
                      ("V-01", "2026-02-20T00:00", 71640, "Moteur", None, None)),
                answers={"struck": "leave"})  # fmt: skip
    units = [
        ["Immat.", "Date du relevé", "Compteur", "Moteur", "Batterie", "Calculateur", "Défaut"],
        ["", "jj/mm/aaaa", "milliers de km", "h", "V", "", ""],
        ["AA-103-BB", "13/02/2026", "91,2", "1 820,5", "12,4", "Injection", "P0087"],
        ["AA-103-BB", "27/02/2026", "92,0", "1 838,0", "12,6", "Injection", "aucun"],
    ]
    yield Messy("compteurs.csv", "fr", "a row of units below the headings, thousands of km",
                sheet(units),
                scans(("V-03", "2026-02-13T00:00", 91200, "Injection", "P0087"),
                      ("V-03", "2026-02-27T00:00", 92000, "Injection", None)),
                answers={"odometer-unit": "thousands"})  # fmt: skip
    orders = [
        ["N° OR", "Véhicule", "Date", "Km compteur", "Travaux", "Qté", "Montant HT", "Situation"],
        ["OR-301", "V-03", "12/01/2026", "90 100", "Remplacement bobine\ncylindre 1 ; essai",
         "1", "1 210,50", "facturé"],
        ["OR-302", "V-03", "19/01/2026", "90 310", "Remplacement capteur roue",
         "1", "84,00", "devis refusé"],
        ["OR-303", "V-01", "23/01/2026", "70 050", "Nettoyage vanne EGR", "1,5", "96,00",
         "facturé"],
        ["Total", "", "", "", "", "", "1 390,50", ""],
    ]  # fmt: skip
    yield Messy("ordres_devis.csv", "fr", "a refused offer among the orders, a line break in a cell",
                sheet(orders, encoding="utf-8-sig"),
                repairs(("V-03", "2026-01-12T00:00", 90100, "OR-301"),
                        ("V-01", "2026-01-23T00:00", 70050, "OR-303"),
                        names="vehicle_id repaired_at odometer_km repair_id"),
                answers={"table": "repairs", "rows": "leave"})  # fmt: skip
    mixed = {
        "Relevés": [
            ["Véhicule", "Date", "Km", "Calculateur", "Code", "Statut"],
            ["V-03", "13/02/2026", 91200, "Moteur", "P0420", "mémorisé"],
            ["V-03", dt.datetime(2026, 2, 20), "91 640", "Moteur", "P0301", "présent"],  # noqa: DTZ001
            ["V-01", "27/02/2026 16:40", "70 900", "Freins", "C0035", "mémorisé"],
            ["Nombre de lignes", None, None, None, "=COUNTA(E2:E4)", None],
        ]
    }
    yield Messy("melange_dates.xlsx", "fr", "true dates and dates as text in one column, a formula",
                xlsx(mixed),
                scans(("V-03", "2026-02-13T00:00", 91200, "Moteur", "P0420", "stored"),
                      ("V-03", "2026-02-20T00:00", 91640, "Moteur", "P0301", "confirmed"),
                      ("V-01", "2026-02-27T16:40", 70900, "Freins", "C0035", "stored")))  # fmt: skip


def talleres() -> Iterator[Messy]:
    """From Spanish garages."""
    groups = [
        "sep=;",
        "Fecha;Km;Centralita;Avería;Estado;",
        "Vehículo: 1104 BCD;;;;;",
        "14/03/2026 10:05;98.000;Motor;P0301;memorizado;",
        "14/03/2026 10:05;98.000;ABS;sin averías;;",
        "Subtotal 1104 BCD: 1 avería;;;;;",
        "Vehículo: WX 12345;;;;;",
        "15/03/2026 9:40;101.500;ABS;C0035;presente;",
        "Subtotal WX 12345: 1 avería;;;;;",
        "Total averías: 2;;;;;",
    ]
    yield Messy("taller_grupos.csv", "es", "a line above each group names its vehicle, sums between",
                text(groups),
                scans(("V-04", "2026-03-14T10:05", 98000, "Motor", "P0301", "stored"),
                      ("V-04", "2026-03-14T10:05", 98000, "ABS", None, None),
                      ("V-05", "2026-03-15T09:40", 101500, "ABS", "C0035", "confirmed")))  # fmt: skip
    pages = [
        "INFORME DE DIAGNOSIS                      Página 1 de 2",
        "Matrícula: 1104 BCD",
        "Fecha: 14/03/2026 10:05",
        "Kilómetros: 98.000",
        "",
        "Centralita: Motor",
        "  P0301  Fallo de encendido cilindro 1   memorizado",
        "  Datos congelados: 2.150 rpm, 64 km/h, 97.845 km",
        "  P0171  Mezcla pobre banco 1            esporádico",
        "",
        "INFORME DE DIAGNOSIS                      Página 2 de 2",
        "Matrícula: 1104 BCD",
        "",
        "Centralita: Motor (continuación)",
        "  P0420  Rendimiento del catalizador     memorizado",
        "Centralita: ABS",
        "  Sin averías",
        "Centralita: Airbag",
        "  Sin averías",
        "",
        "Impreso el 28/11/2026 a las 08:15",
    ]
    yield Messy("informe_paginas.txt", "es", "a unit that runs over two pages, a day of printing",
                text(pages),
                scans(("V-04", "2026-03-14T10:05", 98000, "Motor", "P0301", "stored"),
                      ("V-04", "2026-03-14T10:05", 98000, "Motor", "P0171", "stored"),
                      ("V-04", "2026-03-14T10:05", 98000, "Motor", "P0420", "stored"),
                      ("V-04", "2026-03-14T10:05", 98000, "ABS", None, None),
                      ("V-04", "2026-03-14T10:05", 98000, "Airbag", None, None)))  # fmt: skip
    orders = [
        _order("T-501", "14/03/2026", "98.020", "cerrada", "Sustituir bobina cilindro 1",
               "Limpiar cuerpo de mariposa"),
        _order("T-502", "16/03/2026", "98.110", "anulada", "Sustituir catalizador"),
        _order("T-503", "17/03/2026", "98.150", "presupuesto", "Sustituir sensor de rueda"),
        _order("T-504", "20/03/2026", "98.300", "cerrada", "Cambio de aceite"),
    ]  # fmt: skip
    yield Messy("ordenes.jsonl", "es", "orders closed, cancelled and only priced; jobs in a list",
                _in_lines(orders),
                repairs(("V-04", "2026-03-14T00:00", 98020, "Sustituir bobina cilindro 1", "T-501"),
                        ("V-04", "2026-03-14T00:00", 98020, "Limpiar cuerpo de mariposa", "T-501"),
                        ("V-04", "2026-03-20T00:00", 98300, "Cambio de aceite", "T-504"),
                        names=_ORDERS),
                answers={"rows": "leave", "clock": "day-only"})  # fmt: skip
    made = paper("Hoja de lectura")
    say(made, "Matrícula: 1104-BCD", "Fecha de lectura: 14/03/2026 10:05", "Kilómetros: 98.000")
    say(made, "Próxima revisión: 14/03/2027 o 113.000 km", "Garantía hasta: 30/06/2027", "")
    lines = [
        ("Centralita", "Código", "Descripción", "Estado"),
        ("Motor", "P0301", "Fallo de encendido cil. 1", "memorizado"),
        ("Motor", "P0420", "Rendimiento catalizador", "presente"),
        ("ABS", "sin averías", "", ""),
    ]
    bare(made, lines, (10, 45, 75, 140))
    yield Messy("hoja_lectura.pdf", "es", "PDF: the next service and the guarantee beside the reading",
                raw(made),
                scans(("V-04", "2026-03-14T10:05", 98000, "Motor", "P0301", "stored"),
                      ("V-04", "2026-03-14T10:05", 98000, "Motor", "P0420", "confirmed"),
                      ("V-04", "2026-03-14T10:05", 98000, "ABS", None, None)))  # fmt: skip
    below = [
        ["Matrícula", "Fecha", "Km", "Centralita", "Código", "Estado"],
        ["1104 BCD", "14/03/2026", "98.000", "Motor", "P0301", "memorizado"],
        ["1104 BCD", "15/03/2026", "-98.050", "Motor", "P0420", "memorizado"],
        ["1104 BCD", "16/03/2026", "98.110", "Motor", "P0171", "memorizado"],
    ]
    yield Messy("km_negativos.csv", "es", "a distance below zero", sheet(below),
                scans(("V-04", "2026-03-14T00:00", 98000, "Motor", "P0301", "stored"),
                      ("V-04", "2026-03-16T00:00", 98110, "Motor", "P0171", "stored")))  # fmt: skip


def warsztaty() -> Iterator[Messy]:
    """From Polish garages."""
    head = "Nr zlec.;Nr rej.;Data wykonania;Przebieg km;Czynność;Ilość;J.m.;Wartość zł"
    orders = [
        "Wykaz zleceń;;;;;;;",
        head,
        "Z/61;WX 12345;13.02.2026;91 200;Wymiana cewki zapłonowej;1;szt.;1 234,50",
        "Z/61;WX12345;13.02.2026;91 200;Czyszczenie zaworu EGR;0,8;rbh;120,00",
        "Strona 1 z 2;;;;;;;",
        head,
        "Z/62;PL WX 12345;20.02.2026;91 640;Wymiana oleju silnikowego;5,5;l;310,00",
        "Razem;;;;;;;1 664,50",
        "Strona 2 z 2;;;;;;;",
    ]
    yield Messy("zlecenia_strony.csv", "pl", "work orders on two pages, pieces and hours and litres",
                "\r\n".join(orders).encode("utf-8-sig"),
                repairs(("V-05", "2026-02-13T00:00", 91200, "Wymiana cewki zapłonowej", "Z/61"),
                        ("V-05", "2026-02-13T00:00", 91200, "Czyszczenie zaworu EGR", "Z/61"),
                        ("V-05", "2026-02-20T00:00", 91640, "Wymiana oleju silnikowego", "Z/62"),
                        names=_ORDERS),
                answers={"table": "repairs"})  # fmt: skip
    units = [
        {"nazwa": "Silnik", "kody": "P0301, P0420; P0171"},
        {"nazwa": "Skrzynia biegów", "kody": "brak"},
        {"nazwa": "ABS", "kody": "C0035"},
    ]
    reading = {"pojazd": {"nrRej": "WX 12345"}, "kiedy": "13.02.2026 godz. 14:05",
               "przebieg": "91 200 km", "sterowniki": units}  # fmt: skip
    yield Messy("diagnostyka.json", "pl", "commas and semicolons between codes, godz. before the time",
                json.dumps({"warsztat": "Południe", "odczyty": [reading]}).encode(),
                scans(("V-05", "2026-02-13T14:05", 91200, "Silnik", "P0301"),
                      ("V-05", "2026-02-13T14:05", 91200, "Silnik", "P0420"),
                      ("V-05", "2026-02-13T14:05", 91200, "Silnik", "P0171"),
                      ("V-05", "2026-02-13T14:05", 91200, "Skrzynia biegów", None),
                      ("V-05", "2026-02-13T14:05", 91200, "ABS", "C0035")))  # fmt: skip
    serial = [
        ["Pojazd", "Data i godzina", "Przebieg (km)", "Sterownik", "Kod usterki", "Stan"],
        ["V-05", "46066,25", "91200", "Silnik", "P0301", "obecny"],
        ["V-05", "46073,75", "91640", "Silnik", "brak", ""],
        ["V-04", "46074,5", "98000", "ABS", "C0035", "zapisany"],
    ]
    yield Messy("daty_liczbowe.csv", "pl", "day numbers with a decimal comma for the time",
                sheet(serial),
                scans(("V-05", "2026-02-13T06:00", 91200, "Silnik", "P0301", "confirmed"),
                      ("V-05", "2026-02-20T18:00", 91640, "Silnik", None, None),
                      ("V-04", "2026-02-21T12:00", 98000, "ABS", "C0035", "stored")))  # fmt: skip
    page = (
        "<html><head><meta charset='utf-8'></head><body><h1>Stan pojazdu</h1>"
        "<dl><dt>Pojazd</dt><dd>WX 12345</dd><dt>Odczyt</dt><dd>13.02.2026 14:05</dd>"
        "<dt>Przebieg</dt><dd>91 200 km</dd><dt>Wydrukowano</dt><dd>28.11.2026 08:15</dd></dl>"
        "<table><tr><th>Sterownik</th><th>Wynik</th><th>Kod usterki</th></tr>"
        "<tr><td>Silnik</td><td>✖</td><td>P0301</td></tr>"
        "<tr><td>ABS</td><td>✔</td><td>—</td></tr>"
        "<tr><td>Klimatyzacja</td><td>✔</td><td>—</td></tr></table></body></html>"
    )
    yield Messy("stan_pojazdu.html", "pl", "facts in a list of terms, a tick for a clean unit",
                page.encode(),
                scans(("V-05", "2026-02-13T14:05", 91200, "Silnik", "P0301"),
                      ("V-05", "2026-02-13T14:05", 91200, "ABS", None),
                      ("V-05", "2026-02-13T14:05", 91200, "Klimatyzacja", None)),
                answers={"no-code": "clean"})  # fmt: skip


def _in_lines(records: list[dict[str, object]]) -> bytes:
    """Write records as JSON, one a line."""
    return "".join(f"{json.dumps(each, ensure_ascii=False)}\n" for each in records).encode()


def _order(number: str, closed: str, km: str, state: str, *jobs: str) -> dict[str, object]:
    """Make an order of vehicle V-04 with its jobs."""
    works = [{"descripcion": job, "horas": "0,8", "importe": "1.061,50 €"} for job in jobs]
    return {"orden": number, "matricula": "1104 BCD", "fecha_apertura": "12/03/2026",
            "fecha_cierre": closed, "km": km, "estado": state, "trabajos": works}  # fmt: skip


def all_files() -> Iterator[Messy]:
    """List them."""
    for each in (feeds, ateliers, talleres, warsztaty):
        yield from each()
