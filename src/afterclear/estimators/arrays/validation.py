"""Checks of arrays, shared by every estimator: each rule once, each message with the value.

A broken rule is a mistake of the calling code, not of anyone's data, so it is a ``ValueError``:
delivered rows were rejected or corrected long before an estimator sees them.  The ``as_`` functions
return arrays, the ``check_`` functions raise or return None.
"""

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray: TypeAlias = NDArray[np.float64]
IntArray: TypeAlias = NDArray[np.int64]
ShortIntArray: TypeAlias = NDArray[np.int32]  # of many rows: half the memory
BoolArray: TypeAlias = NDArray[np.bool_]


def as_floats(name: str, values: ArrayLike) -> FloatArray:
    """One-dimensional float array of ``values``; a scalar becomes shape (1,)."""
    array = np.atleast_1d(np.asarray(values, dtype=np.float64))
    if array.ndim != 1:
        raise ValueError(f"{name} must be one-dimensional, but has shape {array.shape}")
    return array


def as_groups(name: str, values: ArrayLike) -> IntArray:
    """One-dimensional array of group numbers; they are whole and 0 or more."""
    array = np.atleast_1d(np.asarray(values))
    if array.ndim != 1:
        raise ValueError(f"{name} must be one-dimensional, but has shape {array.shape}")
    if array.size and array.dtype.kind not in "iu":
        raise ValueError(f"{name} must hold whole numbers, but is {array.dtype}")
    groups = array.astype(np.int64)
    _raise_where(name, groups.astype(np.float64), groups < 0, "0 or more")
    return groups


def count_groups(group: IntArray, n_groups: int | None) -> int:
    """Return the number of groups: as given, or as many as there are, at least one.

    Raises: ValueError: there are more than given.

    """
    n_found = int(group.max(initial=-1)) + 1
    if n_groups is None:
        return max(n_found, 1)
    if n_found > n_groups:
        raise ValueError(f"group must be below n_groups {n_groups}, but holds {n_found - 1}")
    return n_groups


def check_same_shape(**arrays: NDArray[np.generic]) -> None:
    """Refuse arrays that do not run row by row together."""
    if len({array.shape for array in arrays.values()}) > 1:
        shapes = ", ".join(f"{name} {array.shape}" for name, array in arrays.items())
        raise ValueError(f"arrays must have the same shape, but have: {shapes}")


def check_finite(name: str, values: FloatArray) -> None:
    """Refuse NaN and infinity."""
    _raise_where(name, values, ~np.isfinite(values), "finite")


def check_non_negative(name: str, values: FloatArray) -> None:
    """Refuse what is below 0, and NaN; infinity passes."""
    _raise_where(name, values, ~(values >= 0), "0 or more")


def check_positive(name: str, values: FloatArray) -> None:
    """Refuse 0 and what is below, and NaN; infinity passes."""
    _raise_where(name, values, ~(values > 0), "more than 0")


def check_fraction(name: str, value: float) -> None:
    """Refuse what is not strictly between 0 and 1."""
    if not 0 < value < 1:
        raise ValueError(f"{name} must be between 0 and 1, but is {value!r}")


def check_intervals(low: FloatArray, high: FloatArray) -> None:
    """Refuse what is no interval (low, high]: 0 <= low < high, low finite, high may be inf."""
    check_same_shape(low=low, high=high)
    check_finite("low", low)
    check_non_negative("low", low)
    _raise_where("high", high, ~(high > low), "above low")


def _raise_where(name: str, values: FloatArray, broken: BoolArray, rule: str) -> None:
    if broken.any():
        row = int(np.argmax(broken))
        raise ValueError(f"{name} must be {rule}, but is {values[row]} in row {row}")
