"""A machine made of a general-purpose kernel in an emulated PC: its SLIP, its compressed headers, its PPP, its TCP.

The packages `linux-image-amd64`, `busybox-static` and `ppp` are unpacked by `.ci/unpacked`, not installed. The
emulator's second serial port is a terminal of a clocked cable, as the emulator clocks nothing itself.
"""

import gzip
import shutil
import subprocess
import tempfile
import time
from pathlib import Path

import pytest

from support.programs import program

UNPACKED = Path("/usr/local/src/discprep-tests/kernel")
_HERE = Path(__file__).resolve().parent
_MODULES = ["drivers/net/slip/slhc.ko", "drivers/net/slip/slip.ko", "drivers/net/ppp/ppp_generic.ko",
            "drivers/net/ppp/ppp_async.ko"]  # fmt: skip
_FOLDERS = ("bin", "dev", "proc", "sys", "modules", "lib", "lib/all", "lib64", "etc", "etc/ppp", "usr")
_SYSTEM = """#!/bin/busybox sh
/bin/busybox --install -s /bin
mount -t devtmpfs dev /dev
mount -t proc proc /proc
mount -t sysfs sys /sys
mkdir -p /run /var/run /etc/ppp /tmp
for module in slhc slip ppp_generic ppp_async; do insmod /modules/$module.ko; done
ifconfig lo 127.0.0.1 up
echo 'root:x:0:0::/:/bin/sh' > /etc/passwd
stty -F /dev/ttyS1 115200 raw -echo
. /work
echo ALL DONE
poweroff -f
"""


class Machine:
    """Runs `work`, shell lines, when it is up; what it prints is read as it comes."""

    def __init__(self, terminal: str, work: str) -> None:
        qemu = program("qemu-system-x86_64", "qemu-system-x86")
        if not (UNPACKED / "usr" / "sbin" / "pppd").exists():
            pytest.skip("linux-image-amd64, busybox-static and ppp are not unpacked (.ci/unpacked does it)")
        self._folder = Path(tempfile.mkdtemp(prefix="kernel-"))
        image = self._folder / "initrd"
        image.write_bytes(gzip.compress(_archive(_tree(work, self._folder)), 1))
        (kernel,) = (UNPACKED / "boot").glob("vmlinuz-*")
        self._console = self._folder / "console"
        words = [qemu, "-M", "pc", "-accel", "tcg", "-m", "256", "-nodefaults", "-display", "none", "-no-reboot"]
        words += ["-kernel", kernel, "-initrd", image, "-serial", f"file:{self._console}"]
        words += ["-chardev", f"serial,id=line,path={terminal}", "-serial", "chardev:line"]
        words += ["-append", "console=ttyS0 clocksource=acpi_pm tsc=unstable quiet panic=-1"]
        self._process = subprocess.Popen([str(word) for word in words], stdin=subprocess.DEVNULL)

    @property
    def printed(self) -> str:
        """All that it has printed."""
        return self._console.read_text(errors="replace") if self._console.exists() else ""

    def wait_for(self, words: str, timeout_s: float = 300.0) -> str:
        """Until it has printed these words. Returns all that it printed."""
        until = time.monotonic() + timeout_s
        while words not in self.printed:
            assert self._process.poll() is None, f"the emulator ended:\n{self.printed[-3000:]}"
            assert time.monotonic() < until, f"no {words!r}:\n{self.printed[-3000:]}"
            time.sleep(0.2)
        return self.printed

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        shutil.rmtree(self._folder)


def _tree(work: str, folder: Path) -> dict[str, tuple[int, bytes]]:
    """Path to mode and bytes of all that the machine has."""
    tree: dict[str, tuple[int, bytes]] = {"init": (0o100755, _SYSTEM.encode()), "work": (0o100644, work.encode())}
    for name in (*_FOLDERS, "usr/sbin"):
        tree[name] = (0o040755, b"")
    tree["bin/busybox"] = (0o100755, (UNPACKED / "bin" / "busybox").read_bytes())
    (modules,) = (UNPACKED / "lib" / "modules").iterdir()
    for module in _MODULES:
        tree[f"modules/{Path(module).name}"] = (0o100644, (modules / "kernel" / module).read_bytes())
    made = folder / "slattach"
    subprocess.run(["gcc", "-O1", "-static", "-o", made, _HERE / "slattach.c"], check=True)
    tree["bin/slattach"] = (0o100755, made.read_bytes())
    pppd = UNPACKED / "usr" / "sbin" / "pppd"
    tree["usr/sbin/pppd"] = (0o100755, pppd.read_bytes())
    tree["etc/ppp/options"] = (0o100644, b"")
    own = UNPACKED / "usr" / "lib" / "x86_64-linux-gnu"
    listed = subprocess.check_output(["ldd", pppd], text=True, env={"LD_LIBRARY_PATH": str(own)})
    for line in listed.splitlines():
        path = next((word for word in line.split() if word.startswith("/")), None)
        if path:
            place = f"lib64/{Path(path).name}" if "ld-linux" in path else f"lib/all/{Path(path).name}"
            tree[place] = (0o100755, Path(path).read_bytes())
    return tree


def _archive(tree: dict[str, tuple[int, bytes]]) -> bytes:
    """The tree as the kernel unpacks it at its start: the "new ASCII" form (the kernel's own documentation,
    driver-api/early-userspace/buffer-format)."""
    out = bytearray()
    for number, (name, (mode, data)) in enumerate([*sorted(tree.items()), ("TRAILER!!!", (0, b""))], 1):
        told = name.encode() + b"\0"
        fields = [number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(told), 0]
        out += b"070701" + b"".join(b"%08X" % field for field in fields) + told
        out += bytes(-len(out) % 4)
        out += data
        out += bytes(-len(out) % 4)
    return bytes(out)


