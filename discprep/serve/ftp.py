"""The same shelf over FTP (RFC 959), for fetchers that speak nothing else, and the way in for the machine's own files.

The library speaks the protocol; here stand the closed list of names in the place of a file system, the bound of the
line, and the folder for what comes in. Files go byte for byte, whatever TYPE says: an old client that never asks for
binary must not get another file than the one whose checksum it is told.
"""

from __future__ import annotations

import logging
import os
import socket
import stat
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any, BinaryIO

from pyftpdlib.exceptions import FilesystemError, _FileReadWriteError, _RetryError
from pyftpdlib.filesystems import AbstractedFS
from pyftpdlib.handlers import DTPHandler, FTPHandler
from pyftpdlib.servers import ThreadedFTPServer

from discprep.serve import shelf
from discprep.serve.exchange import Exchange, Moving, Reply, Stream
from discprep.serve.gate import Gate
from discprep.serve.http import Request
from discprep.serve.keeper import Keeper
from discprep.serve.kernel import unacknowledged
from discprep.serve.pusher import Pusher
from discprep.serve.shelf import Shelf
from discprep.serve.take_in import Incoming, TakeIn

CONNECTIONS, PER_CLIENT = 48, 16  # a bridge that rewrites addresses makes all machines one client
IDLE_S, STALL_S = 300, 300.0
READ, TAKE = "elr", "w"  # the library's letters: change folder, list, fetch; store
_FOLDER, _FILE = stat.S_IFDIR | 0o555, stat.S_IFREG | 0o444
_GREETING = "discprep: any name and password will do"


class Outgoing:
    """One file of the shelf, opened for the library: it seeks (REST) and then only reads what a stream asks for."""

    def __init__(self, name: str, reply: Reply, request: Request) -> None:
        self.name, self.reply, self.request = name, reply, request
        self.first_byte = 0
        self._file: BinaryIO = Path(reply.path).open("rb") if reply.path else BytesIO(reply.body)  # noqa: SIM115

    @property
    def closed(self) -> bool:
        return self._file.closed

    def seek(self, first_byte: int) -> None:
        """From which byte on it goes out."""
        self.first_byte = first_byte

    def close(self) -> None:
        self._file.close()

    @property
    def made(self) -> Exchange:
        """As an exchange of HTTP that has no head."""
        reply, first, length = self.reply, self.first_byte, max(0, self.reply.length_bytes - self.first_byte)
        part = replace(reply, status=206 if first else 200, first_byte=reply.first_byte + first, length_bytes=length)
        return Exchange(self.request, part, b"", keep_alive=False)

    def stream(self) -> Stream:
        self._file.seek(self.reply.first_byte + self.first_byte if self.reply.path else self.first_byte)
        return Stream(b"", self._file, max(0, self.reply.size_bytes - self.first_byte))


class _Anyone:
    """Whoever comes may read, and store where that was asked for."""

    def __init__(self, takes: bool) -> None:
        self._letters = READ + (TAKE if takes else "")

    def validate_authentication(self, username: str, password: str, handler: Any) -> None:
        """Nobody is asked for anything."""

    def has_user(self, username: str) -> bool:
        return True

    def has_perm(self, username: str, perm: str, path: str | None = None) -> bool:
        return perm in self._letters

    def get_perms(self, username: str) -> str:
        return self._letters

    def get_home_dir(self, username: str) -> str:
        return "/"

    def get_msg_login(self, username: str) -> str:
        return "Login successful."

    def get_msg_quit(self, username: str) -> str:
        return "Goodbye."

    def impersonate_user(self, username: str, password: str) -> None:
        """No user of this computer is meant."""

    def terminate_impersonation(self, username: str) -> None:
        """As above."""


