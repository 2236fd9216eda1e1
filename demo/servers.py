"""What stands in for the world: on loopback, a good site, a mirror that cuts files short, a small FTP site."""

from __future__ import annotations

import contextlib
import socket
import threading
from collections.abc import Iterator
from functools import partial
from http.server import SimpleHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path


class Quiet(SimpleHTTPRequestHandler):
    """Serves a folder and says nothing."""

    def log_message(self, format: str, *args: object) -> None:
        pass


class Truncated(Quiet):
    """Promises the whole file and hangs up after half of it."""

    def do_GET(self) -> None:
        path = Path(self.translate_path(self.path))
        if not path.is_file():
            self.send_error(404)
            return
        data = path.read_bytes()
        self.send_response(200)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data[: len(data) // 2])


def http_site(folder: Path, handler: type[Quiet] = Quiet) -> ThreadingHTTPServer:
    """An HTTP server on a free loopback port, running."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), partial(handler, directory=str(folder)))
    server.daemon_threads = True
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


def dead_port() -> int:
    """A port that nobody answers."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class FtpSite:
    """A read-only FTP server (RFC 959, passive mode, REST as in RFC 3659) on a free loopback port."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self.listener.getsockname()[1])
        threading.Thread(target=self._accept, daemon=True).start()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                peer, _ = self.listener.accept()
                threading.Thread(target=self._talk, args=(peer,), daemon=True).start()

    def _talk(self, peer: socket.socket) -> None:
        offset, data = 0, None
        with contextlib.suppress(OSError), peer, peer.makefile("rw", encoding="latin-1", newline="\r\n") as lines:

            def say(reply: str) -> None:
                lines.write(reply + "\n")  # written as CR LF
                lines.flush()

            say("220 the reading room's store")
            for line in lines:
                verb, _, word = line.strip().partition(" ")
                verb, file = verb.upper(), self.folder / word.lstrip("/").replace("..", "")
                if verb == "USER":
                    say("331 any password")
                elif verb == "PASS":
                    say("230 welcome")
                elif verb in ("TYPE", "CWD", "NOOP"):
                    say("200 so be it")
                elif verb == "REST":
                    offset = int(word)
                    say("350 from there")
                elif verb == "SIZE" and file.is_file():
                    say(f"213 {file.stat().st_size}")
                elif verb in ("PASV", "EPSV"):
                    data = socket.create_server(("127.0.0.1", 0))
                    port = data.getsockname()[1]
                    passive = f"227 ready (127,0,0,1,{port >> 8},{port & 255})"
                    say(f"229 ready (|||{port}|)" if verb == "EPSV" else passive)
                elif verb == "RETR" and data and file.is_file():
                    say("150 here it comes")
                    sink, _ = data.accept()
                    with sink:
                        sink.sendall(file.read_bytes()[offset:])
                    offset = 0
                    say("226 that was all")
                elif verb == "QUIT":
                    say("221 goodbye")
                    return
                else:
                    say("550 there is no such thing")


@contextlib.contextmanager
def world(folder: Path) -> Iterator[dict[str, str]]:
    """Starts everything; gives the base addresses by the names that the manifest uses."""
    good, cut, ftp = http_site(folder), http_site(folder, Truncated), FtpSite(folder)
    try:
        yield {
            "http://files.example": f"http://127.0.0.1:{good.server_port}",
            "http://short.example": f"http://127.0.0.1:{cut.server_port}",
            "http://gone.example": f"http://127.0.0.1:{dead_port()}",
            "ftp://store.example": f"ftp://127.0.0.1:{ftp.port}",
        }
    finally:
        good.shutdown()
        cut.shutdown()
        ftp.listener.close()
