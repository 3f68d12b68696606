"""Rules of suggestions that a stranger's files taught, each alone: see messy/seventh_look.py."""

from pathlib import Path

import pytest

from afterclear.readers.maps.heading_words import HeadingWords, read_heading_words
from tests.readers.samples import IMPORTS
from tests.readers.test_suggesting import suggest


@pytest.fixture(scope="module")
def words() -> HeadingWords:
    return read_heading_words(IMPORTS / "headings.csv", IMPORTS / "doubts.csv")


@pytest.mark.parametrize(
    ("heading", "meant"),
    [("Auftr.-Nr.", "repair_id"), ("Fahrz.", "vehicle_id"), ("Auftr Nr", "")],
)
def test_a_heading_with_words_cut_short_means_what_it_is_short_for(
    words: HeadingWords, heading: str, meant: str
) -> None:
    found = words.of_heading(heading)
    assert (found.get(meant, 0.0) > 0.8) if meant else not found.get("repair_id")


@pytest.mark.parametrize(
    ("name", "lines", "key"),
    [
        ("clears.csv", ["Vehicle,Cleared at,Result", "V-1,2026-01-05,R2",
                        "V-2,2026-01-06,failed: no answer of the unit"], "rows"),
        ("scans.csv", ["Vehicle,Date,Code,Result", "V-1,2026-01-05,P0301,complete",
                       "V-2,2026-01-06,P0420,interrupted"], "rows"),
        ("orders.csv", ["Order,Vehicle,Date,Work,Kind", "1,V-1,2026-01-05,Pump renewed,unplanned",
                        "2,V-2,2026-01-06,Belt renewed,planned"], "rows"),
        ("parts.csv", ["Order,Vehicle,Date,Work,Part No,Part Price,Qty",
                       "1,V-1,2026-03-13,Plugs renewed,QX-31,14.50,4",
                       "2,V-2,2026-03-14,Discs renewed,QX-44,39.00,2"], "price"),
        ("each.csv", ["Order,Vehicle,Date,Work,Part No,Price each",
                      "1,V-1,2026-03-13,Plugs renewed,QX-31,14.50",
                      "2,V-2,2026-03-14,Discs renewed,QX-44,39.00"], "aside:Price each"),
        ("orders.csv", ["Order,Vehicle,Date,Work,State", "1,V-1,2026-01-05,Pump renewed,closed",
                        "2,V-2,2026-01-06,Belt renewed,open"], "rows"),
        ("dates.csv", ["Auftrag;Fahrzeug;Datum;Arbeit;Status",
                       "1;V-1;05.01.2026;Pumpe erneuert;erledigt",
                       "2;V-2;16.01.2026;Riemen erneuern;Termin"], "rows"),
        ("depots.csv", ["Vehicle,Date,Code,Depot", "V-1,2026-01-05,P0301,Luton",
                        "V-2,2026-01-06,P0420,Clearwater"], "rows"),
        ("plates.csv", ["Plate,Date,Odometer,Code", "CJ12ABC,2026-01-05,51000,P0301",
                        "TM05XYZ,2026-01-06,61000,P0420"], "odometer-unit"),
        ("others.csv", ["Order no,Vehicle,Date,Km,Work done", "1,V-1,2026-01-05,51000,Pump renewed",
                        "2,V-2,2026-01-06,61000,Belt renewed", "3,,,,Coil renewed"],
         "blank-vehicle"),
        ("jobs.csv", ["Order no,Vehicle,Date,Fault code,Quantity", "1,V-1,2026-01-05,P0301,1",
                      "2,V-2,2026-01-06,P0420,2"], "table"),
        ("taken.csv", ["Vehicle,Snapshot time,Created,Km,Code",
                       "V-1,2026-01-05 10:00,2026-01-09,51000,P0301",
                       "V-2,2026-01-06 10:00,2026-01-10,61000,P0420"], "time"),
        ("km.csv", ["Vehicle,Date,Km", "V-1,2026-01-31,2410", "V-1,2026-02-28,1985",
                    "V-2,2026-01-31,3120", "V-2,2026-02-28,2874"], "distance"),
    ],
)  # fmt: skip
def test_what_such_rows_mean_is_asked(
    words: HeadingWords, tmp_path: Path, name: str, lines: list[str], key: str
) -> None:
    questions = suggest(tmp_path, name, "\n".join(lines).encode(), words).questions
    assert key in [q.key for q in questions]
    assert all(q.rows for q in questions)


