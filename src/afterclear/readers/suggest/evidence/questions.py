"""Questions that only a person can answer, in plain words, and the answers given."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from afterclear.errors import UsageError


@dataclass(frozen=True, slots=True)
class Choice:
    """One possible answer: the word that is given, what it means, what the rows become by it."""

    word: str
    means: str


@dataclass(frozen=True, slots=True)
class Question:
    """Something about a file that nothing in it decides."""

    key: str  # what --answer calls it
    text: str
    choices: tuple[Choice, ...]
    rows: tuple[str, ...] = ()  # two or three rows that would differ

    @property
    def words(self) -> tuple[str, ...]:
        """The words that can be given as an answer."""
        return tuple(choice.word for choice in self.choices)


@dataclass(slots=True)
class Asker:
    """Hands out the answers there are, and keeps the questions that are still open."""

    answers: Mapping[str, str]
    open: list[Question] = field(default_factory=list)
    asked: dict[str, Question] = field(default_factory=dict)

    def choose(self, question: Question) -> str:
        """Give the answer; where there is none yet the first choice, and the question is open.

        Raises:
            UsageError: the answer given is none of the choices.

        """
        self.asked[question.key] = question
        answer = self.answers.get(question.key)
        if answer is None:
            self.open.append(question)
            return question.choices[0].word
        word = next((w for w in question.words if w.casefold() == answer.casefold()), None)
        if word is None:
            raise UsageError(
                f"{answer!r} answers nothing: {question.key} is one of {', '.join(question.words)}."
            )
        return word
