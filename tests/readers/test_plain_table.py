"""Recognising plain tables: by their columns, whatever else the file holds."""

from pathlib import Path

from afterclear.readers.plain_table import PlainTableReader
from afterclear.records import Delivery

CLEAR = '{"vehicle_id": "V1", "cleared_at": "2025-03-30T14:05:00Z"}'


def identified(folder: Path, text: str) -> bool:
    path = folder / "clears.jsonl"
    path.write_text(text, encoding="utf-8")
    return PlainTableReader().identify(Delivery("test", path.name, path, ""))


def test_a_line_nested_deeper_than_python_goes_is_passed_over(tmp_path: Path) -> None:
    """Found by broken files: such a line is no reason to end the load."""
    assert identified(tmp_path, f"{CLEAR}\n{CLEAR}\n")
    deep = f'{{"a": {"[" * 20_000}{"]" * 20_000}}}'
    assert identified(tmp_path, f"{CLEAR}\n{deep}\n")
    assert not identified(tmp_path, f"{deep}\n{deep[:15_000]}\n")
