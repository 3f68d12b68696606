"""A digest in a few lines, for a reader with three minutes.  Pure."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from afterclear.digest.audience.fleet_model import FleetPage
from afterclear.digest.audience.garage_model import GaragePage
from afterclear.digest.audience.stock import StockLine, StockPage, stock_reason
from afterclear.digest.build_digests import DigestModel
from afterclear.digest.common.model import Change, Changes, VehicleRef, WorkItem
from afterclear.digest.common.rise_lines import RisesView, RiseView
from afterclear.digest.common.worklist_lines import Work
from afterclear.digest.input.frames import Audience, Caution
from afterclear.digest.output.filters import caution_words
from afterclear.reasons import Urgency
from afterclear.wording.cells import Cells, Dash, capital
from afterclear.wording.code_words import code_text
from afterclear.wording.language import Language
from afterclear.wording.stock import audit_words
from afterclear.wording.work import ASK_FIRST, URGENCY_WORDS, deed_words

_MOST = 6  # lines under one heading; the digest has them all


@dataclass(frozen=True, slots=True)
class Part:
    """A heading with its lines."""

    head: str
    lines: tuple[str, ...]
    n_more: int = 0


@dataclass(frozen=True, slots=True)
class Brief:
    """The content of a mail."""

    subject: str
    above: str  # whose it is, and the name of its page
    lead: str
    parts: tuple[Part, ...]
    language: str
    closing: str


def brief_of(model: DigestModel, audience: Audience) -> Brief | None:
    """Summarise one audience's digest in a few lines; None: that audience has no page."""
    head = model.index.head
    cells = Cells(head.units, head.zone, head.language)
    day = cells.day(head.as_of)
    if audience == "fleet" and model.fleet is not None:
        name = cells.t("Fleet")
        lead, parts = _fleet(model.fleet, cells)
    elif audience == "garage" and model.garage is not None:
        name = cells.t("Workshop quality")
        lead, parts = _garage(model.garage, cells)
    elif audience == "stock" and model.stock is not None:
        name = cells.t("Stock")
        lead, parts = _stock(model.stock, cells)
    else:
        return None
    closing = cells.t(
        "Clearing a code repairs nothing. A code nobody looked for does not count as gone."
    )
    subject = ", ".join(part for part in (name, head.title, day) if part)
    # a subject is one line, whatever the fleet's name
    above = ", ".join(part for part in (head.title, name) if part)
    return Brief(" ".join(subject.split()), above, lead, parts, head.language, closing)


def _part(head: str, lines: Sequence[str], n: int) -> Part:
    """Take the first lines under a heading; ``n``: how many there are in all."""
    return Part(head, tuple(lines[:_MOST]), max(0, n - _MOST))


def _fleet(page: FleetPage, cells: Cells) -> tuple[str, tuple[Part, ...]]:
    work = page.work
    bring_in = [item for item in work.shown if item.action == "bring_in"]
    scan = [item for item in work.shown if item.action == "scan"]
    parts = [
        _part(cells.t("Bring in"), [_work_line(i, cells) for i in bring_in], work.n_bring_in),
        _part(cells.t("Scan next"), [_work_line(i, cells) for i in scan], work.n_scan),
        _cautions((i.cautions for i in (*bring_in[:_MOST], *scan[:_MOST])), cells),
    ]
    parts += [*_changed(page.changes, cells), _rises(page.rises, cells)]
    return _fleet_lead(work, cells), tuple(part for part in parts if part.lines)


def _fleet_lead(work: Work, cells: Cells) -> str:
    """Say the same as the first line of the page: both lists, and who must not drive."""
    parts = [cells.t("No vehicle needs to come in.")]
    if work.n_bring_in:
        lead = [cells.tn("Bring in {n} vehicle", "Bring in {n} vehicles", work.n_bring_in)]
        if work.n_do_not_drive:
            lead.append(cells.t("{n} of them not to be driven", n=work.n_do_not_drive))
        if work.n_bring_in_safety == work.n_bring_in:
            lead.append(cells.t("for safety"))
        elif work.n_bring_in_safety:
            lead.append(cells.t("{n} of them for safety", n=work.n_bring_in_safety))
        parts = [f"{', '.join(lead)}."]
    if work.n_scan and work.n_bring_in:
        parts.append(cells.t("Scan {n} more, where only a scan can tell.", n=work.n_scan))
    elif work.n_scan:
        parts.append(cells.t("Scan {n}, where only a scan can tell.", n=work.n_scan))
    return " ".join(parts)


def _cautions(groups: Iterable[Sequence[Caution]], cells: Cells) -> Part:
    """Return each caution once: some people read only the letter before they start work."""
    found = dict.fromkeys(caution for group in groups for caution in group)
    translated = (caution_words(caution, cells) or caution for caution in found)
    lines = tuple(f"{caution.title}: {caution.text}" for caution in translated)
    return Part(cells.t("Before anyone works on these"), lines)


