"""Twenty-two ordinary exports of workshops, fleets and dealers, written blind, truth first.

Changed since: the words in which a person answers, names that other files of the corpus have, and
one truth, a code that is said to be active.
"""

import io
import json
from collections.abc import Iterator, Sequence
from datetime import date, datetime
from email.message import EmailMessage

import xlsxwriter

from tests.readers.messy.files import Messy, clears, listed, repairs, scans, sheet, text


def _book(*sheets: tuple[str, Sequence[Sequence[object]]], hide: tuple[str, ...] = ()) -> bytes:
    file = io.BytesIO()
    book = xlsxwriter.Workbook(file, {"in_memory": True})
    day = book.add_format({"num_format": "dd.mm.yyyy"})
    for name, rows in sheets:
        page = book.add_worksheet(name)
        for down, row in enumerate(rows):
            for across, cell in enumerate(row):
                if isinstance(cell, date):
                    at = datetime(cell.year, cell.month, cell.day)  # noqa: DTZ001 - of a sheet
                    page.write_datetime(down, across, at, day)
                elif cell is not None:
                    page.write(down, across, cell)
        if name in hide:
            page.hide()
    book.close()
    return file.getvalue()


def all_files() -> Iterator[Messy]:
    """By language."""
    yield from _german()
    yield from _english()
    yield from _abroad()