@pytest.mark.parametrize(
    ("name", "lines", "missing"),
    [
        ("scans.csv", ["Vehicle,Date,ECU,Code,St", "V-1,2026-01-05,Engine,P0301,P",
                       "V-1,2026-01-05,Brakes,,T", "V-1,2026-01-05,Airbag,,N"], "ecu_response"),
        ("orders.csv", ["Order no,Vehicle,Date,Work done,Parts",
                        "F-101,V-1,2026-01-05,Pump renewed,240.00",
                        "R-7,V-1,2026-01-09,Pump renewed (cancels F-101),-240.00"], "repair_id"),
        ("orders.csv", ["Order no,Vehicle,Date,Customer,Total", "1,V-1,2026-01-05,Mara Muster,120",
                        "2,V-2,2026-01-06,Jan Muster,80"], "what was done"),
        ("fleet_list.csv", ["Vehicle no,VIN,Make,Model", "North,,,", "V-1,XZ9AA11B2C3000001,Aro,X",
                            "V-2,XZ9AA11B2C3000002,Aro,X"], "vehicle_id"),
    ],
)  # fmt: skip
def test_rows_that_no_map_tells_apart_are_no_map(
    words: HeadingWords, tmp_path: Path, name: str, lines: list[str], missing: str
) -> None:
    found = suggest(tmp_path, name, "\n".join(lines).encode(), words).missing
    assert missing in [what.partition(":")[0] for what in found]


