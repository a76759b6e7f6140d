"""Files of a run: all of them or none, whatever happens meanwhile, and one run at a time in a folder.

New files are written whole into a hidden folder beside their places and then moved there, each at once; what
stood there waits beside them and comes back if a move fails.  A folder that is new is moved as one.  A folder
that is there is never exchanged for another: it may be a mount, hold other people's files, or be where a
shell stands.  A run that is killed while it moves has left a list of its moves, and whoever writes there next
finishes them; what it left before that is cleared away.
"""

from __future__ import annotations

import json
import os
import re
import secrets
import shutil
import signal
import stat
import tempfile
import threading
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from contextvars import ContextVar
from errno import EACCES, EISDIR, ELOOP, ENOENT
from pathlib import Path

from junction.base.errors import OutputError

#: How long another writer is waited for, and how often it is asked [s].
PATIENCE_S, PAUSE_S = 30.0, 0.02
#: Signals that end the program; those that the system has.
ENDING = tuple(getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name))
#: Hidden folder of a run, and the list of its moves in there, which says that its files are whole.
_STAGE, _MOVES = re.compile(r"\.junction-[0-9a-f]{12}"), "moves"
_HELD: ContextVar[tuple[Path, ...]] = ContextVar("held", default=())

Content = str | bytes | Callable[[], Iterable[str]]


def must_be_writable(folder: Path, *, make: bool = True) -> None:
    """Try the folder, or the nearest one above it that exists, with a real temporary file.

    Raises
    ------
    OutputError
    """
    try:
        place = _target(folder)
        while make and not place.exists() and place != place.parent:
            place = place.parent
        if not place.is_dir():
            reason = "is not a folder" if place.exists() else "no such folder"
            raise OutputError(f"{place}: {reason}; cannot write there")
        with tempfile.TemporaryFile(dir=place):
            pass
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        raise OutputError(f"{folder}: cannot write there: {error.strerror or error}") from error


def write_files(files: Mapping[Path, Content], *, sure: bool = False) -> None:
    """Write every file or none; one that is a symbolic link stays one, and what it points to is written.

    Parameters
    ----------
    files : mapping
        Contents by place.  A function gives the text in pieces, so that a long one is never whole in memory.
    sure : bool
        Come back only when all is on the disk, so that no power cut loses it.

    Raises
    ------
    OutputError
        A file or folder cannot be written; what stood there before stands there still.
    """
    at: list[Path] = []  # the file in hand
    try:
        places = {}
        for path, content in files.items():
            at[:] = [path]
            places[_target(path)] = content
        streams = [path for path in places if is_stream(path)]
        folders = {_nearest(path.parent) for path in places if path not in streams}
        tops = [one for one in folders if not any(_holds(other, one) for other in folders - {one})]
        with ExitStack() as after, alone_with(*tops), ExitStack() as stages:
            stage_of: dict[Path, _Stage] = {}
            for path, content in places.items():
                at[:] = [path]
                if path not in streams:
                    root = max((held for held in _HELD.get() if _holds(held, _nearest(path.parent))),
                               key=lambda held: len(held.parts))  # fmt: skip
                    if root not in stage_of:
                        stage_of[root] = stages.enter_context(_staged(root))
                    stage_of[root].add(path, content, sure)
            for path in streams:
                at[:] = [path]
                with open(path, "wb") as file:
                    _fill(file, places[path])
            with undisturbed():
                _move([*stage_of.values()], at)
                after.enter_context(written_before())
                for root in stage_of if sure else ():
                    _flush_folder(root)
    except OSError as error:
        if isinstance(error, OutputError):
            raise
        where = at[0] if at else error.filename
        raise OutputError(
            f"{where}: cannot write: {error.strerror or error}; nothing was written") from error  # fmt: skip


