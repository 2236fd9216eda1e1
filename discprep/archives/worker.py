"""The process in which archives are decoded: reads orders from its input, answers on its output.

It is reused for many archives, bounded in memory and processor time where the host can do that, and may be killed at
any moment by the parent (`pool.py`), which then goes on with a fresh one. Nothing but its answers goes to its output.
It ends when its input does, so that no worker outlives its parent.

A line of input is a list of orders, a line of output a list of answers, each a kind and its values:
`["b", index, allowed_s, entry?]` a stage begins and may take so long (index -1: not a member); `["m", …]` a member is
done; `["p", index, done_bytes]` progress within a member; `["e", …]` the archive is done; `["x", text, path]` the
host's disk failed.
"""

from __future__ import annotations

import contextlib
import errno
import gc
import hashlib
import io
import json
import os
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any, BinaryIO

from discprep.archives.base import CHUNK_BYTES, HEAD_BYTES, Again, MemberError, Options, Reader, Source
from discprep.archives.encoded import encoding
from discprep.archives.formats import formats, open_source, recognised
from discprep.archives.lha_decode import share
from discprep.archives.names import Guard, TooMuch
from discprep.archives.task import Entry, Order, Summary, written
from discprep.errors import ArchiveError, DiscprepError, ToolError
from discprep.members import LACKED, Limits, Member, kind_by_name

if sys.platform != "win32":
    import resource
else:
    resource = None

HOST_FAULTS = {errno.ENOSPC, errno.EIO, errno.EACCES, errno.EPERM, errno.ENOENT, errno.EROFS, errno.EMFILE}
FLUSH_S = 0.1  # answers wait at most so long
WAITING_MAX = 200  # a pipe takes so many without waiting for the parent
PROGRESS_S = 0.3
SMALL_BYTES = 2**18  # members up to here are not announced


def main() -> None:
    """Serves orders until the input ends."""
    answers = _private_output()
    if hasattr(signal, "SIGINT"):
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the parent decides
    if resource:
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    scratch = Path(sys.argv[1])
    formats()  # imported now, so that a fault here is no archive's
    gc.freeze()
    gc.enable()
    answers.write(b"ready\n")
    talk = Talk(answers)
    with contextlib.suppress(BrokenPipeError):
        for line in sys.stdin.buffer:
            for values in json.loads(line):
                _serve(Order.of(values), talk, scratch)
            talk.flush()


def _private_output() -> BinaryIO:
    """The real output, kept from the C libraries: what they print goes nowhere."""
    kept = os.dup(1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    return os.fdopen(kept, "wb", buffering=0)


class Talk:
    """Answers to the parent, several at once; announces what may take long before it begins."""

    def __init__(self, answers: BinaryIO) -> None:
        self._answers = answers
        self._waiting: list[list[Any]] = []
        self._flushed_s = time.monotonic()
        self.data: BinaryIO | None = None  # flushed before any answer that speaks of its contents

    def say(self, kind: str, values: list[Any], now: bool = False) -> None:
        """Queues an answer; sends all when asked or when the last sending is some time ago."""
        self._waiting.append([kind, *values])
        if now or len(self._waiting) >= WAITING_MAX or self.idle_s() > FLUSH_S:
            self.flush()

    def begin(self, index: int, allowed_s: float, entry: list[Any] | None = None) -> None:
        """A stage that may take `allowed_s`; the host is told too, in case the parent is gone."""
        _limit_time(allowed_s)
        self.say("b", [index, allowed_s, entry], now=True)

    def idle_s(self) -> float:
        """Since the parent last heard anything."""
        return time.monotonic() - self._flushed_s

    def flush(self) -> None:
        """Sends what waits."""
        if self.data is not None:
            self.data.flush()
        if self._waiting:
            self._answers.write(written(self._waiting))
            self._waiting.clear()
        self._flushed_s = time.monotonic()


def _limit_time(allowed_s: float) -> None:
    if resource:
        used = time.process_time()
        hard = resource.getrlimit(resource.RLIMIT_CPU)[1]
        wanted = int(used + allowed_s + 10)
        if hard == resource.RLIM_INFINITY or wanted < hard:
            resource.setrlimit(resource.RLIMIT_CPU, (wanted, hard))


def _limit_memory(limits: Limits) -> None:
    """Address space beyond what the interpreter has mapped already."""
    if resource and sys.platform == "linux":
        hard = resource.getrlimit(resource.RLIMIT_AS)[1]
        with contextlib.suppress(ValueError, OSError):
            resource.setrlimit(resource.RLIMIT_AS, (limits.memory_bytes, hard))


def _serve(order: Order, talk: Talk, scratch: Path) -> None:
    _limit_memory(order.limits)
    try:
        Job(order, talk, scratch).run()
    except OSError as error:
        talk.say("x", [error.strerror or str(error), str(error.filename or order.task.path)], now=True)


class Window(io.RawIOBase):
    """A part of a file as a file of its own."""

    def __init__(self, file: BinaryIO, offset_bytes: int, size_bytes: int) -> None:
        self._file = file
        self._offset = offset_bytes
        self._size = size_bytes
        self._at = 0

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, offset: int, whence: int = 0) -> int:
        self._at = max(offset + (0, self._at, self._size)[whence], 0)
        return self._at

    def readinto(self, buffer: Any) -> int:
        self._file.seek(self._offset + self._at)
        data = self._file.read(min(len(buffer), max(self._size - self._at, 0)))
        buffer[: len(data)] = data
        self._at += len(data)
        return len(data)


