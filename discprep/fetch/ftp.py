"""FTP through ftplib: passive, binary, resumed with REST. The address in the server's PASV answer is never trusted."""

from __future__ import annotations

import ftplib
import re
import socket
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, suppress
from datetime import UTC, datetime
from urllib.parse import unquote, unquote_to_bytes, urlsplit

from discprep.fetch.source import host
from discprep.fetch.transport import Answer, Resume, Run, SourceFault, Validators, Watch, translated

_FAULTS = (ftplib.Error, EOFError, OSError, ValueError)
_LINES_MAX = 2000


class _Control(ftplib.FTP):
    """ftplib's own, with an end to what a server may say."""

    _lines = 0

    def getline(self) -> str:
        self._lines += 1
        if self._lines > _LINES_MAX:
            raise EOFError(f"it says more than {_LINES_MAX:,} lines")
        return super().getline()


class FtpTransport:
    """One control connection a file: old servers like nothing better."""

    @contextmanager
    def open(self, source: str, resume: Resume | None, run: Run, watch: Watch, hops: int) -> Iterator[Answer]:
        """Logs in and asks for the file. Raises SourceFault."""
        with run.connection(host(source)), _control(source, run, watch) as control, ExitStack() as stack:
            with _translated(run, watch):
                path = _path(source)
                validators = _validators(control, path)
                same = resume is not None and _same(resume.validators, validators)
                data, offset_bytes = _start(control, path, resume.offset_bytes if resume and same else 0)
                stack.callback(data.close)
            watch.over(data, control.sock)
            yield Answer(offset_bytes, validators, _reader(data, control, run, watch), source)

    def head(self, source: str, run: Run, watch: Watch) -> Validators:
        """Size and date as the server gives them. Raises SourceFault."""
        with run.connection(host(source)), _control(source, run, watch) as control, _translated(run, watch):
            return _validators(control, _path(source))

    def close(self) -> None:
        """Nothing outlives a file."""


@contextmanager
def _control(source: str, run: Run, watch: Watch) -> Iterator[ftplib.FTP]:
    """A control connection, logged in. Names go over the wire as the bytes that the URL spells."""
    control = _Control(timeout=run.settings.stall_timeout_s, encoding="latin-1")
    try:
        with _translated(run, watch):
            parts = urlsplit(source)
            control.connect(parts.hostname or "", parts.port or 21, timeout=run.settings.connect_timeout_s)
            if control.sock is not None:
                control.sock.settimeout(run.settings.stall_timeout_s)
            watch.over(control.sock)
            control.login(unquote(parts.username or "anonymous"), unquote(parts.password or "anonymous@"))
            control.voidcmd("TYPE I")
        yield control
    finally:
        control.close()


def _path(source: str) -> str:
    """The path as the URL spells it (RFC 1738 3.2.2), without a type suffix; relative to where the login puts us."""
    path = unquote_to_bytes(urlsplit(source).path.partition(";")[0]).decode("latin-1").removeprefix("/")
    if not path or re.search("[\r\n\0]", path):
        raise SourceFault("this URL names no file")
    return path


def _validators(control: ftplib.FTP, path: str) -> Validators:
    """SIZE and MDTM (RFC 3659), each only if the server knows it."""
    size_bytes: int | None = None
    modified = ""
    with suppress(ftplib.error_perm, ValueError):
        size_bytes = control.size(path)
    with suppress(ftplib.error_perm):
        match = re.match(r"213 (\d{14})", control.voidcmd(f"MDTM {path}"))
        modified = match[1] if match else ""
    return Validators(size_bytes=size_bytes, last_modified=modified, date_s=_date(modified))


def _date(modified: str) -> int | None:
    try:
        return int(datetime.strptime(modified, "%Y%m%d%H%M%S").replace(tzinfo=UTC).timestamp())
    except ValueError:
        return None


def _same(old: Validators, now: Validators) -> bool:
    return old.size_bytes == now.size_bytes and old.last_modified == now.last_modified


def _start(control: ftplib.FTP, path: str, offset_bytes: int) -> tuple[socket.socket, int]:
    """The data connection and the offset it starts at: 0 where the server knows no REST."""
    if offset_bytes:
        with suppress(ftplib.error_perm):
            return control.ntransfercmd(f"RETR {path}", offset_bytes)[0], offset_bytes
    return control.ntransfercmd(f"RETR {path}")[0], 0


def _reader(data: socket.socket, control: ftplib.FTP, run: Run, watch: Watch) -> Callable[[int], bytes]:
    ended = False

    def read(size_bytes: int) -> bytes:
        nonlocal ended
        if ended:
            return b""
        with _translated(run, watch):
            chunk = data.recv(size_bytes)
            if not chunk:
                ended = True
                data.close()
                control.voidresp()
        return chunk

    return read


def _translated(run: Run, watch: Watch) -> AbstractContextManager[None]:
    return translated(run, watch, _FAULTS, _fault)


def _fault(error: BaseException, run: Run) -> SourceFault:
    text = "".join(c if c.isprintable() else " " for c in str(error))[:160].strip()
    if isinstance(error, socket.gaierror | UnicodeError):
        return SourceFault("the name of its host cannot be found (DNS)")
    if isinstance(error, TimeoutError):
        return SourceFault(f"the server sent nothing for {run.settings.stall_timeout_s:g} s", again=True)
    if isinstance(error, ConnectionRefusedError):
        return SourceFault("the host refuses the connection")
    if isinstance(error, ftplib.error_perm):
        return SourceFault(f"the server answers {text}")
    if isinstance(error, ftplib.Error):
        return SourceFault(f"the server answers {text or 'nothing sensible'}", again=True)
    return SourceFault(f"the connection broke ({text or 'the server closed it'})", again=True)
