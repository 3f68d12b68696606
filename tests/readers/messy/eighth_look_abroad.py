"""The files of the eighth look in French, Spanish and Polish."""

from collections.abc import Iterator

from tests.readers.messy.eighth_look import SCAN, book_of, day_of
from tests.readers.messy.files import Messy, repairs, scans, sheet, text


def all_files() -> Iterator[Messy]:
    """By language."""
    yield from _french()
    yield from _spanish()
    yield from _polish()


def _french() -> Iterator[Messy]:
    parts = [
        ["N° OR", "N° client", "Immat.", "Reçu le", "Terminé le", "Kilométrage", "Opération",
         "Réf. pièce", "Marque pièce", "Qté", "Montant pièces HT (€)", "M.O. HT (€)", "Mécano",
         "Prochain CT"],
        ["OR-551", "C88", "AA-103-BB", "13/03/2026", "16/03/2026", "90 455",
         "Remplacement bobine d'allumage cyl. 2", "ZB 20-117", "Quarvel", "1", "48,30", "35,00",
         "Lison", "11/2027"],
        ["OR-551", "C88", "AA-103-BB", "13/03/2026", "16/03/2026", "90 455",
         "Remplacement bougies d'allumage", "ZB 31-004", "Zembrix", "4", "36,00", "", "Lison",
         "11/2027"],
        ["OR-552", "C12", "1104 BCD", "14/03/2026", "14/03/2026", "98 020",
         "Remplacement batterie", "QX9001", "QUARVEL", "1", "1 018,00", "20,00", "Aubin", ""],
        ["", "", "", "", "", "", "", "", "Total HT", "", "1 102,30", "55,00", "", ""],
    ]  # fmt: skip
    yield Messy("pieces_posees.csv", "fr",
                "parts with number, brand and pieces; received and done, a total under the brands",
                sheet(parts, encoding="cp1252"),
                repairs(("V-03", "2026-03-16T00:00", 90455, "OR-551",
                         "Remplacement bobine d'allumage cyl. 2", "ZB 20-117", "Quarvel", 1, 48.3, 35.0,
                         "EUR", "Lison"),
                        ("V-03", "2026-03-16T00:00", 90455, "OR-551",
                         "Remplacement bougies d'allumage", "ZB 31-004", "Zembrix", 4, 36.0, None,
                         "EUR", "Lison"),
                        ("V-04", "2026-03-14T00:00", 98020, "OR-552", "Remplacement batterie",
                         "QX9001", "QUARVEL", 1, 1018.0, 20.0, "EUR", "Aubin"),
                        names="vehicle_id repaired_at odometer_km repair_id notes part_number "
                              "part_brand quantity part_cost labour_cost currency "
                              "technician"))  # fmt: skip
    head = "Parc;Agence;Date interv.;Compteur (km);Dim. pneus;Travaux effectués;Intervenant;Proch. entretien (km)"
    pages = [
        "Atelier mobile - interventions du mois;;;;;;;Page 1", head,
        "V-01;Agence Est;13/03/2026;83.120;205/55 R16;Remplacement démarreur;M. Ozane;95.000",
        "V-03;Agence Ouest;16/03/2026;90.455;195/65 R15;Remplacement alternateur;Lison;110.000",
        ";;;;;;;", "Atelier mobile - interventions du mois;;;;;;;Page 2", head,
        "V-02;Agence Est;20/03/2026;51.700;195/65 R15;Remplacement plaquettes AV;M. Ozane;60.000",
        ";;;;;;;", "NB : les pneus sont à commander avant le 31/03/2026;;;;;;;",
    ]  # fmt: skip
    yield Messy("entretien_pages.csv", "fr",
                "headings and title again on page 2, branches, the next service's km, a note with a day",
                text(pages),
                repairs(("V-01", "2026-03-13T00:00", 83120, "Agence Est", "Remplacement démarreur",
                         "M. Ozane"),
                        ("V-03", "2026-03-16T00:00", 90455, "Agence Ouest",
                         "Remplacement alternateur", "Lison"),
                        ("V-02", "2026-03-20T00:00", 51700, "Agence Est",
                         "Remplacement plaquettes AV", "M. Ozane"),
                        names="vehicle_id repaired_at odometer_km site notes technician"))  # fmt: skip
    checks = [
        ["Véhicule", "Immat.", "Date contrôle", "Km", "Km depuis dernier", "Calculateur",
         "Code - libellé", "État", "Suite à donner", ""],
        ["V-03", "AA-103-BB", day_of("2026-03-13"), 90455, 1200, "Moteur",
         "P0420 - rendement catalyseur", "présent", "devis", ""],
        ["V-03", "AA-103-BB", day_of("2026-03-13"), 90455, 1200, "ABS",
         "C0035-11 - capteur roue AVG", "Mémorisé", "à revoir", ""],
        ["V-04", "1104 BCD", day_of("2026-03-16"), 98020, 860, "Moteur", "RAS", "", "", ""],
        ["V-05", "WX 12345", day_of("2026-03-16"), 91205, 40, "Moteur",
         "P0299 - suralimentation faible", "fugitif", "devis", ""],
    ]  # fmt: skip
    tyres = [
        ["Véhicule", "Dimension", "AV (mm)", "AR (mm)"],
        ["V-03", "195/65 R15", 4.5, 5], ["V-04", "205/55 R16", 3, 3.5],
    ]  # fmt: skip
    yield Messy("controle_parc.xlsx", "fr",
                "code and text in one cell, km since the last, what is to follow; a sheet of tyres",
                book_of(("Contrôles", checks), ("Pneus", tyres)),
                scans(("V-03", "2026-03-13T00:00", 90455, "Moteur", "P0420", "confirmed",
                       "rendement catalyseur"),
                      ("V-03", "2026-03-13T00:00", 90455, "ABS", "C0035-11", "stored",
                       "capteur roue AVG"),
                      ("V-04", "2026-03-16T00:00", 98020, "Moteur", None),
                      ("V-05", "2026-03-16T00:00", 91205, "Moteur", "P0299", "stored",
                       "suralimentation faible"), names=SCAN))  # fmt: skip


