"""Against an embedded IP stack that nobody here wrote (Debian's source package `lwip`), over a clocked line."""

import os
import random
import subprocess
from pathlib import Path

import pytest
from support.clocked import Cable
from support.embedded import build
from support.far_end import far_end
from support.other_user import open_folder

from discprep.peer.ipcp import COMPRESSION

NOBODY = 65_534
FILES = {"/a": random.Random(1).randbytes(24_000), "/b": bytes(range(256)) * 30, "/c": b"\xc0\xdb\x7e\x7d\x11" * 900}


@pytest.fixture(scope="module")
def keeps() -> Path:
    """A machine with four segments of 536 bytes in its window, that keeps what comes behind a gap."""
    return build()


@pytest.fixture(scope="module")
def drops() -> Path:
    """One with two large segments, that drops it, and that insists on a password."""
    return build(mss=1460, window=2920, keeps=False, password=True)


def fetch(program: Path, terminal: str, protocol: str) -> list[tuple[bytes, bytes]] | None:
    """Runs the machine, as a user without rights where we have any to give up. Gives the heads and bodies that it got;
    None when it gave up."""
    with open_folder() as folder:
        folder.chmod(0o777)
        user = {"user": NOBODY, "group": NOBODY, "extra_groups": []} if os.geteuid() == 0 else {}
        if user:
            os.chown(terminal, NOBODY, NOBODY)
        machine = folder / "machine"
        machine.write_bytes(program.read_bytes())
        machine.chmod(0o755)
        words = [str(machine), terminal, protocol, "shelf.example", *FILES, "/nothing"]
        if subprocess.run(words, cwd=folder, timeout=120, **user, stderr=subprocess.PIPE).returncode:
            return None
        outs = [(folder / f"out.{number}").read_bytes() for number in range(len(FILES) + 1)]
        return [(head, body) for head, _, body in (out.partition(b"\r\n\r\n") for out in outs)]


def check(got: list[tuple[bytes, bytes]] | None) -> None:
    assert got is not None
    assert [head.split()[1] for head, _ in got] == [b"200"] * len(FILES) + [b"404"]
    assert [body for _, body in got] == [*FILES.values(), b""]


@pytest.mark.parametrize("protocol", ["slip", "ppp"])
def test_a_name_and_files_at_once(keeps: Path, protocol: str) -> None:
    """Its own name server asks for our name, then all files come at once, bit by bit, and a 404. On a clean line
    nothing is sent again, but for what a busy computer's clock makes look lost: then it is tried twice more."""
    for _ in range(3):
        with Cable(230_400) as cable, far_end(cable.ours, 230_400, protocol, FILES) as line:
            check(fetch(keeps, cable.theirs, protocol))
            assert line.host.refused == 0
            if protocol == "ppp":
                wanted = [option.kind for option in line.carrier.addresses.wanted()]  # what it refused is left out
                assert line.carrier.addresses.slots == 16 and COMPRESSION in wanted
        if line.host.counts.again <= line.host.counts.segments // 10:
            return
    pytest.fail(f"{line.host.counts} on a clean line, three times")


@pytest.mark.parametrize("protocol", ["slip", "ppp"])
def test_a_line_with_errors(keeps: Path, protocol: str) -> None:
    """Every tenth packet or so is hurt: the bytes are exact all the same."""
    with Cable(230_400, error_rate=2e-4) as cable, far_end(cable.ours, 230_400, protocol, FILES):
        check(fetch(keeps, cable.theirs, protocol))


def test_a_machine_that_insists_on_a_password(drops: Path) -> None:
    """RFC 1334: its PPP opens only after our name and password are right; its TCP keeps nothing behind a gap."""
    with (
        Cable(230_400, error_rate=3e-5) as cable,
        far_end(cable.ours, 230_400, "ppp", FILES, mtu=1500, name="guest", password="room"),
    ):
        check(fetch(drops, cable.theirs, "ppp"))
    with (
        Cable(230_400) as cable,
        far_end(cable.ours, 230_400, "ppp", FILES, mtu=1500, name="guest", password="wrong"),
    ):
        assert fetch(drops, cable.theirs, "ppp") is None


def test_a_stall_is_waited_out(keeps: Path) -> None:
    """Nothing crosses for 2.6 s: one segment a connection is tried again now and then, then all goes on."""
    with Cable(230_400, stall_s=(0.4, 3.0)) as cable, far_end(cable.ours, 230_400, "slip", FILES) as line:
        check(fetch(keeps, cable.theirs, "slip"))
        assert line.host.counts.again <= 4 * 6