class _Tree(AbstractedFS):  # type: ignore[misc]
    """The shelf's closed list in the place of a file system: no path ever reaches this computer's own."""

    def ftp2fs(self, ftppath: str) -> str:
        return str(self.ftpnorm(ftppath))

    def fs2ftp(self, fspath: str) -> str:
        return fspath

    def validpath(self, path: str) -> bool:
        return True

    def realpath(self, path: str) -> str:
        return path

    def open(self, filename: str, mode: str) -> Any:
        handler = self.cmd_channel
        if "r" in mode and "+" not in mode:
            return handler.outgoing(filename)
        if "w" in mode and handler.takes:
            try:
                return handler.takes.begin(filename, handler.remote_ip)
            except OSError as error:
                raise FilesystemError(error.strerror) from error
        raise FilesystemError("a file comes in whole or not at all")

    def chdir(self, path: str) -> None:
        if not self.isdir(path):
            raise FilesystemError("there is no such folder")
        self.cwd = path

    def listdir(self, path: str) -> list[str]:
        return sorted(self.cmd_channel.server.folders.get(_key(path), ()))

    listdirinfo = listdir

    def stat(self, path: str) -> os.stat_result:
        if self.isdir(path):
            return os.stat_result((_FOLDER, 0, 0, 1, 0, 0, 0, *[time.time()] * 3))
        size, changed_s = self._known(path)
        return os.stat_result((_FILE, 0, 0, 1, 0, 0, size, *[changed_s] * 3))

    lstat = stat

    def isfile(self, path: str) -> bool:
        return self.lexists(path) and not self.isdir(path)

    def islink(self, path: str) -> bool:
        return False

    def isdir(self, path: str) -> bool:
        return _key(path) in self.cmd_channel.server.folders

    def getsize(self, path: str) -> int:
        return self._known(path)[0]

    def getmtime(self, path: str) -> float:
        return self._known(path)[1]

    def lexists(self, path: str) -> bool:
        try:
            self.stat(path)
        except FilesystemError:
            return False
        return True

    def get_user_by_uid(self, uid: int) -> str:
        return "shelf"

    get_group_by_gid = get_user_by_uid

    def _refuse(self, *_words: object, **_more: object) -> Any:
        raise FilesystemError("nothing on the shelf can be changed")

    mkstemp = mkdir = rmdir = remove = rename = chmod = utime = readlink = _refuse

    def _known(self, path: str) -> tuple[int, float]:
        """Size and date of a file. Raises FilesystemError: nothing of this name is offered."""
        stock: Shelf = self.cmd_channel.keeper.stock
        name = path.strip("/")
        if file := stock.file(name):
            return file.content.size_bytes, file.time_s
        if (offer := stock.offer(name)) and not offer.files and name.casefold() == offer.names[0].casefold():
            return offer.size_bytes or 0, time.time()
        if name.casefold() in {page.casefold() for page in _pages(stock)}:
            return len(self.cmd_channel.reply(name)[0].body), time.time()
        raise FilesystemError("nothing of this name is offered")


def _pages(stock: Shelf) -> Iterable[str]:
    yield from (shelf.LIST_NAME, shelf.SHA256_NAME, shelf.CRC32_NAME)
    if stock.script_name:
        yield stock.script_name


def _folders(stock: Shelf) -> dict[str, dict[str, None]]:
    """The names in each folder, by the folder's path in small letters; "" is the shelf's top."""
    found: dict[str, dict[str, None]] = {"": {}}
    for path in _paths(stock):
        parts = path.split("/")
        for depth, name in enumerate(parts):
            found.setdefault("/".join(parts[:depth]).casefold(), {})[name] = None
    return found


def _key(path: str) -> str:
    return path.strip("/").casefold()


def _paths(stock: Shelf) -> Iterator[str]:
    yield from _pages(stock)
    for offer in stock.offers:
        yield from (file.name for file in offer.files) if offer.files else offer.names[:1]