def _spanish() -> Iterator[Messy]:
    week = [
        ["Nº Orden", "Cod. cliente", "Matrícula", "F. entrada", "F. salida", "KM", "Trabajo realizado",
         "Operario", "M. obra (€)", "Recambios (€)", "IVA (€)", "Total (€)", "Estado", "Próx. revisión"],
        ["1841", "00231", "1104 BCD", "12/03/2026", "13/03/2026", "98.020",
         "Sustituido alternador", "Tarno", "70,00", "215,00", "59,85", "344,85", "Cerrada",
         "110.000 km"],
        ["1842", "00231", "AA-103-BB", "13/03/2026", "16/03/2026", "90.455",
         "Cambiadas pastillas de freno delanteras", "Elvo", "45,00", "62,50", "22,58", "130,08",
         "cerrada", "105.000 km"],
        ["1843", "00507", "AB12 CDE", "16/03/2026", "", "50.292", "Cambiar termostato",
         "", "", "", "", "", "Abierta", ""],
        ["", "", "", "", "", "", "", "TOTAL", "115,00", "277,50", "82,43", "474,93", "", ""],
    ]  # fmt: skip
    yield Messy("taller_semana.csv", "es",
                "orders closed and one still open, day in and out, tax, the next service as text",
                sheet(week, encoding="cp1252"),
                repairs(("V-04", "2026-03-13T00:00", 98020, "1841", "Sustituido alternador", "Tarno",
                         70.0, 215.0, "EUR"),
                        ("V-03", "2026-03-16T00:00", 90455, "1842",
                         "Cambiadas pastillas de freno delanteras", "Elvo", 45.0, 62.5, "EUR"),
                        names="vehicle_id repaired_at odometer_km repair_id notes technician "
                              "labour_cost part_cost currency"),
                answers={"time": "F. salida", "odometer": "KM"})  # fmt: skip
    fleet = [
        ["Revisión mensual de flota", "", "", "", "", "", ""],
        ["Unidad", "Delegación", "Lectura", "Km actuales", "Km próx. serv.", "Motor", "Frenos"],
        ["V-01", "Norte", day_of("2026-03-13"), 83120, 90000,
         "P0301 Fallo encendido cil. 1 (presente)", "sin averías"],
        ["V-02", "Norte", day_of("2026-03-14"), 51650, 60000, "Sin averías",
         "C0035-11 Sensor rueda del. izq. (histórico)"],
        ["V-04", "Sur", day_of("2026-03-14"), 98020, 110000,
         "P0171 Mezcla pobre (pendiente)", "SIN AVERÍAS"],
    ]  # fmt: skip
    yield Messy("averias_flota.xlsx", "es",
                "a column a control unit, code and text and status in the cell; two distances",
                book_of(("Marzo", fleet)),
                scans(("V-01", "2026-03-13T00:00", 83120, "Motor", "P0301", "confirmed",
                       "Fallo encendido cil. 1"),
                      ("V-01", "2026-03-13T00:00", 83120, "Frenos", None),
                      ("V-02", "2026-03-14T00:00", 51650, "Motor", None),
                      ("V-02", "2026-03-14T00:00", 51650, "Frenos", "C0035-11", "stored",
                       "Sensor rueda del. izq."),
                      ("V-04", "2026-03-14T00:00", 98020, "Motor", "P0171", "pending",
                       "Mezcla pobre"),
                      ("V-04", "2026-03-14T00:00", 98020, "Frenos", None), names=SCAN))  # fmt: skip
    tabs = [
        "# Lecturas del turno de mañana - nave 2",
        "# Revisó: Elvo",
        "Coche\tCliente\tFecha y hora\tKms\tPresión ruedas\tMódulo\tCódigo\tDescripción\tEstado",
        "V-04\t00231\t13/03/2026 9:05\t98.020\t2,3/2,1\tMOTOR\tp0420\tcatalizador\tmemorizado",
        "# la unidad siguiente entró con grúa",
        "V-03\t00231\t13/03/2026 11:30\t90.455\t2,2/2,2\tMOTOR\tP0340\tsensor árbol de levas\tPRESENTE",
        "V-03\t00231\t13/03/2026 11:30\t90.455\t2,2/2,2\tABS\tsin códigos\t\t",
        "# fin",
    ]
    yield Messy("lecturas_turno.txt", "es", "tabs, remarks between rows, pressures, small letters",
                text(tabs, end="\n"),
                scans(("V-04", "2026-03-13T09:05", 98020, "MOTOR", "P0420", "stored", "catalizador"),
                      ("V-03", "2026-03-13T11:30", 90455, "MOTOR", "P0340", "confirmed",
                       "sensor árbol de levas"),
                      ("V-03", "2026-03-13T11:30", 90455, "ABS", None), names=SCAN))  # fmt: skip


