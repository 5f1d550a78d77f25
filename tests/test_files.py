"""Files are replaced whole or not at all, together or not at all, and never over what another run has written."""

from __future__ import annotations

import errno
import os
import signal
import stat
import sys
import threading
from pathlib import Path

import pytest

import needlecalc.files as files
from needlecalc.errors import InputError
from needlecalc.files import fingerprint, write_files

POSIX = pytest.mark.skipif(sys.platform == "win32", reason="links, modes and limits as POSIX has them")


@pytest.fixture(autouse=True)
def impatient(monkeypatch):
    monkeypatch.setattr(files, "PATIENCE_S", 0.05)


def write(*pairs, **more) -> None:
    write_files(dict(pairs), "the file", **more)


def names(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir())


def test_a_file_is_made_replaced_and_removed(tmp_path):
    path = tmp_path / "a.txt"
    for content in (b"first", b"", b"second \x00\xff\r\n"):
        write((path, content))
        assert path.read_bytes() == content
    write((path, None))
    write((path, None))
    assert names(tmp_path) == []


@POSIX
def test_links_stay_links_and_modes_stay_modes(tmp_path):
    (tmp_path / "other").mkdir()
    target, link = tmp_path / "other" / "target.txt", tmp_path / "link.txt"
    link.symlink_to(Path("other") / "target.txt")
    write((link, b"made through a link to nothing"))
    target.chmod(0o640)
    write((link, b"again"))
    assert link.is_symlink()
    assert target.read_bytes() == b"again"
    assert stat.S_IMODE(target.stat().st_mode) == 0o640
    assert names(tmp_path) == ["link.txt", "other"]
    assert names(tmp_path / "other") == ["target.txt"]


def test_what_is_no_file_of_ours_to_replace_is_refused(tmp_path):
    (tmp_path / "folder").mkdir()
    for path, words in (
        (
            tmp_path / "folder",
            r"the file cannot be written \(it is a folder or a device\); choose a place you may write to\.",
        ),
        (Path(os.devnull), r"the file cannot be written \(.*\); choose a place"),
        (tmp_path / "none" / "a.txt", r"the file cannot be written \(.*No such file.*\); choose a place"),
        (tmp_path / "a\0b", r"the file cannot be written \(embedded null .*\); choose a place"),
    ):
        with pytest.raises(InputError, match=words):
            write((tmp_path / "a.txt", b"1"), (path, b"2"))
        assert names(tmp_path) == ["folder"]
    assert not Path(os.devnull).is_file()


def test_a_file_under_write_protection_stays(tmp_path, monkeypatch):
    path = tmp_path / "a.txt"
    path.write_bytes(b"kept")
    monkeypatch.setattr(os, "access", lambda asked, mode: (asked, mode) != (path, os.W_OK))  # root may write anything
    with pytest.raises(InputError, match=r"cannot be written \(Permission denied\)"):
        write((path, b"new"))
    assert path.read_bytes() == b"kept"


def test_all_files_are_replaced_or_none(tmp_path, monkeypatch):
    old, new, kept = tmp_path / "old.txt", tmp_path / "new.txt", tmp_path / "open_elsewhere.txt"
    old.write_bytes(b"old")
    kept.write_bytes(b"kept")
    replace = Path.replace

    def held_open(self, target):
        # As Windows refuses it while another program has the file open.
        if target == kept:
            raise PermissionError(errno.EACCES, "Permission denied")
        return replace(self, target)

    monkeypatch.setattr(Path, "replace", held_open)
    for order in ((old, new, kept), (kept, new, old), (new, kept, old)):
        with pytest.raises(InputError, match=r"cannot be written \(Permission denied\)"):
            write(*((path, b"written") for path in order))
        assert (old.read_bytes(), kept.read_bytes()) == (b"old", b"kept")
        assert names(tmp_path) == ["old.txt", "open_elsewhere.txt"]
    monkeypatch.undo()
    write(*((path, b"written") for path in (old, new, kept)))
    assert {path.read_bytes() for path in (old, new, kept)} == {b"written"}


