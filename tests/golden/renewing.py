"""What is kept to be compared with is written anew by a person who reads the difference."""

import os
import sys


def refuse_in_ci() -> None:
    """End with status 2 where the environment variable CI is set: what checks must not move its mark."""
    if os.environ.get("CI"):
        print("CI is set: a person renews what is kept, not the machine that checks", file=sys.stderr)
        sys.exit(2)