@pytest.mark.parametrize(
    ("name", "lines", "taken"),
    [
        ("days.csv", ["Coche;Fecha;Día;Código", "V-1;03/10/2026;martes;P0301",
                      "V-2;03/11/2026;miércoles;P0420"], 'date_format = ["%m/%d/%Y"]'),
        ("driven.csv", ["Van,Date,Odometer,Driven since (km),DTC", "V-1,2026-03-02,51000,,P0301",
                        "V-1,2026-03-09,51250,402,P0301", "V-1,2026-03-16,51370,193,P0301"],
         'odometer_km = { from = "Odometer", unit = "mi" }'),
        ("ends.csv", ["Fahrzeug;Datum;Fehler", "V-1;13.03.2026;P0420 zu klein - gespeichert",
                      "V-2;13.03.2026;P0301 Aussetzer (vorhanden)"],
         'values = { gespeichert = "stored", vorhanden = "confirmed" }'),
        ("orders.csv", ["Standort: Halle Nord", "Auftrag;Fahrzeug;Erledigt am;Arbeit",
                        "A-1;V-1;13.03.2026;Pumpe ersetzt"], "site = { above = "),
        ("orders.csv", ["N° OR;Véhicule;Terminé le;Opération;M.O. HT (€)",
                        "OR-1;V-1;13/03/2026;Pompe remplacée;45,00"],
         'labour_cost = "M.O. HT (€)"'),
        ("letters.csv", ["Véhicule;Date;Calculateur;Code;Ét.", "V-1;13/03/2026;Moteur;P0420;A",
                         "V-2;13/03/2026;Moteur;P0301;N",
                         "Ét. : A = ancien (mémorisé), N = nouveau (présent);;;;"],
         'values = { A = "stored", N = "confirmed" }'),
        ("types.csv", ["Car,Date,ECU,Code,Type,State", "V-1,2026-03-13,ABS,C0035,11,History",
                       "V-2,2026-03-13,ABS,C0040,1C,Current"],
         'failure_type = "Type"'),
        ("types.csv", ["Car,Date,ECU,Code,Type,State", "V-1,2026-03-13,ABS,C0035,11,History",
                       "V-2,2026-03-13,ABS,C0040,1C,Current"],
         'status = { from = "State", values = { History = "stored", Current = "confirmed" }'),
        ("orders.csv", ["Order,Vehicle,Date,Work,State", "1,V-1,2026-01-05,Pump renewed,done",
                        "2,V-2,2026-01-06,Belt renewed,cancelled by customer"],
         'drop_where = { State = "^(?:cancelled\\\\ by\\\\ customer)$" }'),
        ("orders.csv", ["Auftrag;Fzg.;Annahme;Fertig;Arbeit;Status",
                        "1;V-1;13.03.2026;14.03.2026;Pumpe ersetzt;fakturiert",
                        "2;V-2;14.03.2026;;Riemen ersetzen;offen"],
         'drop_where = { Status = "^(?:offen)$" }'),
        ("log.csv", ["vehicle,date,code,event", "T-1,2026-03-01,P0301,read",
                     "T-1,2026-03-02,P0301,cleared"], 'into = "clears"'),
        ("done.csv", ["Vehicle,Cleared at,Result", "V-1,2026-01-05,done",
                      "V-2,2026-01-06,failed: no answer"],
         'drop_where = { Result = "^(?:failed:\\\\ no\\\\ answer)$" }'),
        ("visits.csv", ["N° OR;Véhicule;Date entrée;Date sortie;Km entrée;Km sortie;Travaux",
                        "1;V-1;10/03/2026;12/03/2026;12 020;12 025;Bobine remplacée",
                        "2;V-2;13/03/2026;14/03/2026;88 400;88 401;Pompe remplacée"],
         'odometer_km = "Km sortie"'),
        ("next.csv", ["Orden;Coche;Fecha;KM;Trabajo;Próx. revisión",
                      "1;V-1;13/03/2026;98020;Sustituido alternador;110000 km",
                      "2;V-2;16/03/2026;90455;Cambiadas pastillas;105000 km"],
         'odometer_km = "KM"'),
        ("frames.csv", ["Vehicle,FF date,FF odometer km,Scan date,Scan odometer km,DTC",
                        "V-1,2026-03-10,83007,2026-03-14,83120,P0301",
                        "V-2,2026-03-12,83066,2026-03-15,83121,P0420"],
         'odometer_km = "Scan odometer km"'),
        ("parts.csv", ["Job No,Vehicle,Done,Work done,Part No,Part Price,Qty,Labour,Total GBP",
                       "J-1,V-1,2026-03-13,Plugs renewed,QX-31,14.50,4,60.00,118.00",
                       "J-2,V-2,2026-03-14,Discs renewed,QX-44,39.00,2,85.00,163.00"],
         'part_cost = { from = "Part Price", times = "Qty" }'),
        ("parts.csv", ["Auftrag;Fzg.;Datum;Arbeit;Teile-Nr.;Menge;Einzelpreis",
                       "1;V-1;13.03.2026;Kerzen ersetzt;QX-31;4;14,50",
                       "2;V-2;14.03.2026;Scheiben ersetzt;QX-44;2;39,00"],
         'part_cost = { from = "Einzelpreis", times = "Menge" }'),
        # a word of both: in a table of faults it is how often one occurred
        ("piezas.csv", ["Orden;Coche;Fecha;Trabajo realizado;Referencia;Cantidad;Precio unitario",
                        "1;V-1;13/01/2026;Bujías sustituidas;QX-31;4;14,50",
                        "2;V-2;14/01/2026;Bobina sustituida;QX-44;1;39,00"],
         'part_cost = { from = "Precio unitario", times = "Cantidad" }'),
        ("parts.csv", ["Order,Vehicle,Date,Work,Part No,Part Price,Qty",
                       "1,V-1,2026-03-13,Plugs renewed,QX-31,14.50,4",
                       "2,V-2,2026-03-14,Plug renewed,QX-31,14.50,1"],
         'part_cost = { from = "Part Price", times = "Qty" }'),
        ("fuel.csv", ["Véhicule;Date;Km saisi;Produit;Litres", "V-1;13/02/2026;90120;Gazole;52,10",
                      "V-2;14/02/2026;70210;Gazole;41,75"], 'odometer_km = "Km saisi"'),
        ("units.csv", ["Stock No,Price GBP,Checked,Km,Module,Code,MOT Due",
                       "V-1,6995,2026-03-13,51648,Engine,P0420,2026-09-30",
                       "V-2,9495,2026-03-14,31250,Engine,No codes,2027-01-15"],
         'scanned_at = "Checked"'),
        ("shift.csv", ["Zmiana: 13.02.2026", "", "Godzina;Pojazd;Sterownik;Kod",
                       "06:15;V-5;Silnik;P0301", "07:40;V-4;Hamulce;brak"],
         'scanned_at = { from = "Godzina", above = '),
        ("lasting.csv", ["Véhicule;Date;Calculateur;Code;Nature",
                         "V-1;16/03/2026;Moteur;P0171;permanent",
                         "V-1;16/03/2026;ABS;C0035;fugitif"],
         'values = { permanent = "confirmed", fugitif = "stored" }'),
        ("counts.csv", ["Maszyna;Data odczytu;Motogodziny;SPN;FMI;Licznik wyst.",
                        "V-3;13.03.2026;4512,5;100;4;3", "V-4;14.03.2026;1209,0;110;0;1"],
         'occurrences = { from = "Licznik wyst."'),
        ("clears.csv", ["Cleared on,Vehicle,Module", "2026-03-13,V-1,Engine", "2026-03-14,V-2,all"],
         'ecu = { from = "Module", values = { all = "" }, otherwise = "keep" }'),
        ("francs.csv", ["Auftrag;Datum;Fahrzeug;Ausgeführte Arbeit;Material CHF;Arbeit CHF",
                        "W-1;13.03.2026;V-1;Lader ersetzt;1240.50;480.00",
                        "W-2;16.03.2026;V-5;Kerzen ersetzt;188.00;120.00"],
         'labour_cost = "Arbeit CHF"'),
        ("register.csv", ["Fleet No,Chassis no.,Make,Model,State",
                          "V-1,XZ9AA11B2C3000001,Aro,X,In use",
                          "V-2,XZ9AA11B2C3000002,Aro,X,Disposed"],
         'values = { "In use" = "in_fleet", Disposed = "sold" }'),
        ("stand.csv", ["Stand: 16.03.2026;;", "Fzg.;Steuergerät;Fehler", "V-1;Motor;P0420",
                       "V-2;Motor;P0171", "2 Fahrzeuge;;"], 'scanned_at = { above = "(?m)Stand'),
        ("counted.txt", ["Vehicle: V-1   Read: 13 Mar 2026", "  Engine control   1 faults",
                         "     P0301  misfire   current", "  Brakes   0 faults"],
         "(?P<code>0"),
        ("places.csv", ["Zlecenie;Pojazd;Data;Kod;Czynność;Część;Miejsce;Ilość;Rodzaj części",
                        "1;V-1;13.03.2026;C0040;wymiana;czujnik;prawy przód;1 szt.;zamiennik",
                        "2;V-2;14.03.2026;C0035;wymiana;wtyczka;lewy tył;2 szt.;oryginał"],
         'position = "Miejsce"'),
        ("grades.csv", ["Order,Vehicle,Date,Work,Part No,Part grade",
                        "1,V-1,2026-03-13,Pump renewed,QX-31,genuine",
                        "2,V-2,2026-03-14,Belt renewed,QX-44,aftermarket"],
         'part_grade = { from = "Part grade", values = { genuine = "original"'),
        ("log.csv", ["Date,Fleet No,Odometer km,Fault reported,Action taken,Tech",
                     "2026-03-13,V-1,84120,Warning lamp on,Replaced crankshaft sensor,JP",
                     "2026-03-14,V-2,12034,Brakes squeal when cold,Replaced front pads,AM"],
         'notes = { from = ["Fault reported", "Action taken"]'),
        ("ordinals.csv", ["Véhicule;Effacé le;Motif", "V-1;1er septembre 2026 à 11h11;essai",
                          "V-2;12 août 2026 à 9h05;entretien"],
         'cleared_at = { from = "Effacé le"'),
        ("twice.csv", ["Order,Vehicle,Date,Km,Work", "1,V-1,2026-03-13,51000,Ignition coil renewed",
                       "2,V-1,2026-03-17,51274,Ignition coil renewed"], 'notes = "Work"'),
        ("same.csv", ["Vehicle,Date,Km,Code,Shift", "V-1,2026-03-13,51000,P0301,late",
                      "V-2,2026-03-14,61000,P0420,late"], 'code = "Code"'),
        ("scope.csv", ["Vehicle,Date,Km,Code,scan_scope", "V-1,2026-03-13,51000,P0301,full",
                       "V-2,2026-03-14,61000,P0420,partial"], 'scan_scope = "scan_scope"'),
        ("frozen.csv", ["Pojazd;Data;RK: przebieg [km];Przebieg [km];Kod",
                        "V-1;2026-03-13;127974;129927;P0401", "V-2;2026-03-14;;140499;brak"],
         'odometer_km = "Przebieg [km]"'),
        ("silent.csv", ["Vehicle,Date,Km,ECU,Code", "V-1,2026-03-13,51000,Engine,P0301",
                        "V-2,2026-03-14,61000,Brakes,no response"],
         'ecu_response = { from = "Code", values = { "no response" = "no_answer" }'),
        ("beside.csv", ["Vehicle,Date,Km,ECU,Code,Text",
                        "V-1,2026-03-13,51000,Engine,P0301,Misfire",
                        "V-2,2026-03-14,61000,Brakes,,no response"],
         'ecu_response = { from = "Text", values = { "no response" = "no_answer" }'),
        ("strokes.csv", ["Vehicle,Date,Km,ECU,Code",
                         "V-1,2026-03-13,51000,Engine,P0301 Misfire [stored] / P0562 Low [pending]",
                         "V-2,2026-03-14,61000,Brakes,none"], r'each = "\\s*/\\s*"'),
        ("loeschungen.csv", ["Datum;Fahrzeug;Steuergerät;Fehlercode;Ergebnis",
                             "13.03.2026;V-1;Motor;P0301;gelöscht",
                             "14.03.2026;V-2;ABS;C0035;nicht gelöscht"],
         'drop_where = { Ergebnis = "^(?:nicht\\\\ gelöscht)$" }'),
        ("effacements.json", ['{"site": "Nord", "effacements": [',
                              '{"vehicule": "V-1", "date": "2026-03-13T10:00:00", "km": 51000,',
                              '"codes": ["P0301"], "resultat": "effacé"},',
                              '{"vehicule": "V-2", "date": "2026-03-14T11:00:00", "km": 61000,',
                              '"codes": ["P0420"], "resultat": "effacé"}]}'],
         'into = "clears"'),
        ("active.csv", ["Only active faults were read;;;", "Vehicle;Read on;ECU;Fault code",
                        "V-1;2026-03-13;Engine;P0301"], 'memory = { value = "active_only" }'),
    ],
)  # fmt: skip
def test_what_stands_beside_or_behind_decides_how_a_column_is_read(
    words: HeadingWords, tmp_path: Path, name: str, lines: list[str], taken: str
) -> None:
    found = suggest(tmp_path, name, ("\n".join(lines) + "\n").encode(), words)
    assert taken in found.text
    assert not found.questions


