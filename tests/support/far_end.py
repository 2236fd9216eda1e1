"""Our end of a line, running in a thread over a port, with files to hand out as HTTP/1.0 does."""

import random
import threading
import time
from contextlib import contextmanager
from ipaddress import IPv4Address

from discprep.peer import loop
from discprep.peer.carrier import Slip
from discprep.peer.host import Host
from discprep.peer.line import Line
from discprep.peer.port import Port
from discprep.peer.ppp import Ppp
from support.line_client import CLIENT, SERVER


class Files:
    """An application: one request, one reply, the end."""

    def __init__(self, files: dict[str, bytes]) -> None:
        self.files, self.asked, self.left = files, b"", None

    def received(self, data: bytes) -> None:
        self.asked += data
        if self.left is None and b"\r\n\r\n" in self.asked:
            path = self.asked.split()[1].decode()
            body = self.files.get(path)
            status = b"200 OK" if body is not None else b"404 Not Found"
            self.left = b"HTTP/1.0 " + status + b"\r\n\r\n" + (body or b"")

    def pull(self, most_bytes: int) -> bytes:
        piece, self.left = (self.left or b"")[:most_bytes], self.left and self.left[most_bytes:]
        return piece

    @property
    def finished(self) -> bool:
        return self.left == b""

    def ended(self) -> None:
        if self.left is None:
            self.left = b""

    def acknowledged(self, total_bytes: int) -> None:
        pass

    def closed(self) -> None:
        self.left = b""


@contextmanager
def far_end(
    terminal: str, rate: int, protocol: str, files: dict[str, bytes], *, mtu: int = 576, name: str = "",
    password: str = "", compress: bool = True, flow: str = "none", bits: int = 10,
):  # fmt: skip
    """Serves `files` at 192.0.2.1 until the block ends. Gives the line, for its counts."""
    rng = random.Random(7)
    host = Host(SERVER, lambda source, port, own: Files(files) if own == 80 else None,
                first=lambda: rng.getrandbits(32), mtu_bytes=mtu)  # fmt: skip
    if protocol == "ppp":
        carrier = Ppp(SERVER, IPv4Address(CLIENT), mtu_bytes=mtu, accm=0, short_fields=True, compress=compress,
                      magic=lambda: rng.getrandbits(32), name=name, password=password)  # fmt: skip
    else:
        carrier = Slip(mtu, compress=protocol == "cslip")
    with Port(terminal, rate, flow=flow) as port:
        line = Line(carrier, host, rate / bits, time.monotonic())
        over, faults = threading.Event(), []

        def run() -> None:
            try:
                loop.run(line, port, over.is_set)
            except BaseException as error:
                faults.append(error)

        thread = threading.Thread(target=run)
        thread.start()
        try:
            yield line
        finally:
            over.set()
            thread.join()
            if faults:
                raise faults[0]
