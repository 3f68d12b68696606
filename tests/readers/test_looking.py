"""Files searched for names: what nobody can read is told, not passed over."""

from pathlib import Path

import pytest
from PIL import Image

from afterclear.readers.looking import CannotLookError, texts
from tests.readers.printed import paper, raw, say


def _looked_at(tmp_path: Path, *, scanned: bool) -> str:
    made = paper()
    say(made, "Invoice 17")
    made.add_page()
    if scanned:
        made.image(Image.new("L", (8, 8)), x=10, y=10, w=100)
    place = tmp_path / "a.pdf"
    place.write_bytes(raw(made))
    return "\n".join(texts(place, place.name))


def test_a_scanned_page_behind_one_with_text_cannot_be_looked_at(tmp_path: Path) -> None:
    with pytest.raises(CannotLookError):
        _looked_at(tmp_path, scanned=True)


def test_an_empty_page_hides_nothing(tmp_path: Path) -> None:
    assert "Invoice 17" in _looked_at(tmp_path, scanned=False)
