"""What other systems lack or refuse is taken away here: the whole job must still run. Sources: the "Availability" lines
of Python's documentation of `os`; Microsoft's of `ReplaceFile` and `_commit` for what Windows refuses."""

import errno
import io
import os
import struct
import sys
import tempfile
from pathlib import Path
from typing import Any

import pytest
from support.bench_set import usual
from support.command import run
from support.fault_server import FaultServer
from support.fetching import DATA, fetch, item, litter, objects, said

from discprep.fetch import files, host
from discprep.fetch.files import scratch, write_atomically

fcntl = pytest.importorskip("fcntl")  # the system that is made to lack things has all of them

# Unix only, or not on Windows and macOS.
LACKING = ("pwrite", "pwritev", "pread", "preadv", "geteuid", "getuid", "fdatasync", "posix_fadvise", "sendfile",
           "sched_getaffinity", "copy_file_range")  # fmt: skip


class Elsewhere:
    """A system without those functions, that syncs only what may be written, and has each old file open for a while."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.refused: list[Path] = []
        for name in LACKING:
            monkeypatch.delattr(os, name, raising=False)
        monkeypatch.setattr(files, "LOCKS_OPEN_FILES", True)
        sync, replace, unlink = os.fsync, Path.replace, Path.unlink

        def strict_sync(handle: int) -> None:
            if fcntl.fcntl(handle, fcntl.F_GETFL) & os.O_ACCMODE == os.O_RDONLY:
                raise OSError(errno.EBADF, "Bad file descriptor")
            sync(handle)

        def held_replace(part: Path, target: Any) -> Path:
            if still_open(part, Path(target)):
                raise held()  # for good: it is this process that has it open
            if target not in self.refused:
                self.refused.append(Path(target))
                raise held()
            return replace(part, target)

        def held_unlink(path: Path, missing_ok: bool = False) -> None:
            if still_open(path):
                raise held()
            unlink(path, missing_ok)

        monkeypatch.setattr(os, "fsync", strict_sync)
        monkeypatch.setattr(Path, "unlink", held_unlink)
        monkeypatch.setattr(Path, "replace", held_replace)
        monkeypatch.setattr(host, "PAUSES_S", (0.001, 0.001))


def still_open(*paths: Path) -> bool:
    """Whether this process has one of the files open (Linux: /proc/self/fd)."""
    names = {str(path.resolve()) for path in paths}
    handles = Path("/proc/self/fd")
    return any(os.path.realpath(handle) in names for handle in handles.iterdir()) if handles.exists() else False


def held() -> PermissionError:
    """What Windows says when another program has the file open (system error 32, sharing violation)."""
    error = PermissionError(errno.EACCES, "The process cannot access the file")
    error.winerror = 32  # type: ignore[attr-defined, unused-ignore]
    return error


@pytest.fixture
def elsewhere(monkeypatch: pytest.MonkeyPatch) -> Elsewhere:
    return Elsewhere(monkeypatch)


@pytest.mark.slow
def test_the_whole_job(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """prepare, build and inspect give the same image, byte for byte, and every output was moved under refusals."""
    for name in ("here", "there"):
        (tmp_path / name).mkdir()
    # Away from runs on this system, which take a folder without a lock of its own for a dead run's.
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    here, there = usual(tmp_path / "here"), usual(tmp_path / "there")
    assert run("prepare", here.manifest, "--out", here.out, *here.words).code == 0
    system = Elsewhere(monkeypatch)
    for name in ("prepare", "build"):
        ran = run(name, there.manifest, "--out", there.out, *there.words)
        assert ran.code == 0, ran.err
    assert run("inspect", there.image()).code == 0
    assert run("inspect", tmp_path / "there" / "tools.zip").code == 0
    assert there.image().read_bytes() == here.image().read_bytes()
    assert {"record.json", there.image().name} <= {path.name for path in system.refused}


def test_fetching(tmp_path: Path, elsewhere: Elsewhere) -> None:
    """What comes over the network gets its name in the cache, and nothing half made stays."""
    with FaultServer(files={"/a.bin": DATA}) as server:
        report = fetch(tmp_path, item("a", server.url("/a.bin"), data=DATA))
    assert said(report) == ""
    assert (list(objects(tmp_path).values()), litter(tmp_path)) == ([DATA], [])


def test_reading_and_writing_at_a_place(tmp_path: Path, elsewhere: Elsewhere) -> None:
    """The same bytes at the same places; fewer at the end, none behind it."""
    path = tmp_path / "f"
    path.write_bytes(b"0123456789")
    handle = os.open(path, os.O_RDWR)
    assert host.write_at(handle, b"ab", 3) == 2
    room = bytearray(4)
    assert (host.read_at(handle, memoryview(room), 2), bytes(room)) == (4, b"2ab5")
    assert host.read_at(handle, memoryview(room), 8) == 2
    assert host.read_at(handle, memoryview(room), 10) == 0
    os.close(handle)


def test_a_file_that_stays_open_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever closes the program, as the hint says, gets the file; nothing is left beside it."""
    path = tmp_path / "sheet.txt"
    path.write_bytes(b"old")
    monkeypatch.setattr(host, "PAUSES_S", (0.001,))
    with monkeypatch.context() as refusing:

        def refused(part: Path, target: Path) -> Path:
            raise held()

        refusing.setattr(Path, "replace", refused)
        with pytest.raises(files.StorageError, match="another program has the file open") as caught:
            write_atomically(path, b"new")
    assert "Close the program" in caught.value.hint
    assert path.read_bytes() == b"old"
    write_atomically(path, b"new")
    assert [(p.name, p.read_bytes()) for p in tmp_path.iterdir()] == [("sheet.txt", b"new")]


