"""What is told of the desk outside of it: the help page with its pictures, and the README."""

import ast
import re
from pathlib import Path

import afterclear

HELP = Path(afterclear.__file__).parent / "help"
README = Path(__file__).parents[2] / "README.md"
JPEG = b"\xff\xd8\xff"


def made_by_the_browser_test() -> set[str]:
    """Name the pictures that ``test_desk_browser.py`` makes."""
    source = (Path(__file__).parent / "test_desk_browser.py").read_text(encoding="utf-8")
    calls = (each for each in ast.walk(ast.parse(source)) if isinstance(each, ast.Call))
    return {
        f"desk_{call.args[1].value}.jpg"
        for call in calls
        if getattr(call.func, "id", "") == "picture" and isinstance(call.args[1], ast.Constant)
    }


def test_each_picture_of_the_help_page_is_made_by_the_test_run_and_shown() -> None:
    shown = re.findall(r"!\[[^\]]{20,}\]\((\w+\.jpg)\)", (HELP / "desk.md").read_text("utf-8"))
    kept = {path.name for path in HELP.glob("desk_*.jpg")}
    assert set(shown) == kept == made_by_the_browser_test()
    for name in shown:
        assert (HELP / name).read_bytes().startswith(JPEG)


def test_use_of_the_program_begins_with_the_desk() -> None:
    section = README.read_text(encoding="utf-8").partition("## Use it")[2]
    commands = re.findall(r"^afterclear (\w+)", section.partition("## ")[0], re.MULTILINE)
    assert commands[:2] == ["init", "desk"]
