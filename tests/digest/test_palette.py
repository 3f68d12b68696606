"""Colours of the style sheet against WCAG 2.2, and apart from each other without hue."""

import re
from itertools import combinations
from pathlib import Path

import pytest

import afterclear.digest

CSS = (Path(afterclear.digest.__file__).parent / "templates" / "style.css").read_text(
    encoding="utf-8"
)
THEMES = re.findall(r":root \{(.*?)\}", CSS, re.DOTALL)

# WCAG 2.2, 1.4.3 (text, AA) and 1.4.11 (graphics)
TEXT, GRAPHIC = 4.5, 3.0
TEXTS = ("ink", "soft", "link", "back")
GRAPHICS = ("held", "back", "watch", "open")


def colours(theme: str) -> dict[str, str]:
    return dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{3,6})", theme))


def luminance(colour: str) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    digits = colour.removeprefix("#")
    if len(digits) == 3:
        digits = "".join(2 * digit for digit in digits)
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_standards_own_extreme() -> None:
    """Black on white is 21:1 (WCAG 2.2, definition of contrast ratio)."""
    assert contrast("#000", "#fff") == pytest.approx(21, rel=1e-9)


@pytest.mark.parametrize("theme", THEMES, ids=["light", "dark"])
def test_text_and_graphics_stand_out(theme: str) -> None:
    found = colours(theme)
    for ground in ("paper", "panel"):
        for name in TEXTS:
            assert contrast(found[name], found[ground]) >= TEXT, (name, ground)
        for name in GRAPHICS:
            assert contrast(found[name], found[ground]) >= GRAPHIC, (name, ground)
    assert contrast(found["on-fill"], found["held"]) >= GRAPHIC
    assert contrast(found["on-fill"], found["back"]) >= GRAPHIC


@pytest.mark.parametrize("theme", THEMES, ids=["light", "dark"])
def test_verdicts_differ_in_lightness_too(theme: str) -> None:
    """So they stay apart in grey and for any kind of colour vision; 1.25 is our own choice."""
    found = colours(theme)
    for one, other in combinations(("held", "back", "watch"), 2):
        assert contrast(found[one], found[other]) >= 1.25, (one, other)


def test_there_are_two_themes() -> None:
    assert len(THEMES) == 2