@pytest.mark.parametrize(
    "word",
    ["sporadisch", "intermittent", "esporádico", "sporadyczny", "sporadique", "fugitif"],
)
def test_a_code_that_comes_and_goes_is_stored_and_not_pending(
    words: HeadingWords, tmp_path: Path, word: str
) -> None:
    lines = ["Vehicle,Date,Km,ECU,Code,Status", f"V-1,2026-03-13,51000,Engine,P0301,{word}",
             f"V-2,2026-03-14,61000,Brakes,C0035,{word}"]  # fmt: skip
    found = suggest(tmp_path, "scans.csv", "\n".join(lines).encode(), words)
    key = word if word.isascii() else f'"{word}"'
    assert f'{{ {key} = "stored" }}' in found.text
    assert not found.questions


@pytest.mark.parametrize(
    ("word", "others", "asked"),
    [
        ("stały", ("potwierdzony", "oczekujący"), ["word:stały"]),
        ("stały", ("oczekujący", "oczekujący"), []),
        ("stały", ("sporadyczny", "oczekujący"), []),
        ("permanent", ("sporadyczny", "oczekujący"), []),
        ("permanent", ("confirmed", "pending"), []),
        ("permanent", ("confirmed", "intermittent"), ["word:permanent"]),
        ("permanente", ("activo", "intermitente"), ["word:permanente"]),
        ("permanent", ("confirmé", "fugitif"), ["word:permanent"]),
    ],
)
def test_lasting_beside_pending_and_confirmed_may_be_permanent_and_is_asked_about(
    words: HeadingWords, tmp_path: Path, word: str, others: tuple[str, str], asked: list[str]
) -> None:
    lines = ["Data;Pojazd;Przebieg km;Sterownik;Kod;Status"]
    states = enumerate((*others, word), 1)
    lines += [f"2{n}/02/2026;V-{n};12400{n};Silnik;P030{n};{state}" for n, state in states]
    found = suggest(tmp_path, "l.csv", "\n".join(lines).encode(), words)
    assert [question.key for question in found.questions] == asked