def _german() -> Iterator[Messy]:
    yield Messy("positionen.csv", "de", "order positions, labour in AW and parts in pieces",
        sheet([["Auftrags-Nr", "Kennzeichen", "Rechnungsdatum", "KM-Stand", "Pos", "Menge", "ME", "Bezeichnung", "Artikel-Nr", "E-Preis", "Gesamt €"],
               ["26-1881", "NH-AB 101", "13.03.2026", "83120", "1", "8", "AW", "Zündspule Zyl. 3 ersetzen", "", "9,50", "76,00"],
               ["26-1881", "NH-AB 101", "13.03.2026", "83120", "2", "1", "ST", "Zündspule", "QX-2214", "61,90", "61,90"],
               ["26-1882", "NH-AB 102", "16.03.2026", "51650", "1", "12", "AW", "Raddrehzahlsensor vorn links ersetzen", "", "9,50", "114,00"],
               ["26-1882", "NH-AB 102", "16.03.2026", "51650", "2", "1", "ST", "Sensor Raddrehzahl", "QX-7741", "48,20", "48,20"]]),
        repairs(("V-01", "2026-03-13T00:00", 83120, "26-1881", "Zündspule Zyl. 3 ersetzen", None),
                ("V-01", "2026-03-13T00:00", 83120, "26-1881", "Zündspule", "QX-2214"),
                ("V-02", "2026-03-16T00:00", 51650, "26-1882", "Raddrehzahlsensor vorn links ersetzen", None),
                ("V-02", "2026-03-16T00:00", 51650, "26-1882", "Sensor Raddrehzahl", "QX-7741"),
                names="vehicle_id repaired_at odometer_km repair_id notes part_number"))  # fmt: skip
    yield Messy("bestand_fehler.csv", "de", "the day stands above; a cell of several codes, i.O. is clean",
        text(["Fahrzeugbestand Halle 2;;;;", "Stand: 16.03.2026;;;;", "", "Fzg.;FIN;km;Standtage;Fehlerspeicher Motor",
              "V-01;XZ9AA11B2C3000001;83120;12;P0420, P0171", "V-02;XZ9AA11B2C3000002;51650;40;i.O.", "V-05;XZ9AA11B2C3000005;91205;3;P0301", ";;;;",
              "3 Fahrzeuge;;;55;"]),
        scans(("V-01", "2026-03-16T00:00", 83120, "P0420"), ("V-01", "2026-03-16T00:00", 83120, "P0171"),
              ("V-02", "2026-03-16T00:00", 51650, None), ("V-05", "2026-03-16T00:00", 91205, "P0301"),
              names="vehicle_id scanned_at odometer_km code"))  # fmt: skip
    yield Messy("auftraege_druck.html", "de", "an order spans its lines by rowspan",
        ("<html><meta charset=utf-8><body><h1>Auftragsliste M&auml;rz 2026</h1><table><tr><th>Auftrag<th>Datum<th>Fahrzeug<th>km<th>Arbeit<th>Teil"
         "<tr><td rowspan=2>4711<td rowspan=2>13.03.2026<td rowspan=2>V-01<td rowspan=2>83.120<td>Zündkerzen ersetzt<td>QX-3100<tr><td>Luftfilter ersetzt<td>QX-0912"
         "<tr><td>4712<td>16.03.2026<td>V-02<td>51.650<td>Thermostat ersetzt<td>QX-3318<tr><td colspan=6>2 Aufträge</table></body></html>").encode(),
        repairs(("V-01", "2026-03-13T00:00", 83120, "4711", "Zündkerzen ersetzt", "QX-3100"), ("V-01", "2026-03-13T00:00", 83120, "4711", "Luftfilter ersetzt", "QX-0912"),
                ("V-02", "2026-03-16T00:00", 51650, "4712", "Thermostat ersetzt", "QX-3318"), names="vehicle_id repaired_at odometer_km repair_id notes part_number"))  # fmt: skip
    yield Messy("werkstatt_ch.csv", "de", "Swiss apostrophes and decimal points",
        sheet([["Auftrag", "Datum", "Fahrzeug", "km", "Ausgeführte Arbeit", "Material CHF", "Arbeit CHF"], ["W-31", "13.03.26", "V-01", "83'120", "Turbolader ersetzt", "1'240.50", "480.00"], ["W-32", "16.03.26", "V-05", "91'205", "Glühkerzen ersetzt", "188.00", "120.00"]]),
        repairs(("V-01", "2026-03-13T00:00", 83120, "W-31", "Turbolader ersetzt", 1240.5, 480.0, "CHF"), ("V-05", "2026-03-16T00:00", 91205, "W-32", "Glühkerzen ersetzt", 188.0, 120.0, "CHF"), names="vehicle_id repaired_at odometer_km repair_id notes part_cost labour_cost currency"))  # fmt: skip
    m = EmailMessage()
    for key, said in (("From", "depot@example.org"), ("To", "fleet@example.org"), ("Subject", "Auslese V-03"), ("Date", "Mon, 16 Mar 2026 18:00:00 +0100")):  # fmt: skip
        m[key] = said
    m.set_content("Hallo,\nanbei die Auslese.\nGruß")
    m.add_attachment(sheet([["Datum", "Uhrzeit", "Fahrzeug", "km", "Steuergerät", "Fehlercode", "Fehlerart"], ["16.03.2026", "17:05", "V-03", "90.455", "Motor", "P0171", "statisch"], ["16.03.2026", "17:05", "V-03", "90.455", "Motor", "P0301", "sporadisch"], ["16.03.2026", "17:06", "V-03", "90.455", "Airbag", "kein Eintrag", ""]]), maintype="text", subtype="csv", filename="auslese.csv")  # fmt: skip
    yield Messy("auslese.eml", "de", "a letter with a table; day and hour apart", m.as_bytes(),
        scans(("V-03", "2026-03-16T17:05", 90455, "Motor", "P0171"), ("V-03", "2026-03-16T17:05", 90455, "Motor", "P0301"), ("V-03", "2026-03-16T17:06", 90455, "Airbag", None), names="vehicle_id scanned_at odometer_km ecu code"))  # fmt: skip


