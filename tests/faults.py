"""Faults put into what a test calls: at the n-th call to the system that touches its folder.

The interpreter tells of every call that opens, makes, moves, links, lists or deletes a file before it is done
(Python documentation, "Audit events table"), so none is left out, however the code makes it.
"""

import os
import sys
from contextlib import contextmanager

_NOW = []  # the fault in force: folder, at which call, what happens there, calls so far, if at later ones too


def _hook(event, given):
    if not _NOW or not (event == "open" or event.split(".")[0] in ("os", "fcntl")):
        return
    folder, at, act, calls, again = _NOW[-1]
    names = [os.fsdecode(x) for x in given if isinstance(x, str | bytes | os.PathLike)]
    if any(name.startswith(folder) or not os.path.isabs(name) for name in names if name):
        calls.append(event)
        if len(calls) == at or again and len(calls) > at > 0:
            act()


sys.addaudithook(_hook)


@contextmanager
def fault(folder, at, act, again=False):
    """Within, `act` is called before the `at`-th call that touches the folder; gives the calls so far.

    Parameters
    ----------
    folder : path
    at : int
        From 1; 0 only counts.
    act : callable or Exception
        An exception is raised.
    again : bool
        At every later call too, as of a key that is hit again and again.
    """
    def raised():
        raise act

    calls = []
    _NOW.append((str(folder), at, raised if isinstance(act, BaseException) else act, calls, again))
    try:
        yield calls
    finally:
        _NOW.pop()


def full():
    """What a full disk says."""
    return OSError(28, "No space left on device")


def tree(folder):
    """Every file below a folder by its name, hidden ones too, and every empty folder; links as they point."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_symlink():
            found[name] = f"-> {os.readlink(path)}"
        elif path.is_file():
            found[name] = path.read_text("utf-8", "replace")
        elif not any(path.iterdir()):
            found[name] = "an empty folder"
    return found
