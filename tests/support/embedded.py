"""Builds and runs a machine made of the embedded IP stack of the Debian source package `lwip` (SLIP, PPP with
compressed headers). Nobody here wrote it: it says whether our end speaks the standards."""

import hashlib
import os
import shutil
import subprocess
import tempfile
from functools import cache
from pathlib import Path

import pytest

SOURCE = Path("/usr/local/src/discprep-tests/lwip")  # `.ci/run` unpacks it there
_HERE = Path(__file__).resolve().parent

_OPTIONS = """
#define NO_SYS 1
#define SYS_LIGHTWEIGHT_PROT 0
#define LWIP_NETCONN 0
#define LWIP_SOCKET 0
#define LWIP_IPV6 0
#define LWIP_ARP 0
#define LWIP_ETHERNET 0
#define LWIP_DNS 1
#define LWIP_HAVE_SLIPIF 1
#define SLIP_USE_RX_THREAD 0
#define PPP_SUPPORT 1
#define PPPOS_SUPPORT 1
#define PPP_INPROC_IRQ_SAFE 0
#define VJ_SUPPORT 1
#define PAP_SUPPORT PASSWORD
#define PPP_SERVER PASSWORD
#define CHAP_SUPPORT 0
#define MEM_SIZE 200000
#define MEM_ALIGNMENT 8
#define MEMP_NUM_TCP_PCB 16
#define MEMP_NUM_SYS_TIMEOUT 20
#define TCP_MSS MSS
#define TCP_WND WINDOW
#define TCP_SND_BUF (2 * TCP_MSS)
#define TCP_QUEUE_OOSEQ KEEPS
#define LWIP_NETIF_STATUS_CALLBACK 0
#define LWIP_STATS 0
"""


@cache
def source() -> Path:
    """The stack's sources; without them the test is skipped."""
    if not (SOURCE / "src" / "core" / "tcp.c").exists():
        pytest.skip("the source package lwip is not unpacked (.ci/run does it)")
    if shutil.which("gcc") is None:
        pytest.skip("gcc is not installed")
    return SOURCE


@cache
def build(*, mss: int = 536, window: int = 4 * 536, keeps: bool = True, password: bool = False) -> Path:
    """The program, built once for all runs and kept by what it is built from. `keeps`: what comes behind a gap is kept;
    `password`: the other side must tell one."""
    top = source()
    values = {"MSS": mss, "WINDOW": window, "KEEPS": int(keeps), "PASSWORD": int(password)}
    options = "".join(f"#define {k} {v}\n" for k, v in values.items()) + _OPTIONS
    program = _HERE / "embedded.c"
    mark = hashlib.sha256(options.encode() + program.read_bytes() + str(top).encode()).hexdigest()[:16]
    kept = Path(tempfile.gettempdir()) / f"embedded-{os.getuid()}-{mark}"
    if not kept.exists():
        with tempfile.TemporaryDirectory(prefix="embedded-") as name:
            folder = Path(name)
            (folder / "lwipopts.h").write_text(options)
            (folder / "arch").mkdir()
            (folder / "arch" / "cc.h").write_text(
                "#include <stdio.h>\n#include <stdlib.h>\n#define LWIP_RAND() rand()\n"
            )
            _compile(top, program, folder, folder / "made")
            shutil.copy2(folder / "made", kept.with_suffix(f".{os.getpid()}"))
            kept.with_suffix(f".{os.getpid()}").replace(kept)
    return kept


def _compile(top: Path, program: Path, folder: Path, made: Path) -> None:
    files = [*sorted((top / "src" / "core").glob("*.c")), *sorted((top / "src" / "core" / "ipv4").glob("*.c"))]
    files += [top / "src" / "netif" / "slipif.c", *sorted((top / "src" / "netif" / "ppp").glob("*.c"))]
    words = ["gcc", "-O0", "-w", "-I", str(folder), "-I", str(top / "src" / "include")]
    subprocess.run([*words, "-o", str(made), str(program), *map(str, files)], check=True)
