import numpy as np
import pytest

from afterclear.estimators.arrays import validation


def test_a_scalar_becomes_one_row() -> None:
    assert validation.as_floats("km", 5).tolist() == [5.0]


def test_a_table_is_refused_where_a_row_of_numbers_is_meant() -> None:
    with pytest.raises(ValueError, match=r"km must be one-dimensional, but has shape \(2, 2\)"):
        validation.as_floats("km", [[1, 2], [3, 4]])
    with pytest.raises(ValueError, match="group must be one-dimensional"):
        validation.as_groups("group", [[1, 2], [3, 4]])


def test_group_numbers_are_whole_and_not_below_zero() -> None:
    assert validation.as_groups("group", np.array([0, 3], dtype=np.uint16)).dtype == np.int64
    assert validation.as_groups("group", []).tolist() == []
    with pytest.raises(ValueError, match="group must hold whole numbers, but is float64"):
        validation.as_groups("group", [0.5])
    with pytest.raises(ValueError, match=r"group must be 0 or more, but is -1.0 in row 1"):
        validation.as_groups("group", [0, -1])


def test_arrays_of_unequal_length_are_named_with_their_shapes() -> None:
    with pytest.raises(ValueError, match=r"low \(2,\), high \(3,\)"):
        validation.check_same_shape(low=np.zeros(2), high=np.zeros(3))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_what_is_not_finite_is_refused_with_its_row(bad: float) -> None:
    with pytest.raises(ValueError, match=r"km must be finite, but is .* in row 2"):
        validation.check_finite("km", np.array([1.0, 2.0, bad]))


def test_zero_is_not_negative_but_not_positive_either() -> None:
    validation.check_non_negative("km", np.array([0.0, np.inf]))
    with pytest.raises(ValueError, match=r"km must be more than 0, but is 0.0 in row 0"):
        validation.check_positive("km", np.array([0.0]))
    with pytest.raises(ValueError, match="km must be 0 or more, but is nan"):
        validation.check_non_negative("km", np.array([np.nan]))


@pytest.mark.parametrize("bad", [0.0, 1.0, np.nan])
def test_a_fraction_is_strictly_between_its_ends(bad: float) -> None:
    with pytest.raises(ValueError, match="threshold must be between 0 and 1"):
        validation.check_fraction("threshold", bad)


def test_an_interval_is_open_on_the_left_so_its_ends_differ() -> None:
    validation.check_intervals(np.array([0.0, 5.0]), np.array([np.inf, 6.0]))
    with pytest.raises(ValueError, match=r"high must be above low, but is 5.0 in row 0"):
        validation.check_intervals(np.array([5.0]), np.array([5.0]))
    with pytest.raises(ValueError, match="low must be finite"):
        validation.check_intervals(np.array([np.inf]), np.array([np.inf]))
    with pytest.raises(ValueError, match="high must be above low, but is nan"):
        validation.check_intervals(np.array([1.0]), np.array([np.nan]))
