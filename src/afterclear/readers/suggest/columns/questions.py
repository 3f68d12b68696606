"""Questions that only a person can answer, in plain words, and the answers given.

Nobody reads a long list of questions to the end, so a file has seven at most.  Which of them are
asked is a matter of rank; what is not asked is not guessed either: rows or columns that depend on
it are left out or refused, and the map says so.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from afterclear.errors import RefusedFileError, UsageError, worded

MOST_QUESTIONS = 7
# Questions on which most rows depend come first (own judgement).
_RANK = (
    *(
        "encoding",
        "table",
        "vehicle",
        "groups",
        "kinds",
        "heads",
        "month-day",
        "time",
        "codes",
        "date-order",
        "decimal-mark",
        "plates",
        "numbers",
    ),
    *(
        "rows",
        "struck",
        "odometer",
        "distance",
        "sheets",
        "odometer-unit",
        "about",
        "code-form",
        "denied",
        "code-range",
        "blank-vehicle",
        "clock",
        "span",
        "no-code",
        "amounts",
        "price",
        "places",
    ),
    *("word", "line", "sense", "aside"),
)
# What the other questions are depends on these: until they are answered nothing else is asked.
_BEFORE_ALL = ("encoding", "table")


@dataclass(frozen=True, slots=True)
class Choice:
    """One possible answer: the word that is given, what it means, what the rows become by it."""

    word: str
    means: str


@dataclass(frozen=True, slots=True)
class Decided:
    """An answer that something known gives instead of a person, and why it can be no other."""

    word: str
    why: str


@dataclass(frozen=True, slots=True)
class Question:
    """Something about a file that a person may have to say.

    ``unasked``: the choice that loads nothing doubtful, taken where a file has too many questions;
    empty: there is none.  ``decided``: what the file itself says; a person may say otherwise.
    """

    key: str  # what --answer calls it
    text: str
    choices: tuple[Choice, ...]
    rows: tuple[str, ...] = ()  # two or three rows that would differ
    unasked: str = ""
    decided: Decided | None = None

    @property
    def words(self) -> tuple[str, ...]:
        """The words that can be given as an answer."""
        return tuple(choice.word for choice in self.choices)

    def meaning(self, word: str) -> str:
        """Say what an answer means."""
        return next(choice.means for choice in self.choices if choice.word == word)

    @property
    def rank(self) -> int:
        """Its place among all questions; more rows depend on a lower one."""
        return _RANK.index(self.key.partition(":")[0])


Instead = Callable[[Question], Decided | None]  # None: it must be asked


@dataclass(slots=True)
class Asker:
    """Hands out the answers there are, and keeps the questions that are still open.

    A person's answer counts before what is known.
    """

    answers: Mapping[str, str]
    passed_over: frozenset[str] = frozenset()  # keys that are not asked
    asked: dict[str, Question] = field(default_factory=dict)
    left: dict[str, Question] = field(default_factory=dict)  # skipped, and met
    instead: dict[str, Instead] = field(default_factory=dict)  # by the question's key
    decided: dict[str, tuple[Question, Decided]] = field(default_factory=dict)
    within: str = ""  # the kind of rows that is now decided, of several in one table
    whose: tuple[str, ...] = ()  # the vehicles whose past may decide more, as the file names them

    def choose(self, question: Question) -> str:
        """Give the answer; where there is none yet the first choice, and the question is open.

        Raises:
            UsageError: the answer given is none of the choices.

        """
        question = self._apart(question)
        if question.key in self.passed_over:
            self.left[question.key] = question
            return question.unasked
        if question.key not in self.answers and (known := self._known(question)):
            self.decided[question.key] = (question, known)
            return known.word
        self.asked[question.key] = question
        answer = self.answers.get(question.key)
        if answer is None:
            return question.choices[0].word
        word = next((w for w in question.words if w.casefold() == answer.casefold()), None)
        if word is None:
            raise UsageError(
                worded(
                    "{answer!r} answers nothing: {key} is one of {words}.",
                    answer=answer,
                    key=question.key,
                    words=", ".join(question.words),
                )
            )
        return word

    def _apart(self, question: Question) -> Question:
        """Give a question of one kind of rows its own key where another one has it already."""
        key = question.key
        known, _ = self.decided.get(key, (None, None))
        before = self.asked.get(key) or self.left.get(key) or known
        if not self.within or before is None or before.text == question.text:
            return question
        return replace(question, key=f"{key}:{self.within}")

    def _known(self, question: Question) -> Decided | None:
        instead = self.instead.get(question.key)
        return (instead(question) if instead else None) or question.decided

    def because(self, key: str) -> str:
        """Say why a question was not asked, to be put behind a reason; empty: nothing decided."""
        return worded(": {why}", why=self.decided[key][1].why) if key in self.decided else ""

    @property
    def may_be_known(self) -> tuple[str, ...]:
        """The vehicles of the file, where their past may answer a question that is open."""
        is_open = any(k in self.instead and k not in self.answers for k in self.asked)
        return self.whose if is_open else ()

    @property
    def open(self) -> tuple[Question, ...]:
        """The questions that can be answered now."""
        left = [q for key, q in self.asked.items() if key not in self.answers]
        first = [q for key in _BEFORE_ALL for q in left if q.key == key]
        return tuple(first[:1] or left)

    @property
    def notes(self) -> tuple[str, ...]:
        """Notes about the questions that were not asked."""
        left = (
            f"not asked, {MOST_QUESTIONS} questions are enough: {q.text} "
            f"Taken: {q.meaning(q.unasked)}"
            for q in self.left.values()
        )
        decided = (
            f"not asked: {q.text} Taken: {q.meaning(known.word)}; {known.why}"
            for q, known in self.decided.values()
        )
        return (*left, *decided)

    def too_many(self, name: str) -> frozenset[str]:
        """Give the keys not to ask: those of the lowest rank that nobody has answered.

        Raises:
            RefusedFileError: more is open than may be asked, and none of it can be left out.

        """
        n_over = len(self.asked) - MOST_QUESTIONS
        if n_over <= 0:
            return frozenset()
        spare = [q for k, q in self.asked.items() if q.unasked and k not in self.answers]
        if len(spare) < n_over:
            still_open = ", ".join(key for key in self.asked if key not in self.answers)
            raise RefusedFileError(
                worded(
                    "{name}: nothing decides {still_open}. Write a map for it by hand, as "
                    "help/imports.md of the program tells.",
                    name=name,
                    still_open=still_open,
                )
            )
        by_rank = sorted(spare, key=lambda q: q.rank)
        return frozenset(q.key for q in by_rank[-n_over:])
