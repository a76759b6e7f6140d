"""Freeze today's answers on purpose: ``python -m tests.golden.renew_frozen``, then read what it prints.

Refused where the environment variable CI is set: a machine that checks must not move the mark.
"""

from __future__ import annotations

import gzip
import json
import sys
import tempfile
from pathlib import Path

from tests.golden.frozen_answers import FILE, differences, kept, renewed
from tests.golden.renewing import refuse_in_ci


def main() -> int:
    """Write the file anew and print every answer that moved; the exit status."""
    refuse_in_ci()
    old = kept() if FILE.exists() else {}
    with tempfile.TemporaryDirectory() as folder:
        new = renewed(Path(folder))
    moved = 0
    for name, found in new.items():
        lines = differences(old[name], found) if name in old else ["a new bag"]
        moved += bool(lines)
        for line in lines:
            print(f"bag {name!r}, {line}")
    for name in old.keys() - new.keys():
        print(f"bag {name!r}: gone")
    text = json.dumps(new, ensure_ascii=False, separators=(",", ":"))
    # without a time in it, so that the same answers are the same bytes
    FILE.write_bytes(gzip.compress(text.encode(), 9, mtime=0))
    print(f"{FILE.name}: {len(new)} bags, {moved} of them answered otherwise than before")
    return 0


if __name__ == "__main__":
    sys.exit(main())
