"""How fixes that fail and new faults follow from a linear predictor: a change is fitted by it."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import special

from afterclear.estimators.arrays.validation import FloatArray


class Law(Protocol):
    """How rows follow from their linear predictor; each method gives one value a row."""

    def log_likelihood(self, at: FloatArray) -> float:
        """Sum over all rows, but for a constant."""

    def residual(self, at: FloatArray) -> FloatArray:
        """Score of each row."""

    def information(self, at: FloatArray, *, whole: bool) -> FloatArray:
        """Curvature of each row; ``whole``: had everything been seen."""

    def mean(self, at: FloatArray) -> FloatArray:
        """Share, or rate a km, of each row."""

    def weight(self) -> FloatArray:
        """Pieces of work, or km, of each row."""

    def halved(self, mean: float) -> float:
        """How far the linear predictor falls if the mean is halved."""


@dataclass(frozen=True, slots=True)
class Fixes:
    """Fixes that failed or held, as far as their evidence tells; shape (n,) each."""

    usual: FloatArray  # log odds
    evidence: FloatArray  # log odds
    n: FloatArray  # alike fixes

    def log_likelihood(self, at: FloatArray) -> float:
        """Sum over all rows, but for a constant."""
        odds = at + self.usual
        seen = np.logaddexp(0, odds + self.evidence) - np.logaddexp(0, odds)
        return float(self.n @ seen)

    def residual(self, at: FloatArray) -> FloatArray:
        """Score of each row."""
        odds = at + self.usual
        return np.asarray(self.n * (special.expit(odds + self.evidence) - special.expit(odds)))

    def information(self, at: FloatArray, *, whole: bool) -> FloatArray:
        """Curvature of each row; ``whole``: had everything been seen."""
        share = special.expit(at + self.usual)
        complete = share * (1 - share)
        if whole:
            return np.asarray(self.n * complete)
        seen = special.expit(at + self.usual + self.evidence)
        return np.asarray(self.n * (complete - seen * (1 - seen)))

    def mean(self, at: FloatArray) -> FloatArray:
        """Share, or rate a km, of each row."""
        return np.asarray(special.expit(at + self.usual))

    def weight(self) -> FloatArray:
        """Pieces of work, or km, of each row."""
        return self.n

    def halved(self, mean: float) -> float:
        """How far the linear predictor falls if the mean is halved."""
        return float(special.logit(mean) - special.logit(mean / 2))


@dataclass(frozen=True, slots=True)
class Faults:
    """New faults counted over a distance; shape (n,) each."""

    count: FloatArray
    km: FloatArray
    usual: float  # log rate a km

    def log_likelihood(self, at: FloatArray) -> float:
        """Sum over all rows, but for a constant."""
        return float(self.count @ at - self.km @ self.mean(at))

    def residual(self, at: FloatArray) -> FloatArray:
        """Score of each row."""
        return np.asarray(self.count - self.km * self.mean(at))

    def information(self, at: FloatArray, *, whole: bool) -> FloatArray:
        """Curvature of each row; ``whole``: had everything been seen."""
        del whole  # counts hide nothing
        return np.asarray(self.km * self.mean(at))

    def mean(self, at: FloatArray) -> FloatArray:
        """Share, or rate a km, of each row."""
        return np.asarray(np.exp(at + self.usual))

    def weight(self) -> FloatArray:
        """Pieces of work, or km, of each row."""
        return self.km

    def halved(self, mean: float) -> float:
        """How far the linear predictor falls if the mean is halved."""
        del mean
        return float(np.log(2))
