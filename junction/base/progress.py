"""How far a long work has come, for whoever asked to be told: nobody but the command line does."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar

_LISTENER: ContextVar[Callable[[str], None] | None] = ContextVar("listener", default=None)


@contextmanager
def told_to(listener: Callable[[str], None]) -> Iterator[None]:
    """Within, every word of progress goes to `listener`."""
    token = _LISTENER.set(listener)
    try:
        yield
    finally:
        _LISTENER.reset(token)


def tell(work: str, done: int, total: int, things: str) -> None:
    """Say that of all things so many are done; nothing happens where nobody listens."""
    listener = _LISTENER.get()
    if listener is not None:
        listener(f"{work} {done:,} of {total:,} {things}")
