"""What campaigns tried and what came of it: kept as lines of a file, shown on a help page.

``python -m tests.campaign_table`` writes the tables of ``campaigns.md`` anew from
``campaign_results.csv``; ``tests/test_help.py`` fails where they differ.
"""

import csv
from collections import Counter
from dataclasses import astuple, dataclass
from datetime import date
from pathlib import Path
from typing import Final

PAGE: Final = Path(__file__).parents[1] / "src/afterclear/help/campaigns.md"
KEPT: Final = Path(__file__).with_name("campaign_results.csv")
KILLS_OF: Final = "kills of "  # so begins what is counted where it is one command's kills
INPUTS_OF: Final = "inputs of "  # ... or one kind's inputs, led by coverage
_HEAD: Final = "## What was tried and survived"
_KILLED: Final = """How often each command got SIGKILL on its way, alone and while another was at
work (`kills`, `machine`, `upgrade` and `mixtures` since they count each command by itself; what was
wrong then stands above):"""

_LED: Final = """How many inputs of each kind coverage led (`guided`; part of its sum above, as is
what was wrong):"""


@dataclass(frozen=True)
class Result:
    """One run of a campaign."""

    date: date
    campaign: str
    how: str  # what was asked for
    tried: int
    of: str  # what is counted
    wrong: int
    told: str = ""  # by a person: what was wrong, what else is to be known


def results() -> list[Result]:
    """Give every run, the oldest first."""
    with KEPT.open(encoding="utf-8", newline="") as file:
        return [
            Result(
                date.fromisoformat(row["date"]),
                *(row["campaign"], row["how"], int(row["tried"]), row["of"], int(row["wrong"])),
                row["told"],
            )
            for row in csv.DictReader(file)
        ]


def add(result: Result) -> None:
    """Keep one more run."""
    with KEPT.open("a", encoding="utf-8", newline="") as file:
        csv.writer(file, lineterminator="\n").writerow(astuple(result))


def renewed(page: str, found: list[Result]) -> str:
    """Put the tables into the page, whose last section they are."""
    kills, inputs = (
        [each for each in found if each.of.startswith(part)] for part in (KILLS_OF, INPUTS_OF)
    )
    wholes = [each for each in found if each not in kills and each not in inputs]
    tables = [_sums(wholes), _KILLED, _kills(kills), _LED, _inputs(inputs), _runs(wholes)]
    return "\n\n".join([page.partition(_HEAD)[0].rstrip(), _HEAD, *tables]) + "\n"


def _sums(found: list[Result]) -> str:
    tried, wrong = Counter[tuple[str, str]](), Counter[tuple[str, str]]()
    last: dict[tuple[str, str], date] = {}
    for each in found:
        key = (each.campaign, each.of)
        tried[key] += each.tried
        wrong[key] += each.wrong
        last[key] = max(each.date, last.get(key, each.date))
    lines = ["| campaign | tried in all | wrong | last |", "|---|---|---|---|"]
    for (campaign, of), n in sorted(tried.items()):
        key = (campaign, of)
        lines.append(f"| `{campaign}` | {n:,} {of} | {wrong[key] or 'none'} | {last[key]} |")
    return "\n".join(lines)


def _kills(found: list[Result]) -> str:
    alone, beside = Counter[str](), Counter[str]()
    for each in found:
        (beside if each.campaign == "mixtures" else alone)[each.of.removeprefix(KILLS_OF)] += (
            each.tried
        )
    both = alone + beside
    lines = [
        f"| {name} | {alone[name]:,} | {beside[name]:,} | {both[name]:,} |" for name in sorted(both)
    ]
    sums = f"| **all** | {alone.total():,} | {beside.total():,} | {both.total():,} |"
    heads = ("| killed | alone | beside another | in all |", "|---|---|---|---|")
    return "\n".join([*heads, *lines, sums])


def _inputs(found: list[Result]) -> str:
    tried, wrong = Counter[str](), Counter[str]()
    for each in found:
        kind = each.of.removeprefix(INPUTS_OF)
        tried[kind] += each.tried
        wrong[kind] += each.wrong
    lines = [f"| {kind} | {tried[kind]:,} | {wrong[kind] or 'none'} |" for kind in sorted(tried)]
    sums = f"| **all** | {tried.total():,} | {wrong.total() or 'none'} |"
    return "\n".join(["| kind | inputs | wrong |", "|---|---|---|", *lines, sums])


def _runs(found: list[Result]) -> str:
    lines = (
        f"| {each.date} | `{each.how}` | {each.tried:,} {each.of} | {each.wrong or 'none'} "
        f"| {each.told} |"
        for each in found
    )
    heads = ("| date | run | tried | wrong | what else |", "|---|---|---|---|---|")
    return "\n".join([*heads, *lines])


def write_page() -> None:
    """Write the page anew."""
    PAGE.write_text(renewed(PAGE.read_text(encoding="utf-8"), results()), encoding="utf-8")


if __name__ == "__main__":
    write_page()
