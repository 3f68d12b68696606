"""Questions that only a person can answer, in plain words, and the answers given.

Nobody reads a long list of questions to the end, so a file has seven at most.  Which of them are
asked is a matter of rank; what is not asked is not guessed either: rows or columns that depend on
it are left out or refused, and the map says so.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from afterclear.errors import RefusedFileError, UsageError

MOST_QUESTIONS = 7
# Questions on which most rows depend come first (own judgement).
_RANK = (
    *("encoding", "table", "vehicle", "time", "codes", "date-order", "decimal-mark", "plates"),
    *(
        "rows",
        "struck",
        "odometer",
        "odometer-unit",
        "code-form",
        "blank-vehicle",
        "clock",
        "no-code",
        "amounts",
    ),
    "word",
)
# What the other questions are depends on these: until they are answered nothing else is asked.
_BEFORE_ALL = ("encoding", "table")


@dataclass(frozen=True, slots=True)
class Choice:
    """One possible answer: the word that is given, what it means, what the rows become by it."""

    word: str
    means: str


@dataclass(frozen=True, slots=True)
class Question:
    """Something about a file that nothing in it decides.

    ``unasked``: the choice that loads nothing doubtful, taken where a file has too many questions;
    empty: there is none.
    """

    key: str  # what --answer calls it
    text: str
    choices: tuple[Choice, ...]
    rows: tuple[str, ...] = ()  # two or three rows that would differ
    unasked: str = ""

    @property
    def words(self) -> tuple[str, ...]:
        """The words that can be given as an answer."""
        return tuple(choice.word for choice in self.choices)

    @property
    def rank(self) -> int:
        """Its place among all questions; more rows depend on a lower one."""
        return _RANK.index(self.key.partition(":")[0])


@dataclass(slots=True)
class Asker:
    """Hands out the answers there are, and keeps the questions that are still open."""

    answers: Mapping[str, str]
    passed_over: frozenset[str] = frozenset()  # keys that are not asked
    asked: dict[str, Question] = field(default_factory=dict)
    left: dict[str, Question] = field(default_factory=dict)  # skipped, and met

    def choose(self, question: Question) -> str:
        """Give the answer; where there is none yet the first choice, and the question is open.

        Raises:
            UsageError: the answer given is none of the choices.

        """
        if question.key in self.passed_over:
            self.left[question.key] = question
            return question.unasked
        self.asked[question.key] = question
        answer = self.answers.get(question.key)
        if answer is None:
            return question.choices[0].word
        word = next((w for w in question.words if w.casefold() == answer.casefold()), None)
        if word is None:
            raise UsageError(
                f"{answer!r} answers nothing: {question.key} is one of {', '.join(question.words)}."
            )
        return word

    @property
    def open(self) -> tuple[Question, ...]:
        """The questions that can be answered now."""
        left = [q for key, q in self.asked.items() if key not in self.answers]
        first = [q for key in _BEFORE_ALL for q in left if q.key == key]
        return tuple(first[:1] or left)

    @property
    def notes(self) -> tuple[str, ...]:
        """Notes about the questions that were not asked."""
        return tuple(
            f"not asked, {MOST_QUESTIONS} questions are enough: {q.text} Taken: "
            + next(c.means for c in q.choices if c.word == q.unasked)
            for q in self.left.values()
        )

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
                f"{name}: nothing decides {still_open}. Write a map for it by hand, as "
                "help/imports.md of the program tells."
            )
        by_rank = sorted(spare, key=lambda q: q.rank)
        return frozenset(q.key for q in by_rank[-n_over:])
