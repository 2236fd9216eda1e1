"""The own sender in real time over a byte-clocked line, against an embedded IP stack, and beside it a kernel as server.

The same file over the same lines: ours over a pair of pseudo-terminals (`support/clocked.py`), the kernel's own TCP
over the rig of two network namespaces (`support/line_rig.py`; needs root). Both as ratios to the least time that the
line can take (`support/line_client.py::limit_s`). A busy computer makes both slower.
"""

import random
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from support import line_rig
from support.clocked import Cable
from support.embedded import build
from support.far_end import far_end
from support.line_client import Setting, limit_s

LINES = [(19_200, 576, 2144), (57_600, 576, 4288), (57_600, 1500, 5840), (115_200, 1500, 8760)]
SIZE = 60_000


def own(rate: int, mtu: int, window: int, protocol: str, payload: bytes) -> tuple[float, int]:
    """Seconds from the first byte that the machine sends to its end, and segments sent again."""
    program = build(mss=mtu - 40, window=window)
    with tempfile.TemporaryDirectory() as folder, Cable(rate) as cable:
        with far_end(cable.ours, rate, protocol, {"/a": payload}, mtu=mtu) as line:
            machine = subprocess.Popen([program, cable.theirs, protocol, "shelf", "/a"], cwd=folder,
                                       stderr=subprocess.DEVNULL)  # fmt: skip
            while not line.host.connections:
                time.sleep(0.001)
            began = time.monotonic()
            machine.wait()
            seconds = time.monotonic() - began
        got = (Path(folder) / "out.0").read_bytes().partition(b"\r\n\r\n")[2]
        assert got == payload
        return seconds, line.host.counts.again


def main() -> None:
    payload = random.Random(1).randbytes(SIZE)
    print("rate    MTU   window  protocol  own    again   kernel as server")
    for rate, mtu, window in LINES:
        for protocol in ("slip", "ppp"):
            least = limit_s(Setting(rate, protocol, mtu, window), payload)
            seconds, again = own(rate, mtu, window, protocol, payload)
            kernel = ""
            if protocol == "slip":
                rig = line_rig.Setting(rate=rate, mtu=mtu, window=window, size=SIZE, latency_s=0.0)
                kernel = f"{line_rig.measure(rig).seconds / least:.3f}"
            print(f"{rate:<7} {mtu:<5} {window:<7} {protocol:9} {seconds / least:.3f}  {again:<7} {kernel}", flush=True)


main()