def source_of(file: BinaryIO, offset_bytes: int, size_bytes: int | None, name: str) -> Source:
    """A source over a part of a file; without a size over the whole."""
    if size_bytes is None:
        size_bytes = os.fstat(file.fileno()).st_size
    else:
        file = io.BufferedReader(Window(file, offset_bytes, size_bytes), CHUNK_BYTES)
    file.seek(0)
    return Source(file, size_bytes, file.read(HEAD_BYTES), name)


class Job:
    """One order."""

    def __init__(self, order: Order, talk: Talk, scratch: Path) -> None:
        self._order = order
        self._talk = talk
        self._scratch = scratch
        self._guard = Guard(order.limits)
        self._sha: dict[int, str] = {}  # of members done, to compare duplicates
        self._lacking: dict[str, str] = {}  # what this computer has not, and how to get it
        self._data: BinaryIO | None = None
        self._data_bytes = order.data_bytes
        self._same: list[str] = []  # names of members that repeat an earlier one, bytes and all

    def run(self) -> None:
        """Reads the archive and reports every member, then the summary."""
        order, task = self._order, self._order.task
        with task.path.open("rb") as file:
            source = source_of(file, order.offset_bytes, order.size_bytes, task.name or task.path.name)
            self._talk.begin(-1, order.limits.floor_s) if order.careful else None
            sha256 = self._digest(source)
            if task.sha256 and sha256 != task.sha256:
                self._end("file", sha256, [f"its bytes are not those expected: expected sha256 {task.sha256}, "
                                           f"got {sha256}; nothing was unpacked"])  # fmt: skip
                return
            self._open(source, sha256)

    def _open(self, source: Source, sha256: str) -> None:
        order = self._order
        options = Options(order.limits, self._scratch, order.task.charset, self._alive)
        try:
            reader = open_source(source, options)
        except (ArchiveError, MemoryError, ToolError) as error:
            found = recognised(source)
            problems = [] if self._lacks(error) else [_words(error)]
            self._end(found.name if found else "file", sha256, problems)
            return
        if reader is None:
            self._plain(source, sha256)
            return
        try:
            with self._data_file():
                problems = self._members(reader)
                self._talk.flush()
            self._end(reader.format, sha256, [*problems, *reader.problems], reader.notices)
        finally:
            reader.close()

    def _plain(self, source: Source, sha256: str) -> None:
        """A file that is no container: one member, its own bytes."""
        problems = []
        if kind_by_name(self._order.task.name):
            problems.append(f"it is named as an archive, but is none; it begins {_shown(source.head)}")
        member = Member(0, "", b"", "file", source.size_bytes)
        if self._order.start == 0:
            self._talk.say("m", Entry(member, 0, sha256).values())
        told = encoding(source.head, source.size_bytes)
        self._end("file", sha256, problems, [f"it is {told}"] if told else [])

    @contextlib.contextmanager
    def _data_file(self) -> Iterator[None]:
        """The data file, cut back to what the members before `start` left in it."""
        if self._order.data is None:
            yield
            return
        with Path(self._order.data).open("r+b" if self._order.start else "wb", buffering=2**18) as data:
            data.truncate(self._data_bytes)
            data.seek(self._data_bytes)
            self._data = self._talk.data = data
            try:
                yield
            finally:
                self._talk.data = None  # what is said from here on speaks of a closed file

    def _digest(self, source: Source) -> str:
        digest = hashlib.sha256()
        for count, chunk in enumerate(source.chunks(0, source.size_bytes)):
            digest.update(chunk)
            if count % 1024 == 1023:
                self._alive()
        return digest.hexdigest()

    def _alive(self) -> None:
        if self._talk.idle_s() > 1:
            self._talk.begin(-1, self._order.limits.floor_s)

    def _members(self, reader: Reader) -> list[str]:
        """Reports every member; what is wrong with the archive beyond them."""
        walk = iter(reader.members())
        while True:
            try:
                member = next(walk)
            except StopIteration:
                return []
            except Exception as error:  # a reader's fault must not lose the members found so far
                _pass_on_host_fault(error)
                return [f"its structure could not be read further ({_words(error)})"]
            try:
                self._member(reader, member)
            except TooMuch as error:
                return [str(error)]

    def _member(self, reader: Reader, member: Member) -> None:
        unreadable = member.problem
        member, refusal = self._guard.check(member)
        if member.index < self._order.start:
            return
        problem = unreadable or refusal
        if member.kind == "file" and not problem:
            entry = self._decoded(reader, member)
        else:
            entry = Entry(member, problem=problem)
        self._talk.say("m", entry.values())

    def _decoded(self, reader: Reader, member: Member) -> Entry:
        limits = self._order.limits
        if not self._order.decode:
            return Entry(member, problem="it was not read: decoding failed too often in this archive", lasting=False)
        if self._order.careful or member.size_bytes > SMALL_BYTES:
            allowed_s = limits.floor_s + member.size_bytes / (limits.rate_bytes_s * share(member.method))
            self._talk.begin(member.index, allowed_s, Entry(member).values())
        try:
            sha256 = self._read(reader, member)
        except Exception as error:  # whatever a library raises on hostile bytes is this member's problem
            _pass_on_host_fault(error)
            self._rewind()
            if self._lacks(error):
                return Entry(member, problem=LACKED, lasting=False)
            computed = error.computed if isinstance(error, MemberError) else ""
            lasting = not isinstance(error, MemoryError)
            return Entry(member, computed=computed, problem=_words(error), lasting=lasting)
        return self._done(member, sha256)

    def _lacks(self, error: Exception) -> bool:
        """Whether it is this computer that lacks something: said once for the archive, no fault of any member."""
        if isinstance(error, ToolError):
            self._lacking[error.message] = error.hint
        return isinstance(error, ToolError)

    def _done(self, member: Member, sha256: str) -> Entry:
        self._sha[member.index] = sha256
        if member.problem:
            member = self._forgiven(member, sha256)
        inner = self._inner(member) if self._order.task.nested else ""
        offset_bytes = self._data_bytes
        self._data_bytes += member.size_bytes if self._data else 0
        return Entry(member, offset_bytes, sha256, member.checksum, inner=inner)

    def _forgiven(self, member: Member, sha256: str) -> Member:
        """A second member of one name is no harm when it is the same file."""
        earlier = self._guard.earlier(member)
        if earlier is None or self._sha.get(earlier) != sha256:
            return member
        self._same.append(member.name)
        return replace(member, problem="")

    def _read(self, reader: Reader, member: Member) -> str:
        """The SHA-256 of the member, its bytes now at the end of the data file."""
        while True:
            digest, total = hashlib.sha256(), 0
            try:
                for chunk in reader.read(member):
                    digest.update(chunk)
                    total += len(chunk)
                    if self._data:
                        self._data.write(chunk)
                    if self._talk.idle_s() > PROGRESS_S:
                        packed = member.packed_bytes or 0
                        self._talk.say("p", [member.index, packed * total // max(member.size_bytes, 1)], now=True)
                if total != member.size_bytes:
                    raise MemberError(f"expected {member.size_bytes} bytes, got {total}")
                return digest.hexdigest()
            except Again:
                self._rewind()

    def _rewind(self) -> None:
        if self._data:
            self._data.seek(self._data_bytes)
            self._data.truncate()

    def _inner(self, member: Member) -> str:
        """The format of a member that is a container itself."""
        if not self._data or not member.size_bytes:
            return ""
        self._data.flush()
        with Path(self._order.data or "").open("rb") as file:
            found = recognised(source_of(file, self._data_bytes, member.size_bytes, member.name))
        return found.name if found else ""

    def _end(self, format_: str, sha256: str, problems: list[str], notices: Any = ()) -> None:
        told = list(notices)
        if self._same:
            told.append(f"{len(self._same)} members repeat an earlier one, name and bytes, such as {self._same[0]}")
        if self._guard.only_case:
            count, first = len(self._guard.only_case), self._guard.only_case[0]
            differ = "name differs" if count == 1 else "names differ"
            told.append(f"{count} {differ} from another only in case, such as {first}")
        lacks = tuple(self._lacking.items())
        summary = Summary(format_, sha256, self._data_bytes, tuple(problems), tuple(told), lacks)
        self._talk.say("e", summary.values())


def _pass_on_host_fault(error: Exception) -> None:
    """A full disk or a failing drive is not the archive's fault; libraries raise bare OSErrors for damage too."""
    if isinstance(error, OSError) and error.errno in HOST_FAULTS:
        raise error


def _words(error: Exception) -> str:
    if isinstance(error, DiscprepError):
        return error.message + (f" ({error.hint})" if error.hint else "")
    if isinstance(error, MemoryError):
        return "it needs more memory than a decoder is allowed"
    return f"it does not decode ({type(error).__name__}: {error})"


def _shown(head: bytes) -> str:
    text = head[:24].decode("ascii", "backslashreplace")
    return repr(text) if text.isprintable() and text else head[:8].hex(" ") or "with nothing (the file is empty)"


if __name__ == "__main__":
    main()
