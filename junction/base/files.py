"""Bytes of whatever a path names, bounded: files and pipes, never a device, never more than fits."""

from __future__ import annotations

import errno
import os
import select
import stat
from pathlib import Path

#: Some fifteen million rows of points: with what is made of them, the memory of a small machine.
MOST_BYTES = 600_000_000
#: Whoever writes into a pipe has begun by then [s].
_PIPE_WAIT_MS = 5_000


def bytes_of(path: str | Path) -> bytes:
    """Content of a file or of a pipe.

    Raises
    ------
    OSError
        It cannot be read, is a device or larger than is taken; ``strerror`` says what to do.
    """
    mode = os.stat(path).st_mode
    if stat.S_ISCHR(mode) or stat.S_ISBLK(mode):
        raise OSError(errno.EINVAL, "a device, not a file; copy what it gives into a file, or write -")
    if stat.S_ISFIFO(mode):
        return _of_pipe(path)
    with open(path, "rb") as file:
        return bounded(file)


def bounded(stream) -> bytes:
    """All of a binary stream.

    Raises
    ------
    OSError
        It holds more than is taken.
    """
    data = stream.read(MOST_BYTES + 1)
    if len(data) > MOST_BYTES:
        most = f"{MOST_BYTES // 1_000_000:,} MB"
        raise OSError(errno.EFBIG, f"more than {most}; split it by part into files and give them one by one")
    return data


def _of_pipe(path: str | Path) -> bytes:
    """A pipe is opened without waiting for its other end, which may not be there."""
    end = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    waits = select.poll()
    waits.register(end, select.POLLIN)
    if not waits.poll(_PIPE_WAIT_MS):
        os.close(end)
        raise OSError(errno.EAGAIN, "a pipe into which nothing is written")
    os.set_blocking(end, True)
    with open(end, "rb") as file:
        return bounded(file)
