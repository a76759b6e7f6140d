"""Writing results: all of a command's files or none of them, and plain words on the terminal."""

from __future__ import annotations

import os
import re
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

from junction.base.errors import OutputError
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

#: Until then nobody wonders whether it still works [s].
PROGRESS_AFTER_S = 2.0
#: Seconds between two words of it.
PROGRESS_EVERY_S = 0.1


def say(text: str = "", stream=None) -> None:
    """Print a line; characters the stream cannot encode get a plain stand-in, never an error."""
    stream = sys.stdout if stream is None else stream
    if not _encodable(text, stream):
        encoding = stream.encoding
        text = plain(text).encode(encoding, "backslashreplace").decode(encoding)
    print(text, file=stream)


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
            print(f"\r{text.ljust(width)}", end="", file=sys.stderr, flush=True)

    try:
        with told_to(show):
            yield
    finally:
        if width:
            print(f"\r{' ' * width}\r", end="", file=sys.stderr, flush=True)


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

    Raises
    ------
    OutputError
        At once, before any work, when a place cannot be written.
    """

    def __init__(
        self, folder: str | None = None, json_to: str | None = None, job: str = "", more: bool = False
    ) -> None:  # fmt: skip
        self.folder, self.job, self.more = Path(folder) if folder else None, job, more
        self.json_path = Path(json_to) if json_to and json_to != "-" else None
        self.json_on_stdout = json_to == "-"
        if self.folder or self.json_path:
            from junction.paper.job_folder import NAME, PAGE, JobFolder
            from junction.show.write import must_be_writable
        if self.folder is not None:
            must_be_writable(self.folder)
            JobFolder.read(self.folder)
        if self.json_path is not None:
            if self.json_path.is_dir():
                raise OutputError(f"{self.json_path}: is a folder; --json wants a file name or -")
            inside = self.folder is not None and self.folder.absolute() in self.json_path.absolute().parents
            own = [self.folder / NAME, self.folder / PAGE] if self.folder else []
            if os.path.realpath(self.json_path) in map(os.path.realpath, own):
                raise OutputError(f"{self.json_path}: is the job's own file; choose another for the JSON")
            must_be_writable(self.json_path.parent, make=inside)

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
        """
        files, text = {}, result.json_pieces
        if self.folder is not None:
            files = result.written(self.folder, self.job)
        if self.json_path is not None:
            place = os.path.realpath(self.json_path)
            files = {path: content for path, content in files.items() if os.path.realpath(path) != place}
            files[self.json_path] = text
        inputs = {os.path.realpath(p) for p in getattr(result.bag, "files", ()) if p != "-"}
        for path in files:
            if os.path.realpath(path) in inputs:
                raise OutputError(f"{path}: is one of the files read; choose another place for the results")
        if files:
            from junction.show.write import write_files

            write_files(files)
        stream, left = self.text_stream, getattr(result, "set_aside", ())
        shown = {"everything": everything, "more": self.more, "paint": paint_for(stream)}
        say(result.text(width_for(stream), **shown), stream)
        lines = None if self.more else getattr(result, "lines_set_aside", None)
        report_set_aside(left, lines=lines, more=self.more)
        if self.folder is not None:
            say(f"page: {next(iter(files))}; job sheet: {self.folder / 'index.html'}", stream)
        if self.json_on_stdout:
            sys.stdout.writelines(text(ascii_only=not _encodable("µ\ud7ff\U0001f600", sys.stdout)))
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
