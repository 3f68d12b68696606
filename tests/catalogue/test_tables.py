"""The shipped tables are whole, sourced and agree with each other."""

import itertools
import shutil
from collections import Counter
from pathlib import Path

import pytest

from afterclear.catalogue.code_meaning import Catalogue
from afterclear.catalogue.code_tables import CodeTables
from afterclear.catalogue.codes import NormalCode, normal_code
from afterclear.catalogue.config_tables import Row, read_settings, read_table
from afterclear.catalogue.control_units import ControlUnits
from afterclear.catalogue.knock_on import KnockOn, load_cures
from afterclear.catalogue.lexicon import Lexicon
from afterclear.errors import ConfigError

MONITORS = {
    *("misfire", "fuel_system", "component", "catalyst", "heated_catalyst", "evaporative"),
    *("secondary_air", "ac_refrigerant", "oxygen_sensor", "oxygen_sensor_heater", "egr_vvt"),
    *("nmhc_catalyst", "nox_scr", "boost_pressure", "exhaust_gas_sensor", "pm_filter"),
    "cold_start_aid",
}


def _rows(path: Path) -> list[Row]:
    return read_table(path, ())


def _code_tables(config_dir: Path) -> list[Path]:
    codes = config_dir / "codes"
    return [*sorted(codes.glob("generic_*.csv")), codes / "network.csv"]


def test_a_code_stands_in_one_table_only(config_dir: Path) -> None:
    counts = Counter(row["code"] for path in _code_tables(config_dir) for row in _rows(path))
    assert [code for code, n in counts.items() if n > 1] == []


def test_at_least_600_generic_codes_have_words(catalogue: Catalogue) -> None:
    generic = [code for code in catalogue.codes.codes if code[0] in "PCB"]
    assert len(generic) >= 600
    assert {code[:2] for code in generic} >= {"P0", "P2", "P3", "C0", "B0"}


def test_every_listed_code_is_in_normal_form(config_dir: Path) -> None:
    for path in _code_tables(config_dir):
        for row in _rows(path):
            found = normal_code(row["code"])
            assert isinstance(found, NormalCode), row
            assert found.base == row["code"]


def test_every_row_of_every_table_has_a_source(config_dir: Path) -> None:
    paths = [*config_dir.glob("codes/*.csv")]
    paths += [config_dir / f"{name}.csv" for name in ("knock_on", "safety", "monitors", "evidence")]
    without = [
        f"{path.name}:{row['_line']}"
        for path in paths
        if path.name != "make_schemes.csv"  # the user's own
        for row in _rows(path)
        if not row["source"]
    ]
    assert without == []


def test_every_table_begins_with_a_line_on_its_licence(config_dir: Path) -> None:
    names = [*config_dir.glob("lexicon*.toml"), *config_dir.glob("control_units*.toml")]
    for path in [*config_dir.glob("codes/*.csv"), *names]:
        head = path.read_text(encoding="utf-8").split("\n\n")[0]
        assert "icence" in head or path.name == "make_schemes.csv", path.name


def test_every_component_and_place_in_the_tables_is_known(catalogue: Catalogue) -> None:
    tables = catalogue.codes
    for entry in (*tables.codes.values(), *tables.spns.values(), *tables.schemes.values()):
        if not entry.component:
            assert not entry.position
            continue
        component = catalogue.lexicon.components[entry.component]
        if entry.position and component.axes:
            place, _ = catalogue.lexicon.position(component, entry.position)
            assert place or component.unspelled, entry


def test_failure_types_are_two_hex_digits_and_fmis_fit_five_bits(catalogue: Catalogue) -> None:
    """SAE J2012 and J1939-73; every category of failure type from 0 to 9 is there."""
    kinds = catalogue.codes.failure_types
    assert all(len(kind) == 2 and int(kind, 16) > 0 for kind in kinds)
    assert {kind[0] for kind in kinds} == set("0123456789")
    assert set(catalogue.codes.fmis) == {*range(22), 31}