@POSIX
@pytest.mark.parametrize("limit", [0, 1, 4096, 9999])
def test_nothing_is_half_written_where_room_ends(tmp_path, limit):
    import resource

    small, large = tmp_path / "small.txt", tmp_path / "large.txt"
    small.write_bytes(b"s")
    large.write_bytes(b"old" * 20)
    usual = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, usual[1]))
    try:
        with pytest.raises(
            InputError, match=r"the file cannot be written \(File too large\); make room there, then run again"
        ):
            write((small, b""), (large, b"x" * 10_000))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, usual)
    assert (small.read_bytes(), large.read_bytes()) == (b"s", b"old" * 20)
    assert names(tmp_path) == ["large.txt", "small.txt"]
    # The cure: with room it is written.
    write((small, b""), (large, b"x" * 10_000))
    assert (small.read_bytes(), large.read_bytes()) == (b"", b"x" * 10_000)


def test_what_a_run_cut_off_left_aside_is_named_and_the_cure_works(tmp_path):
    first, second = tmp_path / "first.txt", tmp_path / "second.txt"
    first.write_bytes(b"whole")
    for left in (["first.txt.new"], ["second.txt.new"], ["first.txt.new", "second.txt.new"]):
        for name in left:
            (tmp_path / name).write_bytes(b"ha")
        listed = ", ".join(left)
        with pytest.raises(InputError, match=rf"holds {listed}: another run .* delete what is named here and run again\.$"):
            write((first, b"1"), (second, b"2"))
        assert first.read_bytes() == b"whole"
        assert names(tmp_path) == sorted(["first.txt", *left])
        for name in left:
            (tmp_path / name).unlink()
    write((first, b"1"), (second, b"2"))
    assert (first.read_bytes(), second.read_bytes()) == (b"1", b"2")


def test_a_file_that_changed_since_it_was_read_is_left_alone(tmp_path):
    path = tmp_path / "a.txt"
    none_yet = fingerprint(path)
    write((path, b"first"), last_read=none_yet)
    # NIST FIPS 180-4, example of SHA-256 (published test vector for "abc").
    (tmp_path / "abc").write_bytes(b"abc")
    assert fingerprint(tmp_path / "abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    for content in (b"second", None):
        with pytest.raises(InputError, match=r"a\.txt changed since it was read: another run wrote it\..* run again\.$"):
            write((path, content), last_read=none_yet)
        assert path.read_bytes() == b"first"
    write((path, b"second"), last_read=fingerprint(path))
    write((path, None), last_read=fingerprint(path))
    assert names(tmp_path) == ["abc"]


@pytest.mark.parametrize("name", ["SIGTERM", "SIGINT"])
def test_what_asks_to_end_waits_for_whole_files(tmp_path, monkeypatch, name):
    number = getattr(signal, name)
    paths = [tmp_path / f"{k}.txt" for k in range(3)]
    heeded, fsync = [], os.fsync

    def interrupted(file):
        signal.raise_signal(number)
        fsync(file)

    usual = signal.signal(number, lambda *_: heeded.append([path.read_bytes() for path in paths]))
    try:
        monkeypatch.setattr(os, "fsync", interrupted)
        write(*((path, b"whole") for path in paths))
        # Heeded once, and when all were in their place.
        assert heeded == [[b"whole"] * 3]
        monkeypatch.undo()
        signal.raise_signal(number)
        assert len(heeded) == 2
    finally:
        signal.signal(number, usual)
    assert names(tmp_path) == ["0.txt", "1.txt", "2.txt"]


def test_many_at_once_leave_the_files_of_one(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "PATIENCE_S", 60.0)
    paths = [tmp_path / f"{k}.txt" for k in range(3)]
    failed = []

    def one(number):
        try:
            for turn in range(10):
                write(*((path, f"{number} {turn}".encode() * 100) for path in paths))
        except Exception as error:
            failed.append(error)

    threads = [threading.Thread(target=one, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert failed == []
    assert len({path.read_bytes() for path in paths}) == 1
    assert names(tmp_path) == ["0.txt", "1.txt", "2.txt"]


def test_of_many_that_read_the_same_only_one_writes(tmp_path, monkeypatch):
    monkeypatch.setattr(files, "PATIENCE_S", 60.0)
    path, kept, refused = tmp_path / "a.txt", [], []
    read = threading.Barrier(6)

    def one(number):
        last_read = fingerprint(path)
        read.wait()
        try:
            write((path, str(number).encode()), last_read=last_read)
            kept.append(number)
        except InputError as error:
            refused.append(str(error))

    threads = [threading.Thread(target=one, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert path.read_bytes() == str(*kept).encode()
    assert len(refused) == 5
    assert all("changed since it was read" in words for words in refused)
