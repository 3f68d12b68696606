"""What the README says is what the program does."""

import re
import subprocess
import sys
from pathlib import Path

import duckdb
import pytest
from click.testing import CliRunner

from afterclear import __version__
from afterclear.cli import COMMANDS, main
from afterclear.finding_tables.declaration import Finding, table_sql
from afterclear.finding_tables.dictionary import dictionary
from afterclear.finding_tables.registry import FINDINGS
from afterclear.plain import TABLES, Table
from afterclear.store.queries.exports import EXPORTS
from tests.calibration import lines, verdict_table
from tests.campaign_table import PAGE, renewed, results
from tests.help_tables import plain_dictionary

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_and_stands_in_the_readme(command: str) -> None:
    shown = CliRunner().invoke(main, [command, "--help"])
    assert shown.exit_code == 0, shown.output
    rows = [line.split("|")[1] for line in README.splitlines() if line.startswith("| `")]
    assert any(f"`{command}" in row for row in rows)


def test_every_example_of_a_makers_own_number_is_the_invented_one() -> None:
    """A number somebody really uses would make a reader think of whose it is."""
    told = [p for kind in ("py", "md", "html") for p in (ROOT / "src").rglob(f"*.{kind}")]
    found = {
        number
        for path in (*told, ROOT / "README.md")
        for number in re.findall(
            r"\b(?:make|acme|unknown):(\d{4,6})\b", path.read_text(encoding="utf-8")
        )
    }
    assert found == {"40417"}


def test_the_page_of_campaigns_tells_every_run_that_was_kept() -> None:
    """``python -m tests.campaign_table`` brings the page after the file."""
    page = PAGE.read_text(encoding="utf-8")
    assert renewed(page, results()) == page


def test_the_page_of_verdicts_has_every_line_that_was_measured_and_kept() -> None:
    """``python -m tests.calibration.verdict_table`` brings the page after the file."""
    page = verdict_table.PAGE.read_text(encoding="utf-8")
    assert verdict_table.renewed(page, lines.kept()) == page


def test_the_page_of_verdicts_is_one_page_with_one_picture() -> None:
    """A4 in small print: 75 lines and 950 words; what was measured has a page of its own."""
    page = (ROOT / "src/afterclear/help/verdicts.md").read_text(encoding="utf-8")
    assert len(page.splitlines()) <= 75
    assert len(page.split()) <= 950
    assert page.count("![") == 1
    for cause in ("1. **The fix failed.**", "2. **The part wore out.**", "3. **A new fault.**"):
        assert cause in page


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
def test_every_column_of_the_plain_layout_stands_in_the_readme(table: object) -> None:
    row = next(line for line in README.splitlines() if line.startswith(f"| {table.name} |"))  # type: ignore[attr-defined]
    for column in table.columns:  # type: ignore[attr-defined]
        assert column.name in row


@pytest.mark.parametrize("table", TABLES.values(), ids=lambda table: table.name)
def test_the_help_tells_every_column_and_every_word_it_may_hold(table: Table) -> None:
    """Whoever writes an export finds what is allowed without reading the code.

    ``plain.py`` says it; ``python -m tests.help_tables`` brings the page after it.
    """
    told = (ROOT / "src/afterclear/help/tables.md").read_text(encoding="utf-8")
    section = told.partition(f"\n## {table.name}\n")[2].partition("\n## ")[0]
    assert plain_dictionary(table) in section
    for column in table.columns:
        row = next(line for line in section.splitlines() if f"| `{column.name}`" in line)
        assert all(f"`{word}`" in row for word in column.choices)
        assert column.default is None or f"`{column.default}`" in row


def test_every_table_to_export_stands_in_the_readme_or_the_dictionary() -> None:
    shown = CliRunner().invoke(main, ["help", "tables"]).output
    assert [t for t in EXPORTS if f"`{t}`" not in README and f"\n## {t}\n" not in shown] == []


@pytest.mark.parametrize("finding", FINDINGS, ids=lambda finding: finding.name)
def test_the_help_tells_every_column_of_a_finding(finding: Finding) -> None:
    told = dictionary().partition(f"\n## {finding.name}\n")[2].partition("\n## ")[0]
    with duckdb.connect() as con:
        con.execute(table_sql(finding))
        exported = con.execute(EXPORTS[finding.name]).fetchall() or con.description
    assert [c[0] for c in exported if f"| `{c[0]}` |" not in told] == []


def test_the_release_notes_tell_of_this_version() -> None:
    notes = (ROOT / "src/afterclear/help/changes.md").read_text(encoding="utf-8")
    assert f"## {__version__}" in notes


def test_the_top_level_holds_the_agreed_names_only() -> None:
    tracked = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True
    ).stdout.split()
    names = {name.split("/")[0] for name in tracked}
    agreed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "src",
        "tests",
        "config",
        "reports",
        "sample_data",
    }
    assert {name for name in names if not name.startswith(".")} <= agreed


def test_the_command_line_starts_without_the_heavy_libraries() -> None:
    """``--help`` answers at once: nothing big is imported for it."""
    heavy = ("duckdb", "polars", "numpy", "scipy", "rich", "jinja2", "can", "pydantic")
    code = f"import sys, afterclear.cli; print([m for m in {heavy} if m in sys.modules])"
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert said.strip() == "[]"


def test_a_look_at_one_vehicle_starts_without_the_estimators() -> None:
    """``vehicle`` reads what is stored: neither frames nor a template engine are needed."""
    heavy = ("polars", "numpy", "scipy", "jinja2", "can", "rich")
    code = f"import sys, afterclear.cli.vehicle; print([m for m in {heavy} if m in sys.modules])"
    said = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    ).stdout
    assert said.strip() == "[]"