def test_blocks_cover_every_code_once(catalogue: Catalogue) -> None:
    """Each of the 65,536 words lies in one block, except U1, U2 and the like that share one."""
    blocks = catalogue.codes.blocks
    assert all(first <= last and first[0] == last[0] for first, last, _, _ in blocks)
    for letter in "PCBU":
        edges = sorted((int(a[1:], 16), int(b[1:], 16)) for a, b, _, _ in blocks if a[0] == letter)
        assert edges[0][0] == 0
        assert edges[-1][1] == 0x3FFF
        assert all(b + 1 == c for (_, b), (c, _) in itertools.pairwise(edges))


def test_monitors_have_known_names_and_ordered_ranges(config_dir: Path) -> None:
    for row in _rows(config_dir / "monitors.csv"):
        assert row["monitor"] in MONITORS, row
        assert row["first"] <= row["last"]
        assert len(row["first"]) == len(row["last"]) == 5


def test_cautions_are_unique_and_print_no_number(config_dir: Path) -> None:
    """Waiting times differ between makers from seconds to many minutes: none is printed."""
    rows = _rows(config_dir / "safety.csv")
    assert len({row["id"] for row in rows}) == len(rows)
    assert not any(char.isdigit() for row in rows for char in row["title"] + row["text"])
    areas = [row for row in rows if row["families"] != "*"]
    assert {row["id"] for row in areas} == {
        *("brakes", "steering", "restraints", "high_voltage", "assistance"),
    }
    assert all("maker" in row["text"] or "authorised" in row["text"] for row in areas)


def test_cautions_name_families_and_units_that_exist(
    config_dir: Path, catalogue: Catalogue
) -> None:
    components = catalogue.lexicon.components
    for row in _rows(config_dir / "safety.csv"):
        for pattern in row["families"].split():
            stem = pattern.split(":")[0].rstrip("*")
            assert any(key.startswith(stem) for key in components), pattern
        assert set(row["ecus"].split()) <= set(catalogue.control_units.labels)


def test_evidence_distances_are_positive_and_name_families_that_exist(
    config_dir: Path, catalogue: Catalogue
) -> None:
    rows = _rows(config_dir / "evidence.csv")
    assert rows[-1]["family"] == "default"
    for row in rows:
        assert 0 < float(row["km"]) < 1000
        stem = row["family"].split(":")[0].rstrip("*")
        known = any(key.startswith(stem) for key in catalogue.lexicon.components)
        assert known or stem == "default", row


def test_units_that_may_hold_a_function_exist(catalogue: Catalogue) -> None:
    for others in catalogue.control_units.may_sit_in.values():
        assert set(others) <= set(catalogue.control_units.labels)


# --- the loader -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("# only a comment\n", "no header line"),
        ("a,c\n1,2\n", "lacks the column b"),
        ("# head\na,b\n1,2,3\n", "line 3 has another number of cells"),
        ("a,b\n1\n", "line 2 has another number of cells"),
        ('a,b\n"1,2\n', "after line 1"),
    ],
)
def test_a_wrong_table_is_refused_with_file_and_line(tmp_path: Path, text: str, hint: str) -> None:
    path = tmp_path / "table.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ConfigError, match=hint):
        read_table(path, ("a", "b"))


def test_comments_and_a_byte_order_mark_are_skipped(tmp_path: Path) -> None:
    path = tmp_path / "table.csv"
    path.write_text("\ufeff# licence\n# more\na,b\n#x,y\n 1 ,2\n", encoding="utf-8")
    assert read_table(path, ("a", "b")) == [{"a": "1", "b": "2", "_line": "5"}]


def test_a_missing_table_is_named(tmp_path: Path) -> None:
    with pytest.raises(ConfigError, match=r"none\.csv is missing"):
        read_table(tmp_path / "none.csv", ("a",))
    with pytest.raises(ConfigError, match=r"none\.toml is missing"):
        read_settings(tmp_path / "none.toml")


