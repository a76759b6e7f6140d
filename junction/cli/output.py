"""Writing results: all of a command's files or none of them, and plain words on the terminal."""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Callable, Iterable, Iterator, Sequence, Set
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import replace
from pathlib import Path

from junction.base.errors import JunctionError, OutputError
from junction.base.progress import told_to
from junction.base.records import SetAside
from junction.show.blocks import (
    count,
    is_terminal,
    paint_for,
    paragraph,
    plain,
    set_aside_words,
    that_fit,
    visible,
    width_for,
)

#: Characters that the lines of one file take where entries that were not used are told by their places.
MOST_ROWS_TEXT = 30
#: What a short answer leaves out of a reason.
BRACKETS = r" \([^()]*\)"
#: A word longer than any path worth reading, in a message: its two ends are shown.
_ENDLESS = re.compile(r"(\S{200})\S{400,}(\S{100})")

#: Until then nobody wonders whether it still works [s].
PROGRESS_AFTER_S = 2.0
#: Seconds between two words of it.
PROGRESS_EVERY_S = 0.1


class StreamLost(OutputError):
    """Standard output or error takes nothing more: it is full, closed, or nobody reads it."""

    def __init__(self, stream, error: Exception) -> None:
        reason = getattr(error, "strerror", None) or "it is closed"
        if isinstance(error, BrokenPipeError):
            reason = "who read it has gone"
        self.stream, self.why = stream, f"standard {'error' if stream is sys.stderr else 'output'}: {reason}"
        super().__init__(f"{self.why}; the answer could not be given whole")
        with suppress(OSError, ValueError, AttributeError):
            # what is still in the buffer must not fail again when the program ends
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


@contextmanager
def writing(stream) -> Iterator[None]:
    """Within, a stream that fails raises `StreamLost`."""
    try:
        yield
    except (OSError, ValueError) as error:
        if isinstance(error, JunctionError) or isinstance(error, ValueError) and not stream.closed:
            raise
        raise StreamLost(stream, error) from error


def say(text: str = "", stream=None, *, end: str = "\n", flush: bool = False) -> None:
    """Print a line; characters the stream cannot encode get a plain stand-in, never an error.

    Raises
    ------
    StreamLost
    """
    stream = sys.stdout if stream is None else stream
    if not _encodable(text, stream):
        encoding = stream.encoding
        text = plain(text).encode(encoding, "backslashreplace").decode(encoding)
    with writing(stream):
        print(text, file=stream, end=end, flush=flush)


def complain(text: str) -> None:
    """Lines on standard error, or where that is gone on standard output; control characters made visible.

    Of a word that no path and no entry has the length of, both ends.
    """
    text = "\n".join(visible(line) for line in text.split("\n"))
    text = _ENDLESS.sub(r"\1…\2", text)
    for stream in (sys.stderr, sys.stdout):
        with suppress(StreamLost):
            return say(text, stream, flush=True)


@contextmanager
def progress() -> Iterator[None]:
    """One line on a terminal's standard error, from two seconds on, overwritten and gone at the end."""
    if not is_terminal(sys.stderr):
        yield
        return
    due, width = time.monotonic() + PROGRESS_AFTER_S, 0

    def show(text: str) -> None:
        nonlocal due, width
        if time.monotonic() >= due:
            due, width = time.monotonic() + PROGRESS_EVERY_S, max(width, len(text))
            with suppress(StreamLost):
                say(f"\r{text.ljust(width)}", sys.stderr, end="", flush=True)

    try:
        with told_to(show):
            yield
    finally:
        if width:
            with suppress(StreamLost):
                say(f"\r{' ' * width}\r", sys.stderr, end="", flush=True)


