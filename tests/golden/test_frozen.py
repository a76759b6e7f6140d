"""The answers to two hundred invented bags are what they were when they were frozen.

After an intended change ``python -m tests.golden.renew_frozen`` writes them anew and prints what moved.
"""

import pytest

from tests.golden.frozen_answers import COMMANDS, answers, checksum, differences, kept
from tests.golden.frozen_bags import bags

#: Lines of difference that a failure shows.
MOST_LINES = 40


@pytest.fixture(scope="module")
def frozen():
    return kept()


def test_the_bags_are_the_frozen_ones(frozen):
    """Else the generator (or numpy's) has changed, and no other test here says anything about junction."""
    assert {bag.name: checksum(bag) for bag in bags()} == {name: x["checksum"] for name, x in frozen.items()}


@pytest.mark.parametrize("command", COMMANDS)
def test_answers_are_the_frozen_ones(command, frozen, tmp_path):
    lines, count, differ = [], 0, 0
    for bag in bags():
        if command not in frozen[bag.name]:
            continue
        count += 1
        found = differences(frozen[bag.name][command], answers(bag, command, tmp_path))
        differ += bool(found)
        lines += [f"  bag {bag.name!r}, {line}" for line in found]
    assert count, f"no bag is frozen for {command}"
    head = f"junction {command}: {differ} of {count} bags are answered otherwise (frozen -> now):"
    more = [f"  ... and {len(lines) - MOST_LINES} more"] if len(lines) > MOST_LINES else []
    assert not lines, "\n".join([head, *lines[:MOST_LINES], *more])