def test_other_refusals_are_not_tried_again(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No right to write there: said at once, as before."""
    asked: list[int] = []

    def refused(part: Path, target: Path) -> Path:
        asked.append(1)
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "replace", refused)
    with pytest.raises(PermissionError):
        host.move(tmp_path / "a", tmp_path / "b")
    assert len(asked) == 1


def test_scratch_folders_of_dead_runs_are_swept(tmp_path: Path, elsewhere: Elsewhere) -> None:
    """Where folders have no locks, a file beside each tells; a living run's folder stays."""
    dead = tmp_path / "run-dead"
    dead.mkdir()
    (dead / "left").write_bytes(b"x")
    with scratch(tmp_path, "run-") as mine:
        assert not dead.exists()
        with scratch(tmp_path, "run-") as other:
            assert mine.is_dir() and other.is_dir() and mine != other
        assert mine.is_dir()
    assert list(tmp_path.iterdir()) == []


def test_what_a_file_takes(tmp_path: Path) -> None:
    """`st_blocks` counts 512 bytes (POSIX <sys/stat.h>); without it the size counts; a missing file takes none."""
    path = tmp_path / "f"
    assert host.occupied_bytes(path) == 0
    path.write_bytes(bytes(1000))
    assert host.occupied_bytes(path) == path.stat().st_blocks * 512

    class Plain:
        def stat(self) -> Any:
            return type("Status", (), {"st_size": 1000})()

    assert host.occupied_bytes(Plain()) == 1000  # type: ignore[arg-type]


def test_the_size_of_a_device_on_macos(monkeypatch: pytest.MonkeyPatch) -> None:
    """Its end is at 0 there; <sys/disk.h> has the two questions: 'd' 24 gives 32 bits, 'd' 25 64 bits (read, _IOR)."""

    class Device(io.BytesIO):
        def fileno(self) -> int:
            return 77

    def answer(handle: int, request: int, room: bytes) -> bytes:
        assert handle == 77
        assert request >> 16 == 0x4000 | len(room) and request >> 8 & 0xFF == ord("d")
        return {24: struct.pack("I", 2048), 25: struct.pack("Q", 330_000)}[request & 0xFF]

    assert host.size_bytes(Device()) == 0
    monkeypatch.setattr(sys, "platform", "darwin")
    monkeypatch.setattr(fcntl, "ioctl", answer)
    assert host.size_bytes(Device()) == 2048 * 330_000
    assert host.size_bytes(Device(b"12345")) == 5


def test_paths_in_a_manifest_have_slashes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """`new` writes what every system reads."""
    import ntpath
    from pathlib import PureWindowsPath

    from discprep.job import new

    assert new._beside(tmp_path / "m" / "p.toml", tmp_path / "n") == "../m/p.toml"
    monkeypatch.setattr(new, "Path", PureWindowsPath)
    monkeypatch.setattr(new.os, "path", ntpath)
    assert new._beside(PureWindowsPath("C:\\a\\m\\p.toml"), PureWindowsPath("C:\\a\\n")) == "../m/p.toml"  # type: ignore[arg-type]