def test_amounts_of_labour_in_the_column_of_the_parts_are_no_parts(
    words: HeadingWords, tmp_path: Path
) -> None:
    lines = ["Ordre;Véhicule;Date;Type;Désignation;Référence;Qté;P.U. CHF;Total CHF",
             "1;V-1;13/03/2026;MO;Bobine remplacée;;0,5;110,00;55,00",
             "1;V-1;13/03/2026;PC;Bobine;QX-1;2;68,50;137,00"]  # fmt: skip
    found = suggest(tmp_path, "d.csv", "\n".join(lines).encode(), words)
    assert [each.partition(":")[0] for each in found.missing] == ["part_cost"]


def test_the_same_work_told_on_another_day_at_the_same_distance_is_asked_about(
    words: HeadingWords, tmp_path: Path
) -> None:
    lines = ["Order,Vehicle,Date,Km,Work", "1,V-1,2026-03-13,51000,Ignition coil renewed",
             "2,V-1,2026-03-17,51000,Ignition coil renewed"]  # fmt: skip
    found = suggest(tmp_path, "twice.csv", "\n".join(lines).encode(), words)
    assert [question.key for question in found.questions] == ["sense:told-twice"]


def test_a_count_by_which_rows_of_data_begin_is_no_footer(
    words: HeadingWords, tmp_path: Path
) -> None:
    lines = ["Result,Vehicle,Date,Km,Code,Text", "2 faults,V-1,2026-01-05,51000,,",
             "1 faults,V-3,2026-01-07,100,P0301,Misfire"]  # fmt: skip
    assert "totals" not in suggest(tmp_path, "r.csv", "\n".join(lines).encode(), words).text
