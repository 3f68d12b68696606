"""What every reader promises, whatever comes: a clear error or rejected rows, no crash, no loss.

The suite runs over every registered reader and every example map; a reader without a sample
fails it.  ``plain_table`` hands its file to the store, so its rows are looked at there.
"""

import gzip
import io
import random
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from afterclear.errors import DecodeError, RefusedFileError
from afterclear.load import Arrival, load_files
from afterclear.readers.containers import container_kind, unpacked
from afterclear.readers.registry import identify
from afterclear.records import LoadResult, ReadFile, Rejection
from afterclear.store.engine.database import open_store
from tests.readers.samples import (
    IMPORTS,
    Sample,
    all_samples,
    deliver,
    reader_named,
    readers,
    rows_of,
)

SAMPLES = all_samples()
CUTS = 120  # places at which a longer file is cut; a shorter one is cut at each byte
TEXTS = [s for s in SAMPLES if s.is_text]
HEADED = [s for s in SAMPLES if s.delimiter]
OWN_ROWS = [s for s in SAMPLES if s.reader != "plain_table"]  # whose reader makes rows itself
every_sample = pytest.mark.parametrize("sample", SAMPLES, ids=lambda s: s.name)


def attempt(folder: Path, sample: Sample, raw: bytes) -> ReadFile | None:
    """Read bytes as the sample's reader would; None: refused, with a message that says enough."""
    delivery = deliver(folder, sample.name, raw)
    reader = reader_named(sample.reader)
    reader.identify(delivery)  # must not fail, whatever it says
    try:
        return reader.read(delivery)
    except (RefusedFileError, DecodeError) as error:
        said = str(error)
    assert len(said) > 15, f"too short to act on: {said}"
    return None


def load(folder: Path, name: str, *raws: bytes) -> list[LoadResult]:
    """Load files of one name into an empty store; the ledger checks that the rows add up."""
    clock = lambda: datetime(2026, 11, 1, tzinfo=UTC)  # noqa: E731
    arrivals = []
    for number, raw in enumerate(raws):
        place = _folder(folder, f"load{number}") / name
        place.write_bytes(raw)
        arrivals.append(Arrival("test", place, name, vehicle_id="T-1", started_at=clock()))
    with open_store(folder / "x.duckdb") as con:
        return list(load_files(con, folder / "archive", arrivals, clock, IMPORTS))


def _folder(parent: Path, name: str) -> Path:
    made = parent / name
    made.mkdir()
    return made


def refused_lines(read: ReadFile) -> set[int | None]:
    return {r.line for r in read.rejections}


def test_every_reader_has_a_sample() -> None:
    """A new reader or map is not forgotten by this suite."""
    assert {r.name for r in readers()} == {s.reader for s in SAMPLES}


@every_sample
def test_a_sample_belongs_to_its_reader_alone(sample: Sample, tmp_path: Path) -> None:
    delivery = deliver(tmp_path, sample.name, sample.raw)
    assert identify(delivery, readers()).name == sample.reader


@every_sample
def test_a_sample_loads_and_an_empty_file_is_refused(sample: Sample, tmp_path: Path) -> None:
    results = load(tmp_path, sample.name, sample.raw, b"")
    assert [r.outcome for r in results] == ["stored", "refused"]
    assert results[0].rows_read > 0


@pytest.mark.slow
@every_sample
def test_a_cut_file_is_refused_or_read_as_far_as_it_goes(sample: Sample, tmp_path: Path) -> None:
    """Whole lines before the cut read as in the whole file; a kind without lines is refused."""
    whole = attempt(tmp_path, sample, sample.raw)
    assert whole is not None
    lines_of_cut = [sample.raw[:n].count(b"\n") + 1 for n in range(len(sample.raw))]
    cuts = range(len(sample.raw))
    if len(cuts) > CUTS:
        cuts = sorted(random.Random(7).sample(cuts, CUTS))  # type: ignore[assignment] # noqa: S311
    for cut in cuts:
        read = attempt(tmp_path, sample, sample.raw[:cut])
        if read is None or sample.reader in {"plain_table", "can_log", "hex_responses"}:
            continue  # a bus log's scans gather many lines: its own tests cut it frame by frame
        if not sample.by_line and sample.suffix != ".html":  # only what says nothing was cut
            assert rows_of(read) == rows_of(whole), f"half a file was taken at {cut}"
            continue
        line = lines_of_cut[cut]
        kept = [row for row in rows_of(whole) if (row[1] or 0) < line]
        assert [row for row in rows_of(read) if (row[1] or 0) < line] == kept, cut