def _encodable(text: str, stream) -> bool:
    try:
        text.encode(getattr(stream, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return False
    return True


class Outputs:
    """Where the results of one command go; its files are written all together or not at all.

    Parameters
    ----------
    folder : str or None
        Folder of ``-o``; made when it does not exist.
    json_to : str or None
        File of ``--json``; ``-`` is standard output.
    job : str
        Name of the job that the folder is of; '' leaves the one it has.
    more : bool
        Print the whole of what is known.
    read : sequence of str
        Files that options name, which no result may take the place of.

    Raises
    ------
    OutputError
        At once, before any work, when a place cannot be written.
    """

    def __init__(
        self, folder: str | None = None, json_to: str | None = None, job: str = "", more: bool = False,
        read: Iterable[str] = (),
    ) -> None:  # fmt: skip
        self.folder, self.job, self.more = Path(folder) if folder else None, job, more
        self.json_path = Path(json_to) if json_to and json_to != "-" else None
        self.json_on_stdout = json_to == "-"
        self._places: list[Path] = []
        self._read = tuple(read)
        if self.folder or self.json_path:
            from junction.paper.job_folder import NAME, PAGE, JobFolder
            from junction.show.files import is_stream, must_be_writable
        if self.folder is not None:
            must_be_writable(self.folder)
            JobFolder.read(self.folder)
            self._places.append(self.folder)
        if self.json_path is not None and not is_stream(self.json_path):
            self._spare(self.json_path)
            if os.path.isdir(self.json_path):
                raise OutputError(f"{self.json_path}: is a folder; --json wants a file name or -")
            inside = self.folder is not None and self.folder.absolute() in self.json_path.absolute().parents
            own = [self.folder / NAME, self.folder / PAGE] if self.folder else []
            if os.path.realpath(self.json_path) in map(os.path.realpath, own):
                raise OutputError(f"{self.json_path}: is the job's own file; choose another for the JSON")
            must_be_writable(self.json_path.parent, make=inside)
            self._places.append(self.json_path.parent)

    @property
    def text_stream(self):
        """Where people's text goes: standard error while standard output carries the JSON."""
        return sys.stderr if self.json_on_stdout else sys.stdout

    def finish(self, result, *, everything: bool = False) -> int:
        """Write what was asked for of a result and print it; the exit status.

        0 when every row was used, 1 when some were set aside.

        Raises
        ------
        OutputError
            A file or folder cannot be written, or is one of those read; what stood there stands there still.
        StreamLost
            The answer cannot be printed; the files are written.
        """
        if self.folder is None and self.json_path is None:
            return self._shown(result, everything)
        from junction.show.files import alone_with, write_files, written_before

        with ExitStack() as after:
            with alone_with(*self._places):
                files = self._files(result)
                write_files(files)
                after.enter_context(written_before())
            return self._shown(result, everything, next(iter(files)))

    def _files(self, result) -> dict:
        """Contents of all files by their places, the page first."""
        files = {}
        if self.folder is not None:
            files = result.written(self.folder, self.job)
        if self.json_path is not None:
            place = os.path.realpath(self.json_path)
            files = {path: content for path, content in files.items() if os.path.realpath(path) != place}
            files[self.json_path] = result.json_pieces
        inputs = {os.path.realpath(p) for p in getattr(result.bag, "files", ()) if p != "-"}
        for path in files:
            self._spare(path, inputs)
        return files

    def _spare(self, path: Path, more: Set[str] = frozenset()) -> None:
        """Refuse to write over a file that this run reads or adds to."""
        if os.path.realpath(path) in more.union(map(os.path.realpath, self._read)):
            raise OutputError(f"{path}: is one of the files read; choose another place for the results")

    def _shown(self, result, everything: bool, page: Path | None = None) -> int:
        """Print a result; the exit status.  Where standard error fails, the answer is given all the same."""
        stream, left, lost = self.text_stream, getattr(result, "set_aside", ()), []

        def told(show: Callable, *words, **how) -> None:
            try:
                show(*words, **how)
            except StreamLost as error:
                if error.stream is sys.stdout:
                    raise
                lost.append(error.why)

        shown = {"everything": everything, "more": self.more, "paint": paint_for(stream)}
        told(say, result.text(width_for(stream), **shown), stream, flush=True)
        lines = None if self.more else getattr(result, "lines_set_aside", None)
        told(report_set_aside, left, lines=lines, more=self.more)
        if self.folder is not None:
            told(say, f"page: {page}; job sheet: {self.folder / 'index.html'}", stream)
        if self.json_on_stdout:
            ascii_only = not _encodable("µ\ud7ff\U0001f600", sys.stdout)
            with writing(sys.stdout):
                sys.stdout.writelines(result.json_pieces(ascii_only=ascii_only))
        elif lost:
            say(f"not used: {set_aside_words(left)}, which could not be listed ({lost[0]})")
        with writing(sys.stdout):
            sys.stdout.flush()
        return 1 if left else 0


def report_set_aside(
    items: Sequence[SetAside], *, most: int = 40, lines: int | None = None, more: bool = False
) -> None:  # fmt: skip
    """List the rows that were not used on standard error, with place and reason.

    Where there are more than `lines`, only where they stand; what a reason says in brackets only with `more`.
    """
    if not items:
        return
    if lines is not None and len(items) > lines:
        places: dict[str, dict[str, None]] = {}
        for item in items:
            rows = places.setdefault(visible(item.file) or "given", {})
            rows |= {str(item.row): None} if item.row is not None else {}
        found = "; ".join(f"{file} {that_fit(rows, MOST_ROWS_TEXT, ' and {} more')}"
                          for file, rows in places.items())  # fmt: skip
        said = f"not used, lines (why: --more): {found}"
        say(paragraph(said, width_for(sys.stderr), "", "  "), sys.stderr)
        return
    say(f"not used: {set_aside_words(items)}", sys.stderr)
    for item in items[:most]:
        place = visible(item.file) if item.file else "given"
        if item.row is not None:
            place += f" line {item.row}"
        if item.column:
            place += f", {visible(item.column)}"
        said = visible(replace(item, value=visible(item.value)[:40]).says).rstrip(".")
        line = f"  {place}: {said if more else re.sub(BRACKETS, '', said)}."
        wide = width_for(sys.stderr) if is_terminal(sys.stderr) else len(line)  # a log keeps its lines whole
        say(paragraph(line, wide, "", "    "), sys.stderr)
    if len(items) > most:
        rest = count(len(items) - most, "more entry", "more entries")
        say(f"  and {rest}; all of them are in set_aside.csv (-o FOLDER) and in the JSON", sys.stderr)