def _english() -> Iterator[Messy]:
    yield Messy("repair_orders_us.csv", "en", "three Cs: complaint, cause, correction; two dates and two mileages",
        sheet([["RO #", "Unit", "Opened", "Closed", "Mileage In", "Mileage Out", "Complaint", "Cause", "Correction", "Codes found"],
               ["RO-5510", "V-01", "03/13/2026 8:10 AM", "03/14/2026 4:45 PM", "51,648", "51,655", "CEL on, rough idle", "Coil 3 open", "Replaced ignition coil cyl 3", "P0303"],
               ["RO-5511", "V-02", "03/16/2026 9:00 AM", "03/16/2026 2:20 PM", "32,094", "32,097", "ABS light", "Sensor open circuit LF", "Replaced LF wheel speed sensor", "C0035"]], ","),
        repairs(("V-01", "2026-03-14T16:45", 51655 * 1.609344, "RO-5510", "P0303"),
                ("V-02", "2026-03-16T14:20", 32097 * 1.609344, "RO-5511", "C0035"),
                names="vehicle_id repaired_at odometer_km repair_id codes"),
        answers={"odometer-unit": "mi"})  # fmt: skip
    yield Messy("readings_feed.json", "en", "nested readings with epoch seconds and an empty unit",
        json.dumps({"generated": 1773700000, "vehicles": [
            {"id": "V-01", "readings": [{"ts": 1773648000, "odo": {"value": 83120, "unit": "km"}, "ecus": [
                {"name": "Engine", "dtcs": [{"code": "P0301", "state": "current"}, {"code": "P0171", "state": "history"}]}, {"name": "ABS", "dtcs": []}]}]},
            {"id": "V-02", "readings": [{"ts": 1773651600, "odo": {"value": 51650, "unit": "km"}, "ecus": [{"name": "Engine", "dtcs": []}]}]}]}, indent=1).encode(),
        scans(("V-01", "2026-03-16T08:00", 83120, "Engine", "P0301"), ("V-01", "2026-03-16T08:00", 83120, "Engine", "P0171"),
              ("V-01", "2026-03-16T08:00", 83120, "ABS", None), ("V-02", "2026-03-16T09:00", 51650, "Engine", None),
              names="vehicle_id scanned_at odometer_km ecu code"))  # fmt: skip
    yield Messy("fleet_reading.xml", "en", "attributes; miles said once at the root",
        b'<?xml version="1.0"?>\n<export distance="mi" created="2026-03-17T06:00:00Z">\n <vehicle reg="AB12 CDE" date="2026-03-16T10:30:00Z" odo="40210">\n  <module name="Engine"><fault code="P0420" present="yes"/><fault code="P0171" present="no"/></module>\n  <module name="Airbag"/>\n </vehicle>\n <vehicle reg="NH-AB 102" date="2026-03-16T11:00:00Z" odo="32094">\n  <module name="Engine"/>\n </vehicle>\n</export>\n',
        scans(("V-06", "2026-03-16T10:30", 40210 * 1.609344, "Engine", "P0420"), ("V-06", "2026-03-16T10:30", 40210 * 1.609344, "Engine", "P0171"),
              ("V-06", "2026-03-16T10:30", 40210 * 1.609344, "Airbag", None), ("V-02", "2026-03-16T11:00", 32094 * 1.609344, "Engine", None),
              names="vehicle_id scanned_at odometer_km ecu code"))  # fmt: skip
    yield Messy("evening_report.txt", "en", "blocks of text, one a vehicle; number of faults told",
        text(["DAILY FAULT REPORT - DEPOT NORTH", "================================", "",
              "Vehicle: V-02      Mileage: 51650 km     Read: 13 Mar 2026 17:40", "  Engine control      2 faults", "     P0301  Cylinder 1 misfire detected        current", "     P0171  System too lean bank 1             stored",
              "  Brakes              0 faults", "", "Vehicle: V-05      Mileage: 91205 km     Read: 13 Mar 2026 17:55", "  Engine control      0 faults", "  Brakes              1 fault", "     C0035-11  Left front wheel speed sensor   current", "", "End of report: 2 vehicles, 3 faults"]),
        scans(("V-02", "2026-03-13T17:40", 51650, "Engine control", "P0301"), ("V-02", "2026-03-13T17:40", 51650, "Engine control", "P0171"),
              ("V-02", "2026-03-13T17:40", 51650, "Brakes", None), ("V-05", "2026-03-13T17:55", 91205, "Engine control", None), ("V-05", "2026-03-13T17:55", 91205, "Brakes", "C0035-11"),
              names="vehicle_id scanned_at odometer_km ecu code"))  # fmt: skip
    yield Messy("checks.xlsx", "en", "a hidden sheet of last year; gaps mean the vehicle above",
        _book(("Checks", [["Vehicle", "Date", "Odometer km", "System", "Fault code"], ["V-01", date(2026, 3, 13), 83120, "Engine", "P0301"], [None, None, None, "Brakes", "none"],
                       [None, None, None, "Airbag", "B0028"], ["V-02", date(2026, 3, 16), 51650, "Engine", "none"], [None, None, None, "Brakes", "C0035"]]),
           ("2025", [["Vehicle", "Date", "Odometer km", "System", "Fault code"], ["V-01", date(2025, 3, 11), 60120, "Engine", "P0420"]]), hide=("2025",)),
        scans(("V-01", "2026-03-13T00:00", 83120, "Engine", "P0301"), ("V-01", "2026-03-13T00:00", 83120, "Brakes", None), ("V-01", "2026-03-13T00:00", 83120, "Airbag", "B0028"),
              ("V-02", "2026-03-16T00:00", 51650, "Engine", None), ("V-02", "2026-03-16T00:00", 51650, "Brakes", "C0035"), names="vehicle_id scanned_at odometer_km ecu code"))  # fmt: skip
    yield Messy("clear_log.csv", "en", "a log of clears with what was there before",
        sheet([["Cleared on", "Fleet no.", "Cleared by", "Modules cleared", "Odometer (km)", "Reason"],
               ["2026-03-13 10:20", "V-01", "M. Alder", "Engine", "83120", "after coil"], ["2026-03-14 11:00", "V-02", "M. Alder", "all", "51650", "before sale"], ["2026-03-16 08:30", "V-05", "P. Voss", "ABS", "91205", ""]], ","),
        clears(("V-01", "2026-03-13T10:20", 83120, "Engine"), ("V-02", "2026-03-14T11:00", 51650, None), ("V-05", "2026-03-16T08:30", 91205, "ABS"), names="vehicle_id cleared_at odometer_km ecu"))  # fmt: skip
    yield Messy("pre_post.csv", "en", "codes before and after the work in one row",
        sheet([["Job", "Vehicle", "Date", "Km", "Codes before", "Work done", "Codes after"], ["J-901", "V-01", "2026-03-13", "83120", "P0301 P0171", "Coil cyl 1 replaced", "none"], ["J-902", "V-02", "2026-03-16", "51650", "C0035", "Wheel speed sensor LF replaced", "C0035"]], ","),
        repairs(("V-01", "2026-03-13T00:00", 83120, "J-901", "Coil cyl 1 replaced", "P0301 P0171"), ("V-02", "2026-03-16T00:00", 51650, "J-902", "Wheel speed sensor LF replaced", "C0035"), names="vehicle_id repaired_at odometer_km repair_id notes codes"))  # fmt: skip
    yield Messy("vehicle_register.csv", "en", "a register with disposal and sale states",
        sheet([["Fleet No", "Reg", "Chassis no.", "Make", "Model", "Depot", "First reg", "State"], ["V-21", "AB21 CDE", "XZ9AA11B2C3000021", "Norvane", "Carrier 3", "North", "2021-05-03", "In use"], ["V-22", "AB22 CDE", "XZ9AA11B2C3000022", "Norvane", "Carrier 3", "South", "2020-11-19", "For sale"], ["V-23", "AB23 CDE", "XZ9AA11B2C3000023", "Tessel", "Urban", "North", "2018-02-07", "Disposed"]], ","),
        listed("vehicles", (("V-21", "XZ9AA11B2C3000021", "AB21 CDE", "North", "in_fleet"), ("V-22", "XZ9AA11B2C3000022", "AB22 CDE", "South", "in_stock"), ("V-23", "XZ9AA11B2C3000023", "AB23 CDE", "North", "sold")), "vehicle_id vin plate site stock_status"))  # fmt: skip
    yield Messy("alerts.csv", "en", "alerts with start and end; the day has its own column",
        sheet([["Asset", "Alert", "Code", "Module", "Started", "Ended", "Odometer at start (km)"], ["V-01", "Misfire", "P0301", "Engine", "2026-03-13 08:02", "2026-03-13 09:40", "83120"], ["V-01", "Lean", "P0171", "Engine", "2026-03-14 12:15", "", "83201"], ["V-02", "ABS sensor", "C0035", "ABS", "2026-03-16 07:00", "2026-03-16 07:03", "51650"]], ","),
        scans(("V-01", "2026-03-13T08:02", 83120, "Engine", "P0301"), ("V-01", "2026-03-14T12:15", 83201, "Engine", "P0171"), ("V-02", "2026-03-16T07:00", 51650, "ABS", "C0035"), names="vehicle_id scanned_at odometer_km ecu code"))  # fmt: skip
    yield Messy("matrix.csv", "en", "a column a unit, OK is clean, blank is not read",
        sheet([["Vehicle", "Scanned", "Odo km", "Engine", "Gearbox", "Brakes", "Airbag"], ["V-01", "13/03/2026", "83120", "P0301", "OK", "C0035", "OK"], ["V-02", "16/03/2026", "51650", "OK", "", "OK", "B0028"], ["V-05", "27/03/2026", "91205", "P0420; P0171", "OK", "OK", ""]], ","),
        scans(("V-01", "2026-03-13T00:00", 83120, "Engine", "P0301"), ("V-01", "2026-03-13T00:00", 83120, "Gearbox", None), ("V-01", "2026-03-13T00:00", 83120, "Brakes", "C0035"), ("V-01", "2026-03-13T00:00", 83120, "Airbag", None),
              ("V-02", "2026-03-16T00:00", 51650, "Engine", None), ("V-02", "2026-03-16T00:00", 51650, "Brakes", None), ("V-02", "2026-03-16T00:00", 51650, "Airbag", "B0028"),
              ("V-05", "2026-03-27T00:00", 91205, "Engine", "P0420"), ("V-05", "2026-03-27T00:00", 91205, "Engine", "P0171"), ("V-05", "2026-03-27T00:00", 91205, "Gearbox", None), ("V-05", "2026-03-27T00:00", 91205, "Brakes", None), names="vehicle_id scanned_at odometer_km ecu code"))  # fmt: skip
    yield Messy("rework_list.csv", "en", "a list of orders marked as warranty or estimate only; estimates were not done",
        sheet([["Order", "Type", "Date", "Vehicle", "Odometer", "Job", "Part no"], ["R-1", "Invoice", "13 Mar 2026", "V-01", "83,120 km", "EGR valve replaced", "QX-5501"], ["R-2", "Estimate", "14 Mar 2026", "V-02", "51,650 km", "DPF to be replaced", "QX-9001"], ["R-3", "Credit note", "16 Mar 2026", "V-01", "83,400 km", "EGR valve replaced", "QX-5501"]], ","),
        repairs(("V-01", "2026-03-13T00:00", 83120, "R-1", "EGR valve replaced"), names="vehicle_id repaired_at odometer_km repair_id notes"), answers={"rows": "leave"})  # fmt: skip