class _Data(DTPHandler):  # type: ignore[misc]
    """A data connection whose sending takes turns on the line, in the thread of its control connection."""

    timeout = STALL_S
    _torn = False  # the client broke the connection off

    def recv(self, buffer_size: int) -> bytes:
        """As the library's, but what was broken off is not taken for what ended (RFC 959 3.4)."""
        try:
            data: bytes = self.socket.recv(buffer_size)
        except (BlockingIOError, InterruptedError) as error:
            raise _RetryError from error
        except OSError:
            self._torn, data = True, b""
        if not data:
            self.handle_close()
        return data

    def handle_error(self) -> None:
        """What a file that comes in must not be, or the disk refuses, in words."""
        error = sys.exc_info()[1]
        cause = error.__cause__ if isinstance(error, _FileReadWriteError) else None
        if not isinstance(cause, OSError):
            super().handle_error()
            return
        self._resp = (f"426 {cause.strerror}; it was not kept.", logging.getLogger(__name__).debug)
        self.close()

    def push(self, data: bytes) -> None:
        self._hand_over(Stream(b"", BytesIO(data), len(data)))

    def push_with_producer(self, producer: Any) -> None:
        if isinstance(self.file_obj, Outgoing):
            self._hand_over(self.file_obj.stream())
        else:
            self.push(b"".join(iter(producer.more, b"")))

    def _hand_over(self, stream: Stream) -> None:
        self._initialized = True
        self.del_channel()
        handler, moving = self.cmd_channel, None
        handler.server.busy(+1)
        pusher = Pusher(self.socket, handler.gate, STALL_S)
        if isinstance(self.file_obj, Outgoing) and self.file_obj.reply.path:
            # Its time is none of HTTP's and calibrates nothing, hence not fresh.
            moving = Moving(handler.keeper, f"ftp-{id(self)}", self.file_obj.made, handler.remote_ip, time.monotonic(),
                            int(time.time()), fresh=False, protocol="ftp")  # fmt: skip

        def moved(amount: int) -> None:
            self.tot_bytes_sent += amount
            if moving:
                moving.moved(amount)

        try:
            pusher.push(stream, ends=True, moved=moved)
            self.socket.shutdown(socket.SHUT_WR)
            pusher.wait_acknowledged()
            self.transfer_finished = unacknowledged(self.socket) <= 1
        except OSError:
            self.transfer_finished = False
        finally:
            acknowledged = max(0, self.tot_bytes_sent - max(0, unacknowledged(self.socket) - 1))
            pusher.leave()
            handler.server.busy(-1)
        if moving:
            moving.over(acknowledged, time.monotonic())
        whole = self.transfer_finished
        words = "226 Transfer complete." if whole else f"426 Transfer aborted; {acknowledged} bytes arrived."
        self._resp = (words, logging.getLogger(__name__).debug)
        self.close()

    def close(self) -> None:
        """A file that came in gets its name before the client hears that it is there."""
        if self._torn:
            self.transfer_finished = False
            self._resp = ("426 It was broken off, and not kept.", logging.getLogger(__name__).debug)
        if not self._closed and isinstance(self.file_obj, Incoming) and self.transfer_finished:
            try:
                self.file_obj.finish()
            except OSError as error:
                self.transfer_finished = False
                self._resp = (f"451 {error.strerror}; it was not kept.", logging.getLogger(__name__).debug)
        super().close()