def _polish() -> Iterator[Messy]:
    review = [
        ["Lp.", "Pojazd", "Nr rej.", "Data odczytu", "Nast. przegląd", "Przebieg [km]",
         "Od ost. odczytu [km]", "Rozm. opon", "Sterownik", "Kod", "Opis usterki", "Status", "Uwagi"],
        ["1", "V-05", "WX 12345", "13.03.2026", "13.09.2026", "91 205", "640", "225/75 R16", "Silnik",
         "P0301", "Wypadanie zapłonu cyl. 1", "Obecny", "pilne"],
        ["2", "V-05", "WX 12345", "13.03.2026", "13.09.2026", "91 205", "640", "225/75 R16", "ABS",
         "C0035-11", "Czujnik koła LP", "zapisany", ""],
        ["3", "V-02", "NH-AB 102", "16.03.2026", "16.09.2026", "51 650", "1 010", "195/65 R15",
         "Silnik", "brak", "", "", ""],
        ["4", "V-01", "NH-AB 101", "16.03.2026", "16.09.2026", "83 120", "88", "205/55 R16",
         "Silnik", "P0442", "Mała nieszczelność EVAP", "oczekujący", "klient poinformowany"],
        ["Razem", "3 pojazdy", "", "", "", "", "1 738", "", "", "", "", "", ""],
    ]  # fmt: skip
    yield Messy("przeglad_floty.csv", "pl",
                "running numbers, the next inspection's day, km since the last, a count below",
                sheet(review, encoding="cp1250"),
                scans(("V-05", "2026-03-13T00:00", 91205, "Silnik", "P0301", "confirmed",
                       "Wypadanie zapłonu cyl. 1"),
                      ("V-05", "2026-03-13T00:00", 91205, "ABS", "C0035-11", "stored",
                       "Czujnik koła LP"),
                      ("V-02", "2026-03-16T00:00", 51650, "Silnik", None),
                      ("V-01", "2026-03-16T00:00", 83120, "Silnik", "P0442", "pending",
                       "Mała nieszczelność EVAP"), names=SCAN))  # fmt: skip
    heads = ["Nr zlec.", "Pojazd", "Data wykonania", "Stan licznika", "Wykonane prace", "Nr części",
             "Producent części", "Szt.", "Części", "Robocizna", "Waluta", "Mechanik"]  # fmt: skip
    wroc = [
        ["Oddział: Zarzecze"], heads,
        ["Z-71", "V-05", day_of("2026-03-13"), "91 205 km", "Wymiana łożyska koła przód lewe", "ZB-5512",
         "Zembrix", 1, 189.9, 150, "PLN", "Hebda"],
        ["Z-72", "V-01", day_of("2026-03-14"), "83 120 km", "Wymiana świec zapłonowych", "ZB-31004",
         "Zembrix", 4, 124, 80, "PLN", "Hebda"],
        ["Suma", "", "", "", "", "", "", 5, 313.9, 230],
    ]  # fmt: skip
    gorz = [
        ["Oddział: Podgaje"], heads,
        ["Z-15", "V-04", day_of("2026-03-16"), "98 020 km", "Wymiana alternatora", "QX-1120", "Quarvel",
         1, 640.5, 220, "PLN", "Sowul"],
        ["Suma", "", "", "", "", "", "", 1, 640.5, 220],
    ]  # fmt: skip
    yield Messy("warsztat_oddzialy.xlsx", "pl",
                "a sheet for each branch, which a line above names; parts, makers, sums",
                book_of(("Zarzecze", wroc), ("Podgaje", gorz), form="yyyy-mm-dd"),
                repairs(("V-05", "2026-03-13T00:00", 91205, "Z-71", "Wymiana łożyska koła przód lewe",
                         "ZB-5512", "Zembrix", 1, 189.9, 150.0, "PLN", "Hebda", "Zarzecze"),
                        ("V-01", "2026-03-14T00:00", 83120, "Z-72", "Wymiana świec zapłonowych",
                         "ZB-31004", "Zembrix", 4, 124.0, 80.0, "PLN", "Hebda", "Zarzecze"),
                        ("V-04", "2026-03-16T00:00", 98020, "Z-15", "Wymiana alternatora", "QX-1120",
                         "Quarvel", 1, 640.5, 220.0, "PLN", "Sowul", "Podgaje"),
                        names="vehicle_id repaired_at odometer_km repair_id notes part_number "
                              "part_brand quantity part_cost labour_cost currency technician "
                              "site"))  # fmt: skip
    orders = [
        "<?xml version='1.0' encoding='UTF-8'?>",
        "<zlecenia wydruk='2026-03-20'>",
        " <zlecenie numer='Z-81' klient='K-118'><pojazd>V-05</pojazd>",
        "  <przyjecie>2026-03-12</przyjecie><wykonano>2026-03-13</wykonano>",
        "  <przebieg jednostka='km'>91205</przebieg><mechanik>Hebda</mechanik>",
        "  <praca>Wymiana rozrusznika</praca><nrCzesci>QX-2207</nrCzesci>",
        "  <kosztCzesci waluta='PLN'>512.00</kosztCzesci>",
        "  <robocizna waluta='PLN'>140.00</robocizna>",
        "  <nastepnyPrzeglad>105000</nastepnyPrzeglad></zlecenie>",
        " <zlecenie numer='Z-82' klient='K-118'><pojazd>V-02</pojazd>",
        "  <przyjecie>2026-03-16</przyjecie><wykonano>2026-03-17</wykonano>",
        "  <przebieg jednostka='km'>51650</przebieg><mechanik>Sowul</mechanik>",
        "  <praca>Wymiana termostatu</praca><nrCzesci>QX-3318</nrCzesci>",
        "  <kosztCzesci waluta='PLN'>96.50</kosztCzesci>",
        "  <robocizna waluta='PLN'>110.00</robocizna>",
        "  <nastepnyPrzeglad>60000</nastepnyPrzeglad></zlecenie>",
        "</zlecenia>",
    ]
    yield Messy("zlecenia_serwis.xml", "pl",
                "orders taken in and done, the currency by an attribute, the next inspection's km",
                text(orders, end="\n"),
                repairs(("V-05", "2026-03-13T00:00", 91205, "Z-81", "Wymiana rozrusznika", "QX-2207",
                         512.0, 140.0, "PLN", "Hebda"),
                        ("V-02", "2026-03-17T00:00", 51650, "Z-82", "Wymiana termostatu", "QX-3318",
                         96.5, 110.0, "PLN", "Sowul"),
                        names="vehicle_id repaired_at odometer_km repair_id notes part_number "
                              "part_cost labour_cost currency technician"))  # fmt: skip
