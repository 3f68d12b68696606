"""Any two commands at once, killed at random moments or not, leave what they leave in some order.

Every two of them: ``python -m tests.campaigns mixtures --times 19``.
"""

import random
from itertools import chain, cycle, islice
from pathlib import Path

import pytest

from tests.campaigns import counted, counted_kills, repeats, rounds_before
from tests.faults.mixtures import COMMANDS, Bench, Tally, rounds, tried

ROUNDS = repeats(1)


def test_a_round_holds_each_command_and_all_rounds_every_two() -> None:
    *played, twins = rounds()
    assert all(sorted(chain(*pairs)) == sorted(COMMANDS) for pairs in played)
    n = len(COMMANDS)
    assert len({frozenset(pair) for pair in chain(*played)}) == n * (n - 1) // 2
    assert len(twins) == n


@pytest.mark.slow
def test_two_commands_at_once_killed_or_not_leave_what_they_leave_in_some_order(
    tmp_path: Path,
) -> None:
    chance = random.Random(f"{ROUNDS} {rounds_before()} 20261130")  # noqa: S311 - moments, not secrets
    tally, on = Tally(), Bench(tmp_path)
    print()
    for pairs in islice(cycle(rounds()), rounds_before(), ROUNDS):
        for pair in pairs:
            n_wrong, kills = len(tally.wrong), tally.kills.copy()
            tried(on, pair, chance, tally)
            counted(1, "mixtures of two commands", len(tally.wrong) - n_wrong)
            counted((tally.kills - kills).total(), "kills in mixtures")
            counted_kills(tally.kills - kills)
        ends = dict(sorted(tally.ends.items()))
        n = sum(ends.values())
        print(f"{n} mixtures, {tally.kills.total()} kills: {ends}; {tally.kills}", flush=True)
    assert tally.wrong == []
