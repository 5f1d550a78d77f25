"""Every file we write: whole or not at all, and never over what another run has written since it was read."""

from __future__ import annotations

import errno
import hashlib
import os
import shutil
import signal
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import ExitStack, contextmanager
from pathlib import Path

from needlecalc.echo import plain
from needlecalc.errors import InputError

ASIDE = ".new"  # what is written next to a file before it takes its place; while it is there, no other run writes that file
PATIENCE_S = 3.0  # a run holds its files for some hundredths of a second


def fingerprint(path: str | Path) -> str:
    """Hash (sha256) of a file's bytes; empty where there is no file to read."""
    try:
        return hashlib.sha256(Path(path).read_bytes()).hexdigest()
    except OSError:
        return ""


def write_files(contents: Mapping[Path, bytes | None], what: str, *, last_read: str | None = None) -> None:
    """Replace files by these contents, all or none; None removes one.

    ``what`` names them in the message if that fails.  With the fingerprint ``last_read``, files that have another one by now
    are refused.  A symbolic link stays one: its target is replaced.
    """
    try:
        files = {Path(os.path.realpath(path)): content for path, content in contents.items()}
        with _end_put_off():
            _replace(files, last_read)
    except (OSError, ValueError) as error:
        if isinstance(error, InputError):
            raise
        raise _cannot_write(what, error) from error


def write_into(folder: Path, contents: Mapping[str, bytes], what: str) -> None:
    """Files by name in a folder, which is made where it is missing."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise _cannot_write(what, error) from error
    write_files({folder / name: content for name, content in contents.items()}, what)


def _cannot_write(what: str, error: OSError | ValueError) -> InputError:
    """The sentence for what the system would not let us write."""
    full = isinstance(error, OSError) and error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG)
    cure = "make room there, then run again" if full else "choose a place you may write to"
    return InputError(plain(f"{what} cannot be written ({getattr(error, 'strerror', None) or error}); {cure}."))


def _replace(files: dict[Path, bytes | None], last_read: str | None) -> None:
    aside = {path: path.with_name(path.name + ASIDE) for path in files}
    ours: list[Path] = []
    done: list[Path] = []
    before: dict[Path, bytes] = {}
    try:
        for path, content in files.items():
            _may_replace(path)
            _put_aside(path, content, aside, ours)
        if last_read is not None and any(fingerprint(path) != last_read for path in files):
            names = ", ".join(path.name for path in files)
            msg = f"{names} changed since it was read: another run wrote it. Nothing was written now; run again."
            raise InputError(plain(msg))
        with ExitStack() as still_open:
            for path in filter(Path.exists, files):
                before[path] = still_open.enter_context(path.open("rb")).read()
            # The system frees a file's room once it is closed too: left open, all names change within some 0.1 ms, closed
            # in some 20, and SIGKILL or a power cut between two is the rarer.  Windows replaces no open file.
            if os.name == "nt":
                still_open.close()
            # The first file's place aside keeps other runs out, so that one is given up last.
            for path in reversed(files):
                _take_place(path, files[path], aside, ours)
                done.append(path)
    except OSError:
        for path in done:
            _put_aside(path, before.get(path), aside, ours)
            _take_place(path, before.get(path), aside, ours)
        raise
    finally:
        for left in ours:
            left.unlink(missing_ok=True)


def _may_replace(path: Path) -> None:
    """Refuse what a renamed file would replace though it may not be written to, or is no file."""
    if path.exists() and not path.is_file():
        raise OSError(errno.EINVAL, "it is a folder or a device")
    if path.exists() and not os.access(path, os.W_OK):
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))


def _put_aside(path: Path, content: bytes | None, aside: Mapping[Path, Path], ours: list[Path]) -> None:
    """Write next to the file, where no other run does; its name aside is ours from then on."""
    give_up = time.monotonic() + PATIENCE_S
    while True:
        try:
            file = aside[path].open("xb")
            break
        except FileExistsError as error:
            if time.monotonic() > give_up:
                names = ", ".join(place.name for place in aside.values() if place.exists() and place not in ours)
                msg = (
                    f"{path.parent} holds {names}: another run is writing there, or one was cut off while it did. Once no "
                    "needlecalc runs, delete what is named here and run again."
                )
                raise InputError(plain(msg)) from error
            time.sleep(0.02)
    ours.append(aside[path])
    with file:
        file.write(content or b"")
        file.flush()
        os.fsync(file.fileno())
    if path.exists():
        shutil.copymode(path, aside[path])


def _take_place(path: Path, content: bytes | None, aside: Mapping[Path, Path], ours: list[Path]) -> None:
    if content is None:
        path.unlink(missing_ok=True)
    else:
        aside[path].replace(path)
        ours.remove(aside[path])


@contextmanager
def _end_put_off() -> Iterator[None]:
    """What asks this process to end is heeded once the files are whole."""
    if threading.current_thread() is not threading.main_thread():
        yield  # signals reach the main thread only
        return
    came: dict[int, None] = {}
    numbers = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    usual = {number: signal.signal(number, lambda asked, _frame: came.setdefault(asked)) for number in numbers}
    try:
        yield
    finally:
        for number, handler in usual.items():
            signal.signal(number, signal.SIG_DFL if handler is None else handler)
        for number in came:
            signal.raise_signal(number)
