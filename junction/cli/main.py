"""Entry point: whatever happens, an answer or one line, and a status that says which.

Exit status: 0 all rows used; 1 done, but rows were set aside; 2 nothing done, or the answer could not be
given.  ``JUNCTION_TRACE=1`` shows where an unforeseen error came from.  The commands are imported inside the
handler, so that an error or an interrupt while that goes on ends in one line as well.
"""

from __future__ import annotations

import errno
import io
import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext, suppress

NOTHING_DONE = 2
#: Further signals within that of one that ends the program are the same one: a key pressed twice [s].
_SAME_S = 0.5
_ROOM = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))


class Stopped(BaseException):
    """The program was told from outside to end."""


class _Closed(io.TextIOBase):
    """A standard stream that was closed before the program started."""

    def write(self, text: str) -> int:
        raise OSError(errno.EBADF, "it is closed")


def main(argv: list[str] | None = None) -> int:
    """Run the command line and return the exit status.

    Parameters
    ----------
    argv : list of str, optional
        The words behind ``junction``; without them this is the program itself, with its own words.
    """
    words, itself = (sys.argv[1:], True) if argv is None else (argv, False)
    before = sys.stdin, sys.stdout, sys.stderr
    with _signals(itself) as came:
        try:
            _open_streams(itself)
            return _status(words, came)
        finally:
            if not itself:
                sys.stdin, sys.stdout, sys.stderr = before


def _status(words: Sequence[str], came: list[float]) -> int:
    """Run; the exit status. What went wrong is said."""
    try:
        end, status = None, NOTHING_DONE
        try:
            from junction.cli.commands import run

            status = run(words)
        except SystemExit as left:  # --help, --version, or a line that was said already
            end = left
        _flush(sys.stdout)
    except BaseException as error:
        end, status = None, NOTHING_DONE
        _say(_line(words, error, stopped=bool(came)))
    for stream in (sys.stdout, sys.stderr):  # what is left there must not fail when the program ends
        with suppress(Exception):
            _flush(stream)
    if end is not None:
        raise end
    return status


def _line(words: Sequence[str], error: BaseException, stopped: bool) -> str:
    """What ended the run, where, and how to find out more."""
    name = next((word for word in words if not word.startswith("-")), "")
    known = getattr(sys.modules.get("junction.base.errors"), "JunctionError", ())
    if isinstance(error, KeyboardInterrupt | Stopped):
        said = "stopped"
    elif isinstance(error, known):
        said = str(error)
    else:
        if os.environ.get("JUNCTION_TRACE") == "1":
            import traceback

            with suppress(Exception):
                traceback.print_exception(error)
        said = (f"ended by an unforeseen error, {_what(error)}; to report it, run the same with"
                " JUNCTION_TRACE=1 and send what that shows")  # fmt: skip
        said = "stopped" if stopped else said
    said = "; ".join(dict.fromkeys([said, *getattr(error, "__notes__", ())]))
    start = "\n" if said.startswith("stopped") and sys.stderr.isatty() else ""  # behind the ^C of a terminal
    return f"{start}{f'junction {name}'.strip()}: {said}"


def _what(error: BaseException) -> str:
    """An error in a few words, and the last line of ours that it went through."""
    said = type(error).__name__
    with suppress(Exception):
        said = ": ".join(filter(None, [said, " ".join(str(error).split())[:160]]))
    at, step = "", error.__traceback__
    while step is not None:
        file = step.tb_frame.f_code.co_filename
        if file.startswith(_ROOM):
            at = f" ({os.path.relpath(file, _ROOM)} line {step.tb_lineno})"
        step = step.tb_next
    return said + at


def _say(text: str) -> None:
    """Lines for a person; with the words for it where their module is there, and without in any case."""
    with suppress(Exception):
        sys.modules["junction.cli.output"].complain(text)
        return
    with suppress(Exception):
        print("".join(c if c.isprintable() or c == "\n" else ascii(c)[1:-1] for c in text), file=sys.stderr)


def _flush(stream) -> None:
    output = sys.modules.get("junction.cli.output")
    with output.writing(stream) if hasattr(output, "writing") else nullcontext():
        stream.flush()


# --- streams and signals ---------------------------------------------------------------------------------


def _open_streams(itself: bool) -> None:
    """Something in the place of each stream that was closed; no file of ours takes its number."""
    for number in range(3) if itself else ():
        try:
            os.fstat(number)
        except OSError:
            os.open(os.devnull, os.O_RDWR)
    sys.stdin = sys.stdin or io.TextIOWrapper(io.BytesIO(), "utf-8")
    sys.stdout, sys.stderr = sys.stdout or _Closed(), sys.stderr or _Closed()
    if itself and hasattr(sys.stdin, "reconfigure"):
        sys.stdin.reconfigure(errors="backslashreplace")  # what was typed is answered, whatever it was


@contextmanager
def _signals(itself: bool) -> Iterator[list[float]]:
    """Signals that end the program are raised where it is, once; yields the moments when they came."""
    came: list[float] = []

    def heard(number: int, frame: object) -> None:
        if not came or time.monotonic() - came[-1] > _SAME_S:
            came.append(time.monotonic())
            raise KeyboardInterrupt if number == signal.SIGINT else Stopped

    def swallowed(told) -> None:
        """Raised where nothing can be, as in a callback of the interpreter: raised again a little later."""
        if isinstance(told.exc_value, KeyboardInterrupt | Stopped) and hasattr(signal, "setitimer"):
            came.clear()
            signal.signal(signal.SIGALRM, heard)
            signal.setitimer(signal.ITIMER_REAL, 0.01)
        else:
            sys.__unraisablehook__(told)

    before = {}
    if itself:
        sys.unraisablehook = swallowed
    with suppress(ValueError):  # only the main thread may
        for name in ("SIGINT", "SIGTERM", "SIGHUP"):
            one = getattr(signal, name, None)
            if one is not None and signal.getsignal(one) not in (signal.SIG_IGN, None):  # nohup
                before[one] = signal.signal(one, heard)
    try:
        yield came
    finally:
        for one, handler in before.items():
            signal.signal(one, signal.SIG_IGN if itself else handler)
