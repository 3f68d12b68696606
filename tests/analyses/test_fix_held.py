import numpy as np

from afterclear.analyses.fix_held import fix_held


def test_an_attempt_nobody_looked_at_gets_what_its_group_says() -> None:
    """Low 0 and high inf: no evidence of its own, and no weight in its group."""
    with_it = fix_held([0, 0, 0], [0.0, 900.0, 4000.0], [np.inf, 1500.0, np.inf])
    without = fix_held([0, 0], [900.0, 4000.0], [1500.0, np.inf])
    assert with_it.p_not_held[0] == with_it.groups.p_mean[0] == without.groups.p_mean[0]
    assert with_it.groups.n_attempts[0] == 3
    assert with_it.groups.n_informative[0] == 2