def _abroad() -> Iterator[Messy]:
    yield Messy("releve_defauts.csv", "fr", "permanent and fugitive as French tools say present and sporadic",
        sheet([["Immat.", "Date relevé", "Kilométrage", "Calculateur", "Code défaut", "Nature", "Commentaire"],
               ["AA-103-BB", "16/03/2026 14:05", "90 455", "Injection", "P0171", "permanent", "richesse"],
               ["AA-103-BB", "16/03/2026 14:05", "90 455", "ABS", "C0035-11", "fugitif", ""],
               ["AA-103-BB", "16/03/2026 14:05", "90 455", "Airbag", "néant", "", ""]]),
        scans(("V-03", "2026-03-16T14:05", 90455, "Injection", "P0171", "confirmed"),
              ("V-03", "2026-03-16T14:05", 90455, "ABS", "C0035-11", "stored"),
              ("V-03", "2026-03-16T14:05", 90455, "Airbag", None, None)))  # fmt: skip
    yield Messy("averias_u16.txt", "es", "UTF-16 with tabs, km in the cell, sep line",
        text(["Matrícula\tFecha lectura\tKilómetros\tUnidad de control\tCódigo\tEstado", "1104 BCD\t16/03/2026 9:15\t98.020 km\tMotor\tP0420\tactiva", "1104 BCD\t16/03/2026 9:15\t98.020 km\tFrenos\tsin códigos\t", "NH-AB 101\t16/03/2026 10:40\t83.120 km\tMotor\tP0301\tmemorizada"], "utf-16"),
        scans(("V-04", "2026-03-16T09:15", 98020, "Motor", "P0420", "active"), ("V-04", "2026-03-16T09:15", 98020, "Frenos", None, None), ("V-01", "2026-03-16T10:40", 83120, "Motor", "P0301", "stored")))  # fmt: skip
    yield Messy("tournee.csv", "fr", "long French dates, statuses in brackets in one cell",
        sheet([["Véhicule", "Relevé le", "Compteur", "Défauts moteur"], ["V-02", "lun. 16 mars 2026 à 14h05", "51 650 km", "P0301 (mémorisé), P0171 (présent)"], ["V-05", "mar. 17 mars 2026 à 9h30", "91 205 km", "aucun"]]),
        scans(("V-02", "2026-03-16T14:05", 51650, "P0301", "stored"), ("V-02", "2026-03-16T14:05", 51650, "P0171", "confirmed"), ("V-05", "2026-03-17T09:30", 91205, None, None), names="vehicle_id scanned_at odometer_km code status"))  # fmt: skip
    yield Messy("facturas.csv", "es", "net, tax and gross amounts",
        sheet([["Factura", "Fecha", "Matrícula", "Km", "Descripción del trabajo", "Recambios s/IVA", "Mano de obra s/IVA", "IVA 21%", "Total c/IVA"], ["F-210", "13/03/2026", "1104 BCD", "98.020", "Sustituida bobina de encendido cil. 2", "58,00", "45,00", "21,63", "124,63"], ["F-211", "16/03/2026", "NH-AB 101", "83.120", "Cambio sonda lambda anterior", "112,00", "60,00", "36,12", "208,12"]]),
        repairs(("V-04", "2026-03-13T00:00", 98020, "F-210", "Sustituida bobina de encendido cil. 2", 58.0, 45.0), ("V-01", "2026-03-16T00:00", 83120, "F-211", "Cambio sonda lambda anterior", 112.0, 60.0), names="vehicle_id repaired_at odometer_km repair_id notes part_cost labour_cost"))  # fmt: skip
    yield Messy("maszyny.csv", "pl", "machines: engine hours, SPN and FMI apart, occurrence count",
        sheet([["Maszyna", "Data odczytu", "Motogodziny", "Sterownik", "SPN", "FMI", "Licznik wyst.", "Stan"], ["V-03", "13.03.2026 07:20", "4 512,5", "Silnik", "100", "4", "3", "aktywny"], ["V-03", "13.03.2026 07:20", "4 512,5", "Silnik", "110", "0", "1", "nieaktywny"], ["V-04", "13.03.2026 07:45", "1 209,0", "Silnik", "", "", "", "brak usterek"]]),
        scans(("V-03", "2026-03-13T07:20", 4512.5, "Silnik", "SPN 100 FMI 4", 3), ("V-03", "2026-03-13T07:20", 4512.5, "Silnik", "SPN 110 FMI 0", 1), ("V-04", "2026-03-13T07:45", 1209.0, "Silnik", None, None), names="vehicle_id scanned_at engine_hours ecu code occurrences"))  # fmt: skip
    yield Messy("zlecenia_netto.csv", "pl", "orders of a Polish workshop, cp1250, net amounts in zł",
        text(["Nr zlecenia;Data zakończenia;Nr rej.;Stan licznika;Wykonane czynności;Części netto;Robocizna netto", "Z/114/26;13.03.2026;WX 12345;91 205 km;Wymiana czujnika prędkości koła przód lewy;142,00 zł;80,00 zł", "Z/115/26;16.03.2026;NH-AB 102;51 650 km;Wymieniono cewkę zapłonową cyl. 3;210,50 zł;60,00 zł"], "cp1250"),
        repairs(("V-05", "2026-03-13T00:00", 91205, "Z/114/26", 142.0, 80.0, "PLN"), ("V-02", "2026-03-16T00:00", 51650, "Z/115/26", 210.5, 60.0, "PLN"), names="vehicle_id repaired_at odometer_km repair_id part_cost labour_cost currency"))  # fmt: skip
