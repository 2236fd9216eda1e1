"""An FTP server on loopback: as much of RFC 959, RFC 2428 and RFC 3659 as a client needs, and its faults on request.

with FtpServer({"pub/tools.lha": data}) as server:
    server.cut["pub/tools.lha"] = 1000        # the first transfer's data channel closes after 1000 bytes
    fetch(server.url("pub/tools.lha"))
"""

from __future__ import annotations

import contextlib
import socket
import threading
from dataclasses import dataclass, field

MODIFIED = "19960203102030"
MODIFIED_S = 823342830


@dataclass
class FtpServer:
    """Anonymous, passive, binary. `said` has every command of every session."""

    files: dict[str, bytes] = field(default_factory=dict)
    cut: dict[str, int] = field(default_factory=dict)  # first transfer only
    without: frozenset[str] = frozenset()  # commands it does not know
    pasv_host: str = "127,0,0,1"  # what its 227 answer claims
    greeting: bytes = b"220 reading room\r\n"
    said: list[str] = field(default_factory=list)

    def __enter__(self) -> FtpServer:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = self._listener.getsockname()[1]
        self._open: set[socket.socket] = set()
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for connection in list(self._open):
            with contextlib.suppress(OSError):
                connection.shutdown(socket.SHUT_RDWR)
        for thread in self._threads:
            thread.join(5)

    def url(self, path: str) -> str:
        return f"ftp://127.0.0.1:{self.port}/{path}"

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self._open.add(connection)
            thread = threading.Thread(target=self._serve, args=(connection,), daemon=True)
            self._threads.append(thread)
            thread.start()

    def _serve(self, connection: socket.socket) -> None:
        with contextlib.suppress(OSError), connection, connection.makefile("rb") as reader:
            connection.sendall(self.greeting)
            session = _Session(self, connection)
            while line := reader.readline(4096):
                command, _, argument = line.decode("latin-1").strip().partition(" ")
                self.said.append(f"{command} {argument}".strip())
                if not session.answer(command.upper(), argument):
                    break
            session.forget()
        self._open.discard(connection)


class _Session:
    def __init__(self, server: FtpServer, connection: socket.socket) -> None:
        self.server = server
        self.connection = connection
        self.passive: socket.socket | None = None
        self.rest = 0

    def say(self, text: str) -> bool:
        self.connection.sendall(text.encode("latin-1") + b"\r\n")
        return True

    def answer(self, command: str, argument: str) -> bool:
        """False ends the session."""
        if command in self.server.without:
            return self.say("502 not here")
        method = getattr(self, f"do_{command.lower()}", None)
        return method(argument) if method else self.say("500 what?")

    def do_user(self, name: str) -> bool:
        return self.say("331 and the password?")

    def do_pass(self, word: str) -> bool:
        return self.say("230-welcome\r\n230 come in")

    def do_type(self, kind: str) -> bool:
        return self.say("200 as you say")

    def do_size(self, path: str) -> bool:
        data = self.server.files.get(path)
        return self.say("550 no such file" if data is None else f"213 {len(data)}")

    def do_mdtm(self, path: str) -> bool:
        return self.say(f"213 {MODIFIED}" if path in self.server.files else "550 no such file")

    def do_rest(self, offset: str) -> bool:
        self.rest = int(offset)
        return self.say(f"350 from {offset}")

    def forget(self) -> None:
        """Closes a listener that nobody came to."""
        if self.passive:
            self.passive.close()
        self.passive = None

    def do_pasv(self, _: str) -> bool:
        self.forget()
        self.passive = socket.create_server(("127.0.0.1", 0))
        port = self.passive.getsockname()[1]
        return self.say(f"227 Entering Passive Mode ({self.server.pasv_host},{port >> 8},{port & 255})")

    def do_retr(self, path: str) -> bool:
        data, passive = self.server.files.get(path), self.passive
        start, self.rest = self.rest, 0
        if data is None or passive is None:
            return self.say("550 no such file")
        self.say("150 here it comes")
        passive.settimeout(5)
        channel, _ = passive.accept()
        self.forget()
        end = self.server.cut.pop(path, len(data))
        with channel:
            channel.sendall(data[start : max(start, end)])
        return self.say("226 done" if end >= len(data) else "426 the line broke")

    def do_quit(self, _: str) -> bool:
        self.say("221 bye")
        return False
