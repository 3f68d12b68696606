from collections.abc import Iterator
from pathlib import Path

import pytest

from afterclear.digest.common.file_names import GARAGE, quality_page
from afterclear.digest.output.write import remove_left_over, write_digest


def test_pages_are_written_under_their_names(tmp_path: Path) -> None:
    pages = {"vehicles/v-a.html": "<p>é</p>\n", "index.html": "<p>b</p>"}
    written = write_digest(pages, tmp_path / "new" / "folder")
    assert [path.relative_to(tmp_path / "new" / "folder").as_posix() for path in written] == [
        "vehicles/v-a.html",
        "index.html",
    ]
    assert written[0].read_bytes() == "<p>é</p>\n".encode()


def test_pages_made_one_at_a_time_are_written_one_at_a_time(tmp_path: Path) -> None:
    def made() -> Iterator[tuple[str, str]]:
        yield "a.html", "a"
        assert (tmp_path / "a.html").read_text(encoding="utf-8") == "a"
        yield "b.html", "b"

    assert len(write_digest(made(), tmp_path)) == 2


def test_a_page_is_replaced_whole_or_not_at_all(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The old page stays readable while the new one is written, and if that fails."""
    write_digest({"a.html": "old"}, tmp_path)

    def fail(self: Path, target: Path) -> Path:
        assert (tmp_path / "a.html").read_text(encoding="utf-8") == "old"
        assert self.read_text(encoding="utf-8") == "new"
        raise OSError("disk full", str(target))

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(OSError, match="disk full"):
        write_digest({"a.html": "new"}, tmp_path)
    assert (tmp_path / "a.html").read_text(encoding="utf-8") == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["a.html"], "no draft is left behind"


def test_the_work_behind_the_garage_page_goes_only_with_that_page(tmp_path: Path) -> None:
    """A digest of the fleet alone leaves the garage page as it was, with what it leads to."""
    old = quality_page("site", "Northquay")
    write_digest({old: "work", GARAGE: "page"}, tmp_path)
    assert remove_left_over(tmp_path, write_digest({"fleet.html": "fleet"}, tmp_path)) == []
    assert remove_left_over(tmp_path, write_digest({GARAGE: "new"}, tmp_path)) == [tmp_path / old]