SPOILERS: dict[str, Callable[[bytes], bytes]] = {
    "zero first": lambda raw: b"\x00" + raw,
    "rubbish last": lambda raw: raw + b"\x00\xff\xfe\x81",
    "noise": lambda raw: random.Random(len(raw)).randbytes(2000),  # noqa: S311
    "no letters": lambda raw: raw[: len(raw) // 2] + b"\xff\xc0\x81" + raw[len(raw) // 2 :],
    "utf-16": lambda raw: raw.decode("latin-1").encode("utf-16"),
    "backwards": lambda raw: raw[::-1],
    "quotes": lambda raw: raw.replace(b",", b'"').replace(b";", b'"'),
}


@pytest.mark.slow
@every_sample
def test_spoiled_bytes_are_refused_or_their_rows_are(sample: Sample, tmp_path: Path) -> None:
    """Through the store too, whose ledger checks that rows add up and goes on with the next."""
    spoiled = {name: spoil(sample.raw) for name, spoil in SPOILERS.items()}
    for raw in spoiled.values():
        attempt(tmp_path, sample, raw)
    results = load(tmp_path, sample.name, *spoiled.values(), sample.raw)
    assert len(results) == len(spoiled) + 1
    assert results[-1].outcome in {"stored", "known"}  # known: nothing in it could be spoiled


@pytest.mark.parametrize("sample", TEXTS, ids=lambda s: s.name)
@pytest.mark.parametrize("ends", ["\r\n", "\r", "mixed"])
def test_line_ends_change_nothing(sample: Sample, ends: str, tmp_path: Path) -> None:
    if ends == "\r" and sample.reader in {"plain_table", "can_log"}:
        pytest.skip("lone carriage returns have not ended lines since 2001; such files are refused")
    whole = attempt(tmp_path, sample, sample.raw)
    lines = sample.raw.replace(b"\r\n", b"\n").split(b"\n")
    marks = [b"\r\n", b"\n"] if ends == "mixed" else [ends.encode()]
    raw = b"".join(line + marks[n % len(marks)] for n, line in enumerate(lines[:-1])) + lines[-1]
    read = attempt(tmp_path, sample, raw)
    assert whole is not None
    assert read is not None
    assert rows_of(read) == rows_of(whole)
    assert refused_lines(read) == refused_lines(whole)


@pytest.mark.parametrize(
    "sample", [s for s in TEXTS if s.encoding == "utf-8"], ids=lambda s: s.name
)
def test_a_byte_order_mark_changes_nothing(sample: Sample, tmp_path: Path) -> None:
    whole = attempt(tmp_path, sample, sample.raw)
    read = attempt(tmp_path, sample, b"\xef\xbb\xbf" + sample.raw)
    assert whole is not None
    assert read is not None
    assert rows_of(read) == rows_of(whole)


@pytest.mark.parametrize(
    "sample",
    [s for s in TEXTS if s.reader.startswith("map:") and s.encoding == "utf-8"],
    ids=lambda s: s.name,
)
def test_utf_16_is_told_and_changes_nothing(sample: Sample, tmp_path: Path) -> None:
    raw = sample.raw.decode().replace('encoding="UTF-8"', 'encoding="UTF-16"').encode("utf-16")
    whole, read = attempt(tmp_path, sample, sample.raw), attempt(tmp_path, sample, raw)
    assert whole is not None
    assert read is not None
    assert rows_of(read) == rows_of(whole)
    assert sample.suffix == ".xml" or "UTF-16" in read.note


@pytest.mark.parametrize("sample", TEXTS, ids=lambda s: s.name)
def test_a_huge_line_spoils_nothing_but_itself(sample: Sample, tmp_path: Path) -> None:
    """Two million characters without a break, after the last line."""
    whole = attempt(tmp_path, sample, sample.raw)
    assert whole is not None
    read = attempt(tmp_path, sample, sample.raw.rstrip(b"\r\n") + b"\n" + b"x" * 2_000_000)
    if read is None or sample.reader == "plain_table":
        return
    assert [row for row in rows_of(read) if row in rows_of(whole)] == rows_of(whole)
    n_more = len(rows_of(read)) - len(rows_of(whole))
    n_refused = len(read.rejections) - len(whole.rejections)
    told = "left out" in read.note or "not read" in read.note or "no meaning" in read.note
    assert n_more == 0
    assert n_refused == 1 or told or sample.suffix == ".html"


@pytest.mark.parametrize("sample", HEADED, ids=lambda s: s.name)
def test_shuffled_columns_change_nothing(sample: Sample, tmp_path: Path) -> None:
    if sample.name.startswith("pool"):
        pytest.skip("two tables below each other have different columns")
    turned = _columns(sample, lambda cells: cells[::-1])
    same = _columns(sample, lambda cells: cells)
    results = [
        load(_folder(tmp_path, f"{n}"), sample.name, raw)[0] for n, raw in enumerate((same, turned))
    ]
    counts = [(r.rows_read, r.rows_stored, r.rows_rejected) for r in results]
    assert counts[0] == counts[1]
    if sample.reader != "plain_table":
        whole, read = attempt(tmp_path, sample, sample.raw), attempt(tmp_path, sample, turned)
        assert whole is not None
        assert read is not None
        assert rows_of(read) == rows_of(whole)


@pytest.mark.parametrize("sample", HEADED, ids=lambda s: s.name)
def test_a_heading_that_stands_twice_is_refused_by_name(sample: Sample, tmp_path: Path) -> None:
    def twice(cells: list[str]) -> list[str]:
        return [*cells, cells[0]]

    results = load(tmp_path, sample.name, _columns(sample, twice))
    assert results[0].outcome == "refused"
    assert "more than once" in results[0].note


def _columns(sample: Sample, change: Callable[[list[str]], list[str]]) -> bytes:
    """Change the cells of every line from the headings on."""
    lines = sample.raw.decode(sample.encoding).splitlines(keepends=True)
    changed = lines[: sample.heading_line - 1]
    for line in lines[sample.heading_line - 1 :]:
        if line.startswith("Summe"):
            continue  # a totals row is known by its first cell
        text = line.rstrip("\r\n")
        cells = text.split(sample.delimiter)
        changed.append(sample.delimiter.join(change(cells)) + line[len(text) :])
    return "".join(changed).encode(sample.encoding)


@pytest.mark.parametrize(
    "sample", [s for s in SAMPLES if s.delimiter and s in OWN_ROWS], ids=lambda s: s.name
)
def test_every_line_is_in_the_rows_or_refused_or_told(sample: Sample, tmp_path: Path) -> None:
    """Rows with a cell too few, too many, a torn quote, an unknown word, another sort of line."""
    lines = sample.raw.decode(sample.encoding).splitlines()
    mark = sample.delimiter
    good = lines[sample.heading_line]
    bad = [good.rsplit(mark, 1)[0], f"{good}{mark}x", f'"{good}', good.replace(mark, ""), f"{mark}"]
    text = "\n".join([*lines[: sample.heading_line + 1], *bad, good]) + "\n"
    if sample.name.startswith("pool"):
        text += "Number,Cleared,km,Unit,Why\n"
    read = attempt(tmp_path, sample, text.encode(sample.encoding))
    assert read is not None
    first = sample.heading_line + 1
    seen = {row[1] for row in rows_of(read)} | refused_lines(read)
    wanted = set(range(first, first + len(bad) + 2))
    wanted -= {first + len(bad)} if not good.strip(mark) else set()
    assert wanted - seen <= {first + len(bad)}  # a line of separators alone is blank
    assert refused_lines(read) >= {first + 1, first + 2, first + 3, first + 4}
    assert len(read.rejections) == len(refused_lines(read))


# --- traps ---------------------------------------------------------------------------------


ENTITIES = """<?xml version="1.0"?>
<!DOCTYPE inspections [<!ENTITY a "aaaaaaaaaa">{}]>
<inspections><inspection id="&z;"><unit name="x"/></inspection></inspections>"""
BILLION = "".join(
    f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefghijkl", "bcdefghijklz", strict=True)
)
OUTSIDE = '<!ENTITY z SYSTEM "file:///etc/hostname">'


@pytest.mark.parametrize("entities", [BILLION, OUTSIDE], ids=["entity bomb", "outside entity"])
def test_xml_entities_are_never_expanded(entities: str, tmp_path: Path) -> None:
    """The 'billion laughs' and the outside entity of CWE-776 and CWE-611."""
    sample = next(s for s in SAMPLES if s.suffix == ".xml")
    delivery = deliver(tmp_path, sample.name, ENTITIES.format(entities).encode())
    with pytest.raises(RefusedFileError, match="entities"):
        reader_named(sample.reader).read(delivery)


@pytest.mark.parametrize(
    ("name", "deep"),
    [
        ("telebox_1.json", '{"reports":[' + '{"a":' * 100_000 + "1" + "}" * 100_000 + "]}"),
        ("telebox_2.json", '{"reports":' + "[" * 500 + "]" * 500 + "}"),
        ("gatehouse_1.xml", "<inspections>" + "<a>" * 5000 + "</a>" * 5000 + "</inspections>"),
        ("yard_1.html", "<table>" * 5000 + "<tr><td>Kod</td><td>Sterownik</td></tr>"),
    ],
)
def test_what_nests_too_deep_is_refused(name: str, deep: str, tmp_path: Path) -> None:
    suffix = Path(name).suffix
    sample = next(s for s in SAMPLES if s.suffix == suffix)
    with pytest.raises(RefusedFileError, match=r"deep|levels|no column"):
        reader_named(sample.reader).read(deliver(tmp_path, name, deep.encode()))


def zip_bomb(inner: str) -> bytes:
    """Pack 60 MB of blanks into some 60 kB."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(inner, b" " * 60_000_000)
        if inner.startswith("xl/"):
            packed.writestr("[Content_Types].xml", "<x/>")
    return file.getvalue()


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("orders_1.xlsx", zip_bomb("xl/worksheets/sheet1.xml")),
        ("pool_a_1.zip", zip_bomb("pool_a_1.csv")),
        ("pool_a_1.csv.gz", gzip.compress(b" " * 60_000_000)),
    ],
    ids=["workbook", "zip", "gz"],
)
def test_a_zip_bomb_is_refused_before_it_bursts(name: str, raw: bytes, tmp_path: Path) -> None:
    results = load(tmp_path, name, raw)
    assert [r.outcome for r in results] == ["refused"]
    assert "times its size" in results[0].note


def test_a_zip_that_lies_about_its_sizes_is_stopped_while_unpacking(tmp_path: Path) -> None:
    """Its table says 10 bytes; what comes is counted."""
    raw = bytearray(zip_bomb("a.csv"))
    at = raw.rindex(b"PK\x01\x02")
    raw[at + 24 : at + 28] = (10).to_bytes(4, "little")
    path = tmp_path / "a.zip"
    path.write_bytes(raw)
    with pytest.raises(RefusedFileError):
        unpacked(path, "a.zip", "zip", tmp_path)
    assert sum(f.stat().st_size for f in tmp_path.iterdir()) < 20_000_000


@every_sample
def test_no_sample_is_taken_for_an_archive(sample: Sample, tmp_path: Path) -> None:
    delivery = deliver(tmp_path, sample.name, sample.raw)
    assert container_kind(delivery.path, delivery.name) is None


def test_a_rejection_says_where_what_and_what_was_expected(tmp_path: Path) -> None:
    """Over all samples: a line, the value or the row, and words a person can act on."""
    said: list[Rejection] = []
    for sample in OWN_ROWS:
        read = attempt(tmp_path, sample, sample.raw)
        assert read is not None
        said += read.rejections
    assert len(said) >= 5
    for rejection in said:
        assert rejection.line is not None
        assert rejection.value is not None or rejection.row is not None
        assert len(rejection.expected) > 10