def test_all_mistakes_of_a_lexicon_are_told_at_once(tmp_path: Path) -> None:
    head = 'label = "wheel"\nsubsystem = "x"\nnames = ["round thing"]\n'
    (tmp_path / "lexicon.toml").write_text(
        f"[components.wheel]\n{head}[components.ball]\n{head.replace('wheel', 'ball')}",
        encoding="utf-8",
    )
    (tmp_path / "lexicon_xx.toml").write_text(
        '[components]\ncube = { names = ["--"] }\n[ecus]\n', encoding="utf-8"
    )
    with pytest.raises(ConfigError) as caught:
        Lexicon.load(tmp_path)
    told = str(caught.value)
    assert "'round thing' is a name of both wheel and ball" in told
    assert "lexicon_xx.toml: the component cube is not in lexicon.toml" in told
    assert "'--' of cube has no word in it" in told
    assert "a lexicon has no section [ecus]" in told


def test_all_mistakes_in_names_of_control_units_are_told_at_once(tmp_path: Path) -> None:
    (tmp_path / "control_units.toml").write_text(
        '[engine]\nlabel = "engine"\nnames = ["box"]\n[body]\nlabel = "body"\nnames = ["box"]\n',
        encoding="utf-8",
    )
    (tmp_path / "control_units_xx.toml").write_text('none = { names = ["--"] }', encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        ControlUnits.load(tmp_path)
    told = str(caught.value)
    assert "control_units.toml: 'box' is a name of both engine and body" in told
    assert "control_units_xx.toml: the control unit none is not in control_units.toml" in told
    assert "'--' of none has no word in it" in told


@pytest.mark.parametrize(
    ("row", "hint"),
    [
        ("code,U0100,near,engine,w,s", "relation is one of"),
        ("code,U0100,lost,kitchen,w,s", "'kitchen' is no control unit"),
        ("word,U0100,lost,engine,w,s", "kind is code, range or text"),
        ("text,no news,lost,{ecu},w,s", "needs {ecu}"),
        ("text,{ecu},lost,{ecu},w,s", "no word beside the unit"),
        ("code,P0420,harmed,engine,w,s", "a harm is written"),
        ("harm,misfire,harmed,engine,w,s", "a harm is written"),
        ("harm,misfire > P0430,harmed,kitchen,w,s", "'kitchen' is no control unit"),
        ("harm,misfire > the pan,harmed,engine,w,s", "'the pan' is no component"),
        ("harm,misfire > P2428,harmed,engine,w,s", "is said twice"),
    ],
)
def test_a_wrong_knock_on_rule_is_refused_with_its_line(
    config_dir: Path, tmp_path: Path, row: str, hint: str
) -> None:
    table = (config_dir / "knock_on.csv").read_text(encoding="utf-8")
    path = tmp_path / "knock_on.csv"
    path.write_text(f"{table}{row}\n", encoding="utf-8")
    with pytest.raises(ConfigError) as caught:
        KnockOn.load(path, ControlUnits.load(config_dir), {"misfire", "catalyst"})
    assert hint in str(caught.value)
    assert f"line {table.count(chr(10)) + 1}" in str(caught.value)


@pytest.mark.parametrize(
    ("row", "hint"),
    [
        ("the pan,misfire,w,s", "'the pan' is no component"),
        ("misfire,misfire,w,s", "for its own codes anyway"),
        ("ignition_coil,misfire,w,s", "stand here twice"),
        ("abs_pump,misfire,w,", "needs why and source"),
    ],
)
def test_a_wrong_row_of_cures_is_refused_with_its_line(
    config_dir: Path, tmp_path: Path, row: str, hint: str
) -> None:
    table = (config_dir / "cures.csv").read_text(encoding="utf-8")
    path = tmp_path / "cures.csv"
    path.write_text(f"{table}{row}\n", encoding="utf-8")
    with pytest.raises(ConfigError, match=hint) as caught:
        load_cures(path, Lexicon.load(config_dir).components)
    assert f"line {table.count(chr(10)) + 1}" in str(caught.value)


def test_a_code_that_stands_twice_is_refused(config_dir: Path, tmp_path: Path) -> None:
    codes = shutil.copytree(config_dir / "codes", tmp_path / "codes")
    with (codes / "network.csv").open("a", encoding="utf-8") as file:
        file.write("P0301,again,misfire,,test\n")
    with pytest.raises(ConfigError, match="P0301 stands here twice"):
        CodeTables.load(codes)