class _Stage:
    """New files below a folder, whole in a hidden folder of it until all are moved to their places."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.root = folder, folder.parent
        self.moves: list[str] = []  # files, or whole folders that are new, as seen from the root

    def add(self, path: Path, content: Content, sure: bool) -> None:
        """Write one file whole."""
        if path.is_dir():
            raise IsADirectoryError(EISDIR, os.strerror(EISDIR), str(path))
        if path.exists() and not os.access(path, os.W_OK):
            raise PermissionError(EACCES, "it is read-only", str(path))
        new = self.folder / "new" / path.relative_to(self.root)
        new.parent.mkdir(parents=True, exist_ok=True)
        with open(new, "wb") as file:
            _fill(file, content)
            if sure:
                file.flush()
                os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, new)
        whole = path
        while not whole.parent.exists():
            whole = whole.parent
        move = whole.relative_to(self.root).as_posix()
        if move not in self.moves:
            self.moves.append(move)

    def keep_old(self) -> None:
        """A second name, or a copy, of every file that is about to be replaced."""
        for move in self.moves:
            place, old = self.root / move, self.folder / "old" / move
            if place.exists():
                old.parent.mkdir(parents=True, exist_ok=True)
                try:
                    os.link(place, old)
                except OSError:  # a file system without links
                    shutil.copy2(place, old)

    def put_back(self) -> None:
        """Everything as it was; what was new is in the hidden folder again."""
        for move in reversed(self.moves):
            place, new, old = self.root / move, self.folder / "new" / move, self.folder / "old" / move
            if not os.path.lexists(new) and os.path.lexists(place):
                os.replace(place, new)
            if old.exists() and not place.exists():
                os.replace(old, place)


@contextmanager
def _staged(root: Path) -> Iterator[_Stage]:
    """A hidden folder below another for as long as a run needs it."""
    folder = root / f".junction-{secrets.token_hex(6)}"
    try:
        folder.mkdir(0o700)
        yield _Stage(folder)
    finally:
        with undisturbed():
            for _ in range(3):  # what failed once may not fail again
                if not (folder / _MOVES).exists():  # else the next run has to finish it
                    shutil.rmtree(folder, ignore_errors=True)


def _fill(file, content: Content) -> None:
    for piece in content() if callable(content) else [content]:
        file.write(piece if isinstance(piece, bytes) else piece.encode("utf-8", "backslashreplace"))


def _move(stages: Sequence[_Stage], at: list[Path]) -> None:
    """Move everything to its place, or leave it as it was."""
    alone = sum(len(stage.moves) for stage in stages) == 1  # that is all or nothing by itself
    try:
        for stage in stages if not alone else ():
            stage.keep_old()
        for stage in stages if not alone else ():
            (stage.folder / "moving").write_text(json.dumps(stage.moves))
            os.replace(stage.folder / "moving", stage.folder / _MOVES)
        for stage in stages:
            for move in stage.moves:
                at[:] = [stage.root / move]
                os.replace(stage.folder / "new" / move, stage.root / move)
        for stage in stages:
            (stage.folder / _MOVES).unlink(missing_ok=True)
    except BaseException:
        for stage in stages:
            stage.put_back()
            (stage.folder / _MOVES).unlink(missing_ok=True)
        raise


def _finish_killed(root: Path) -> None:
    """Finish what a run was killed over while it moved its files, and clear away what it left."""
    own = getattr(os, "geteuid", lambda: None)()
    for folder in [entry for entry in root.iterdir() if _STAGE.fullmatch(entry.name)]:
        there = folder.lstat()
        if not stat.S_ISDIR(there.st_mode) or own not in (None, there.st_uid):
            continue
        moves = folder / _MOVES
        for move in json.loads(moves.read_text()) if moves.exists() else ():
            if (folder / "new" / move).exists():
                (root / move).parent.mkdir(parents=True, exist_ok=True)
                os.replace(folder / "new" / move, root / move)
        shutil.rmtree(folder, ignore_errors=True)


@contextmanager
def undisturbed() -> Iterator[None]:
    """Within, signals that end the program wait."""
    came: list[int] = []
    before: dict[int, object] = {}
    try:
        if threading.current_thread() is threading.main_thread():
            for one in ENDING:
                if signal.getsignal(one) not in (signal.SIG_IGN, None):
                    before[one] = signal.signal(one, lambda number, frame: came.append(number))
        yield
    finally:
        for one, handler in before.items():
            signal.signal(one, handler)
        if came:
            signal.raise_signal(came[0])


@contextmanager
def written_before() -> Iterator[None]:
    """Whatever ends this, its line says that the files were written."""
    try:
        yield
    except BaseException as error:
        error.add_note("the files were written whole before that")
        raise


# --- places ----------------------------------------------------------------------------------------------


def _target(path: Path) -> Path:
    """Where a path leads past symbolic links; those that lead nowhere are refused."""
    real = Path(os.path.realpath(path))
    for one in (path, *path.parents):
        if one.is_symlink() and not one.exists():
            leads = Path(os.path.realpath(one))
            if leads.is_symlink():
                raise OSError(ELOOP, "symbolic links in a circle", str(path))
            if not leads.parent.is_dir():
                raise FileNotFoundError(ENOENT, f"a symbolic link to {leads}, which is not there", str(path))
    return path if is_stream(path) else real


def is_stream(path: Path) -> bool:
    """Whether it is there and is no file and no folder: a pipe, a device."""
    return os.path.exists(path) and not os.path.isfile(path) and not os.path.isdir(path)


def _holds(folder: Path, other: Path) -> bool:
    """Whether files can be moved from one folder to another, which is the same or below it."""
    return folder == other or folder in other.parents and folder.stat().st_dev == other.stat().st_dev


def _nearest(folder: Path) -> Path:
    """The folder, or the nearest one above it that is there."""
    folder = Path(os.path.realpath(folder))
    while not folder.is_dir() and folder != folder.parent:
        folder = folder.parent
    return folder


# --- one at a time ---------------------------------------------------------------------------------------


@contextmanager
def alone_with(*folders: Path) -> Iterator[None]:
    """Keep every other run out of folders, for as long as what is in them is read, changed and replaced.

    The locks are on the folders themselves, since files are replaced; for one that is not there yet, on the
    nearest one above.  Where there is no such lock, a file in the folder that only one can make.

    Raises
    ------
    OutputError
        Somebody else held one for longer than one waits.
    """
    end, held = time.monotonic() + PATIENCE_S, _HELD.get()
    with ExitStack() as locks:
        try:
            # again where a folder was made while the lock of the one above was waited for
            while not (places := {_nearest(folder) for folder in folders}) <= {*held}:
                locks.close()
                held = _HELD.get()
                for place in sorted(places - {*held}):  # in one order, so that no two wait for each other
                    locks.enter_context(_locked(place, end))
                    held = (*held, place)
                    _finish_killed(place)
        except OSError as error:
            if isinstance(error, OutputError):
                raise
            where = error.filename2 or error.filename or folders[0]
            raise OutputError(f"{where}: cannot write: {error.strerror}; nothing was written") from error
        token = _HELD.set(held)
        try:
            yield
        finally:
            _HELD.reset(token)


@contextmanager
def _locked(place: Path, end: float) -> Iterator[None]:
    """Hold a folder's lock; `end` is the moment [s, monotonic] when waiting for it is given up."""
    lock, folder = place / ".junction.lock", -1

    def taken() -> bool:
        nonlocal folder
        try:
            import fcntl

            folder = os.open(place, os.O_RDONLY) if folder < 0 else folder
            fcntl.flock(folder, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        except (ImportError, OSError):
            try:
                os.close(os.open(lock, os.O_CREAT | os.O_EXCL))
            except FileExistsError:
                return False
            made.append(lock)
        return True

    made: list[Path] = []
    try:
        while not taken():
            if time.monotonic() > end:
                left = f"; if no other junction runs, delete {lock}" if lock.exists() else ""
                raise OutputError(f"{place}: another program is writing there; try again{left}")
            time.sleep(PAUSE_S)
        yield
    finally:
        for one in made:
            one.unlink(missing_ok=True)
        if folder >= 0:
            os.close(folder)


def _flush_folder(folder: Path) -> None:
    with suppress(OSError):  # not every system opens a folder
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