def _work_line(item: WorkItem, cells: Cells) -> str:
    """Say how soon, which vehicle and where it is, what is wrong and what to do."""
    soon = [cells.t(URGENCY_WORDS[item.urgency])] if item.urgency else []
    mark = [cells.t("Safety")] if item.safety else []
    known = code_text(item.meaning, cells.words) if item.meaning else ""
    meaning = f"{capital(known)}. " if known else ""
    told = f"{meaning}{deed_words(item.facts.deeds, cells)}"
    if item.urgency is Urgency.DO_NOT_DRIVE:
        told = f"{told} {cells.t(ASK_FIRST)}"
    return f"{', '.join([*soon, *mark, _name(item.vehicle)])}: {told}"


def _name(ref: VehicleRef) -> str:
    """Name a vehicle with what else people know it by: its plate and where it is."""
    plate = ref.plate if ref.plate != ref.vehicle_id else None
    where = ", ".join(part for part in (plate, ref.site) if part)
    return f"{ref.vehicle_id} ({where})" if where else ref.vehicle_id


def _rises(view: RisesView | None, cells: Cells) -> Part:
    """Tell each new rise with its cautions, and in a line what became of those told before."""
    new, before = (view.new, view.before) if view else ((), ())
    lines = [_rise_line(rise, cells) for rise in new]
    lines += [f"{name}: {words}" for name, words in before]
    return _part(cells.t("What is new"), lines, len(lines))


def _rise_line(rise: RiseView, cells: Cells) -> str:
    said = (caution_words(caution, cells) or caution for caution in rise.cautions)
    return " ".join([f"{rise.name}: {rise.sentence}", *(caution.text for caution in said)])


def _changed(changes: Changes | None, cells: Cells) -> list[Part]:
    if changes is None:
        return []
    named = (
        (cells.t("Came back"), changes.came_back),
        (cells.t("Proven"), changes.proven),
        (cells.t("New faults"), changes.new),
    )
    return [
        _part(head, [_change_line(change, cells) for change in found.shown], found.n)
        for head, found in named
        if not isinstance(found, Dash)
    ]


def _change_line(change: Change, cells: Cells) -> str:
    fault = change.fault
    words = code_text(fault.words, cells.words) if fault.known else cells.t("Meaning not known")
    return f"{_name(change.vehicle)}: {capital(words)} {fault.code}"


def _garage(page: GaragePage, cells: Cells) -> tuple[str, tuple[Part, ...]]:
    lead = cells.t("Nothing stands out.")
    if page.looks:
        lead = cells.tn("{n} point to look into.", "{n} points to look into.", len(page.looks))
    looks = [f"{look.name}: {look.sentence}" for look in page.looks]
    parts = [
        _part(cells.t("Look into these"), looks, len(looks)),
        *_changed(page.changes, cells)[:2],
        _rises(page.rises, cells),
    ]
    return lead, tuple(part for part in parts if part.lines)


def _stock(page: StockPage, cells: Cells) -> tuple[str, tuple[Part, ...]]:
    lead = cells.t(
        "hold back {hold}, scan {rescan} again, {ready} ready.",
        **page.n,
    )
    parts = (
        _part(
            cells.t("Hold back"), [_stock_line(line, cells) for line in page.hold], page.n["hold"]
        ),
        _part(
            cells.t("Scan again"),
            [_stock_line(line, cells) for line in page.rescan],
            page.n["rescan"],
        ),
        _cautions((line.cautions for line in (*page.hold, *page.rescan)), cells),
        _part(cells.t("Ready"), [_name(line.vehicle) for line in page.ready], page.n["ready"]),
    )
    return lead[:1].upper() + lead[1:], tuple(part for part in parts if part.lines)


def _stock_line(line: StockLine, cells: Cells) -> str:
    # every reason that alone would hold the vehicle back, or require a scan
    deciding = [r for r in line.reasons if r.weight == line.row.verdict] or line.reasons[:1]
    sentences = " ".join(stock_reason(reason, cells) for reason in deciding)
    reason = sentences or audit_words(line.row.deciding, cells)
    mark = f"{cells.t('Safety')}, " if line.row.safety else ""
    return f"{mark}{_name(line.vehicle)}: {reason}"


def brief_text(brief: Brief, link: str | None) -> str:
    """Write a brief as plain text."""
    words = Language(brief.language)
    lines = [brief.above, "", brief.lead, ""]
    for part in brief.parts:
        lines += [f"{part.head}:", *(f"- {line}" for line in part.lines)]
        if part.n_more:
            lines.append(words.t("and {n} more", n=part.n_more))
        lines.append("")
    lines.append(
        words.t("The full digest: {link}", link=link)
        if link
        else words.t("The full digest is attached.")
    )
    return "\n".join([*lines, "", brief.closing, ""])
