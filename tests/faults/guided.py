"""Inputs that coverage leads to new ways through every reader and decoder, from the seeds on.

``python -m tests.faults.guided --minutes 60``; needs the library atheris, which has wheels for
Linux alone.  Ends with exit code 1 if a fault, a hang or too much memory was met; the input is kept
in ``found``, where a test reads it from then on.
"""

import argparse
import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.campaign_table import INPUTS_OF
from tests.campaigns import counted, kept
from tests.faults.mutations import seeds

MESSAGES = "messages"  # the kind that is no file: what units say on a bus
KEPT = Path(__file__).with_name("found")
_MOST_S, _MOST_MB = 30, 3_000  # processor time of one input, and memory of the whole process
_HANGS_S = 10 * _MOST_S  # by the clock: the library knows no other, and the machine may be busy


@dataclass
class Tally:
    """What was tried, and what it met."""

    inputs: dict[str, int] = field(default_factory=dict)
    ways: dict[str, tuple[int, int]] = field(default_factory=dict)  # covered at first, at last
    wrong: list[str] = field(default_factory=list)


def kinds() -> list[str]:
    """Give every ending of the seeds, and messages on a bus."""
    return [MESSAGES, *sorted({Path(name).suffix for name, _ in seeds()})]


def guided(kind: str, most: tuple[str, ...], tally: Tally) -> None:
    """Try inputs of one kind; ``most``: when the library stops."""
    with tempfile.TemporaryDirectory() as place:
        corpus, met = Path(place) / "corpus", Path(place) / "met"
        corpus.mkdir()
        met.mkdir()
        for number, content in enumerate(_seeds_of(kind)):
            (corpus / f"{number}").write_bytes(content)
        ended = subprocess.run(
            [
                *(sys.executable, "-m", "tests.faults.guided_child"),
                *(kind, str(met), str(_MOST_S), str(corpus)),
                *most,
                f"-timeout={_HANGS_S}",
                f"-report_slow_units={_HANGS_S}",
                f"-rss_limit_mb={_MOST_MB}",
                f"-artifact_prefix={met}/",
                "-print_final_stats=1",
                "-seed=1",
            ],
            capture_output=True,
            text=True,
            errors="replace",
            check=False,
        )
        _count(kind, ended, met, tally)


def names_of(kind: str) -> list[str]:
    """Name the seeds of an ending: maps and readers go by names, too."""
    return sorted({name for name, _ in seeds() if Path(name).suffix == kind})


def _seeds_of(kind: str) -> Iterator[bytes]:
    """Give inputs to begin with: a byte for the decoder, or the file's name, and the rest."""
    if kind == MESSAGES:
        yield from (bytes([n, *range(0x40, 0x60)]) for n in range(32))
        return
    names = names_of(kind)
    yield from (bytes([names.index(n)]) + c for n, c in seeds() if Path(n).suffix == kind)


def _name_of(kind: str, content: bytes) -> str:
    if kind == MESSAGES or not content:
        return kind
    names = names_of(kind)
    return names[content[0] % len(names)]


def _count(kind: str, ended: subprocess.CompletedProcess[str], met: Path, tally: Tally) -> None:
    told = ended.stdout + ended.stderr
    tried = re.search(r"stat::number_of_executed_units:\s*(\d+)", told)
    tally.inputs[kind] = int(tried[1]) if tried else 0
    ways = [int(n) for n in re.findall(r"cov: (\d+)", told)]
    tally.ways[kind] = (ways[0], ways[-1]) if ways else (0, 0)
    if not ways:
        tally.wrong.append(f"{kind}: coverage leads nowhere: nothing is instrumented")
    tally.wrong += [f"{kind}, {it}" for it in re.findall(r"^FOUND (.*)$", told, re.MULTILINE)]
    for path in met.iterdir():
        what, _, number = path.name.rpartition("-")
        content = path.read_bytes()
        name = f"{int(number[:8], 16)}_{_name_of(kind, content)}"
        if what != "fault":  # it was slow, or the library's word for what ended the process
            tally.wrong.append(f"{kind}, {number[:8]}: {what}")
        (KEPT / name).write_bytes(content if kind == MESSAGES else content[1:])
    if not tried:
        tally.wrong.append(f"{kind}: ended with code {ended.returncode}: {told[-1500:]}")


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("kinds", nargs="*", default="all", choices=[*kinds(), "all"])
    parser.add_argument("--minutes", type=float, help="at most, for all kinds together")
    parser.add_argument("--inputs", type=int, help="at most, of each kind (default 1000)")
    asked = parser.parse_args()
    chosen = kinds() if "all" in asked.kinds else asked.kinds
    tally = Tally()
    with kept("guided", " ".join(["python -m tests.faults.guided", *sys.argv[1:]])) as run:
        for kind in chosen:
            n_wrong = len(tally.wrong)
            guided(kind, _most(asked, len(chosen)), tally)
            first, last = tally.ways[kind]
            print(f"{kind}: {tally.inputs[kind]} inputs, {first} then {last} ways", flush=True)
            counted(tally.inputs[kind], "inputs", len(tally.wrong) - n_wrong)
            counted(tally.inputs[kind], f"{INPUTS_OF}{kind}", len(tally.wrong) - n_wrong)
            run.told = f"The coverage they gained: {_gained(tally)}"
    print(f"{sum(tally.inputs.values())} inputs; wrong: {len(tally.wrong)}")
    print("\n".join(tally.wrong))
    sys.exit(bool(tally.wrong) or not any(tally.inputs.values()))


def _most(asked: argparse.Namespace, n_kinds: int) -> tuple[str, ...]:
    """Say to the library when it stops; it ends on what comes first."""
    most = []
    if asked.inputs or not asked.minutes:
        most.append(f"-runs={asked.inputs or 1_000}")
    if asked.minutes:
        most.append(f"-max_total_time={max(1, round(60 * asked.minutes / n_kinds))}")
    return tuple(most)


def _gained(tally: Tally) -> str:
    return ", ".join(f"`{kind}` {last - first} ways" for kind, (first, last) in tally.ways.items())


if __name__ == "__main__":
    main()