class _Control(FTPHandler):  # type: ignore[misc]
    """One client's control connection."""

    banner, timeout, dtp_handler, abstracted_fs = _GREETING, IDLE_S, _Data, _Tree
    permit_foreign_addresses = permit_privileged_ports = False  # no bounce through us (RFC 2577 3)
    use_sendfile = False
    server: FtpServer  # what the library hands to each of its handlers

    def __init__(self, *words: Any, **more: Any) -> None:
        super().__init__(*words, **more)
        self._current_type = "i"

    @property
    def keeper(self) -> Keeper:
        return self.server.keeper

    @property
    def gate(self) -> Gate | None:
        return self.server.gate

    @property
    def takes(self) -> TakeIn | None:
        return self.server.takes

    def ftp_TYPE(self, line: str) -> None:
        """Both are known, and change nothing."""
        if line.upper().replace(" ", "") in ("A", "AN", "L7", "I", "L8"):
            self.respond("200 Files go byte for byte.")
        else:
            self.respond("504 Only A and I are known.")

    def reply(self, name: str) -> tuple[Reply, Request]:
        """What a simple request of HTTP would get, so that both ways offer the same."""
        request = Request("GET", name.encode(self.encoding, "replace"), (0, 9), query="wait")
        return self.keeper.reply(request, self.server.shown), request

    def outgoing(self, path: str) -> Outgoing:
        """A file for reading. Raises FilesystemError: it is not offered, or cannot be had just now."""
        if not self.fs.isfile(path):
            raise FilesystemError("nothing of this name is offered")
        reply, request = self.reply(path.strip("/"))
        if reply.status != 200:
            raise FilesystemError("it cannot be had just now; LIST.TXT says what there is")
        return Outgoing(path, reply, request)

    def log(self, msg: str, logfun: Any = None) -> None:
        """The library's words are for nobody here; transfers are logged by the shelf."""

    logline = log

    def log_exception(self, instance: object) -> None:
        self.keeper.trouble(f"a request from {self.remote_ip} over FTP failed")

    def log_transfer(self, **_more: object) -> None:
        """As `log`."""

    def log_cmd(self, cmd: str, arg: str, respcode: int, respstr: str) -> None:
        """As `log`."""


class FtpServer(ThreadedFTPServer):  # type: ignore[misc]
    """Serves over FTP in threads of its own until stopped.

    Args:
        shown: the address and port that the fetching script names, which is HTTP's

    Raises:
        OSError: the address cannot be used
    """

    max_cons, max_cons_per_ip = CONNECTIONS, PER_CLIENT

    def __init__(
        self, host: str, port: int, keeper: Keeper, gate: Gate | None, takes: TakeIn | None, shown: tuple[str, int]
    ) -> None:
        self.keeper, self.gate, self.takes, self.shown = keeper, gate, takes, shown
        self._lock, self._exit = threading.Lock(), threading.Event()
        self._busy = 0
        self._known: tuple[Shelf, dict[str, dict[str, None]]] | None = None
        logging.getLogger("pyftpdlib").addHandler(logging.NullHandler())
        logging.getLogger("pyftpdlib").propagate = False
        handler = type("_Here", (_Control,), {"authorizer": _Anyone(bool(takes)), "encoding": keeper.stock.charset})
        super().__init__((host, port), handler)
        self.port: int = self.socket.getsockname()[1]
        self._thread = threading.Thread(target=self._run, daemon=True)

    @property
    def folders(self) -> dict[str, dict[str, None]]:
        """The names in each folder of the shelf as it is now; worked out once for each state of the shelf."""
        stock = self.keeper.stock
        known = self._known
        if known is None or known[0] is not stock:
            self._known = known = stock, _folders(stock)
        return known[1]

    def start(self) -> None:
        self._thread.start()

    def busy(self, change: int) -> None:
        """Sending begins (+1) or ends (-1)."""
        with self._lock:
            self._busy += change

    @property
    def running(self) -> int:
        """Transfers to the machine under way."""
        return self._busy

    def drain(self) -> None:
        """Waits for what is being sent, then ends."""
        while self.running:
            time.sleep(0.05)
        self.stop()

    def stop(self) -> None:
        """Ends, from any thread."""
        self._exit.set()
        self._thread.join(5)

    def _run(self) -> None:
        while not self._exit.is_set():
            self.serve_once()
        self.close_all()

    def serve_once(self) -> None:
        """Accepts for a moment."""
        self.ioloop.loop(0.5, False)
