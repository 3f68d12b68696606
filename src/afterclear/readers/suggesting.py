"""A map for a file nobody has mapped yet; doubtful points are asked, never guessed."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from afterclear.errors import RefusedFileError, UsageError, worded
from afterclear.readers.suggest.account.accounting import account_for
from afterclear.readers.suggest.columns.column_choice import Decision
from afterclear.readers.suggest.columns.questions import Asker, Choice, Question
from afterclear.readers.suggest.decisions.picked import said_and_picked
from afterclear.readers.suggest.evidence.days_in_part import with_whole_days
from afterclear.readers.suggest.evidence.find_table import in_nested, looked_at
from afterclear.readers.suggest.evidence.group_heads import with_groups
from afterclear.readers.suggest.evidence.rows_to_skip import leave_out
from afterclear.readers.suggest.evidence.source_file import SourceFile
from afterclear.readers.suggest.evidence.table_seen import Seen
from afterclear.readers.suggest.shapes.two_sides import joined, sides_of
from afterclear.readers.suggest.suggested_map import Context, decide
from afterclear.readers.suggest.telling import ColumnTold, SourceRow, first_rows, told_columns
from afterclear.readers.suggest.writing import written
from afterclear.records import Delivery


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A map that may fit, as TOML, and how sure the table as a whole is (0 to 1)."""

    text: str
    kind: str
    into: str
    sure: float
    questions: tuple[Question, ...] = ()  # open ones: until they are answered it is no map
    missing: tuple[str, ...] = ()  # what nobody can answer here
    columns: tuple[ColumnTold, ...] = ()
    first_rows: tuple[SourceRow, ...] = ()  # as they arrived
    # what the store holds of these vehicles may answer a question: suggest again with their past
    may_be_known: tuple[str, ...] = ()


def suggest_map(
    delivery: Delivery, context: Context, answers: Mapping[str, str] | None = None
) -> Suggestion:
    """Suggest a map for a file.

    ``answers``: what a person said to the questions of an earlier suggestion, by their keys; also
    what a person picked for single columns (``decisions/picked.py``).

    Raises:
        RefusedFileError: it has no table that could be found, or none that is to be loaded.
        UsageError: an answer is none of its question's choices, or nobody asked.

    """
    answers = answers or {}
    source = SourceFile(delivery)
    asker, seen, decision = _decided(source, context, Asker(answers))
    while more := asker.too_many(delivery.name):
        fewer = Asker(answers, asker.passed_over | more)
        asker, seen, decision = _decided(source, context, fewer)
    open_ = asker.open
    if open_ and decision.missing and not _may_help(open_, decision, source, context, asker):
        decision.notes += [f"left open: {q.text}" for q in open_]
        open_ = ()
    decision.notes += asker.notes
    said, _ = said_and_picked(answers)
    if strange := sorted(said.keys() - set(asker.asked)):
        questions = ", ".join(asker.asked) or "nothing"
        raise UsageError(
            worded(
                "Nobody asked {strange}; asked was: {questions}.",
                strange=", ".join(strange),
                questions=questions,
            )
        )
    return Suggestion(
        written(delivery, seen, decision),
        seen.kind,
        decision.into,
        decision.sure,
        open_,
        tuple(decision.missing),
        told_columns(seen, decision),
        first_rows(seen),
        asker.may_be_known,
    )


def _may_help(
    questions: Sequence[Question],
    decision: Decision,
    source: SourceFile,
    context: Context,
    asker: Asker,
) -> bool:
    """Whether an answer gives what the map lacks: a question that leads nowhere is not asked."""
    for question in questions:
        for choice in question.choices[1:]:
            trial = Asker({**asker.answers, question.key: choice.word}, asker.passed_over)
            try:
                _, _, other = _decided(source, context, trial)
            except RefusedFileError:
                continue
            if len(other.missing) < len(decision.missing):
                return True
    return False


def _decided(source: SourceFile, context: Context, asker: Asker) -> tuple[Asker, Seen, Decision]:
    seen = looked_at(source, context.words, context.units, asker)
    sides = [] if seen.tree is None else sides_of(seen.tree, context.words)
    if not sides:
        return asker, seen, _of_table(seen, source, context, asker)
    made = []
    for side in sides:
        asker.within = side.name
        own = in_nested(seen.kind, side.tree, source.name, context.units)
        made.append((side, own, _of_table(own, source, context, asker, side.table)))
    asker.within = ""
    return asker, made[0][1], joined(made, source.name)


def _of_table(
    seen: Seen, source: SourceFile, context: Context, asker: Asker, into: str = ""
) -> Decision:
    with_groups(seen, context.words, context.known)
    leave_out(seen)
    with_whole_days(seen, context.words, asker)
    decision = decide(seen, source.delivery, context, asker, into)
    account_for(seen, decision, (source, context.words, context.known, context.units), asker)
    return decision


def suggestion_of(answer: Mapping[str, Any]) -> Suggestion:
    """Make a suggestion of its parts, as another process sends them (``dataclasses.asdict``)."""
    questions = (
        Question(
            q["key"],
            q["text"],
            tuple(Choice(**choice) for choice in q["choices"]),
            tuple(q["rows"]),
            q["unasked"],
        )
        for q in answer["questions"]
    )
    columns = (
        ColumnTold(**{**told, "taken_as": tuple(told["taken_as"]), "others": tuple(told["others"])})
        for told in answer["columns"]
    )
    rows = (
        SourceRow(row["line"], tuple((name, cell) for name, cell in row["cells"]))
        for row in answer["first_rows"]
    )
    parts = {"questions": tuple(questions), "missing": tuple(answer["missing"])}
    parts["may_be_known"] = tuple(answer["may_be_known"])
    return Suggestion(**{**answer, **parts, "columns": tuple(columns), "first_rows": tuple(rows)})
