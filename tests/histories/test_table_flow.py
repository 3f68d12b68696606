"""The map of tables at the head of ``afterclear.histories`` is that of its SQL files."""

import re
from textwrap import fill

import afterclear.histories
from afterclear.histories.build_histories import rule_files

_NAME = r"((?:store\.)?\w+)"
_WRITES = re.compile(rf"\b(?:TEMP TABLE|INSERT INTO|DELETE FROM) {_NAME}")
# not the FROM of IS DISTINCT FROM, nor that of DELETE FROM
_READS = re.compile(rf"(?<!DISTINCT )(?<!DELETE )\b(?:FROM|JOIN)\s+{_NAME}")
_STEP = re.compile(r"(?:WITH|\),) (\w+) AS (?:MATERIALIZED )?\(")


def flow_of(sql: str) -> tuple[set[str], set[str]]:
    """Name the tables a file reads that it did not make itself, and those it writes."""
    sql = re.sub(r"--.*", "", sql)
    writes = set(_WRITES.findall(sql))
    steps = set(_STEP.findall(sql))
    return set(_READS.findall(sql)) - writes - steps - {"LATERAL"}, writes


def written_as_map(files: dict[str, str]) -> str:
    """Write what each file reads and writes, a paragraph a file."""
    lines = []
    for name, sql in files.items():
        lines.append(name)
        for word, tables in zip(("reads", "writes"), flow_of(sql), strict=True):
            text = f"{word:<6} {', '.join(sorted(tables))}"
            lines.append(fill(text, 99, initial_indent=" " * 4, subsequent_indent=" " * 11))
    return "\n".join(lines)


def test_the_map_of_tables_is_that_of_the_sql() -> None:
    wanted = written_as_map(rule_files())
    assert wanted in (afterclear.histories.__doc__ or ""), f"The map should be:\n\n{wanted}"


def test_no_file_reads_what_a_later_one_writes() -> None:
    """What ``build_histories.py`` puts in between belongs to no file."""
    files = [flow_of(sql) for sql in rule_files().values()]
    later: set[str] = set()
    for reads, writes in reversed(files):
        assert not reads & later
        later |= writes - {"part_facts"}
    assert "clear_events" in later
