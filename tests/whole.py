"""How much of its large tables the suite runs: every so many rows, or all with JUNCTION_TESTS=whole.

The bars stay the same.  A share is taken in steps through a table that is in order of its classes, so that
each class has its part in it.
"""

import os

WHOLE = os.environ.get("JUNCTION_TESTS", "") == "whole"


def share(rows, step):
    """Every `step`-th of the rows, or all."""
    return rows if WHOLE else rows[::step]
