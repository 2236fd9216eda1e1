"""The generated scripts of the ready UNIX profile under two real shells: dash and busybox sh (Debian), on the tree that
bsdtar (libarchive) takes out of the image, as a user without root's rights.

What must be there is computed from the archives' members, not from the scripts.
"""

import os
import random
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path

import pytest
from support.other_user import open_folder
from support.programs import program, root_with
from support.staging import manifest_of, opened_of, prepared

from discprep.disc.contents import read_content
from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.setup.script import copied
from discprep.manifest.load import load_profile
from discprep.manifest.substitute import RATE_MARKER
from discprep.model import Edit, Item, Step, Volume

PROFILE = load_profile(Path(__file__).parents[2] / "manifests/machines/print-room.toml")
NOBODY = 61_001
NET = {
    "line.cfg": b"rate=9600\n",
    "bin/dial": b"#!/bin/sh\n",
    'odd $(name) "`x`': b"odd",
    "empty": b"",
    "Notes for the Print Room": b"n" * 5000,
}
LINKS = {"bin/call": "dial", "latest": "Notes for the Print Room", "bin/odd \"$x": '../odd $(name) "`x', "tools": "bin"}
DOCS = {"Guide": b"guide\n", "maps/hall": b"h" * 3000}
EDIT = Edit("line.cfg", "9600", "57600", 1, "m:1", template=RATE_MARKER)
ITEMS = [Item("net", to="net", gives=("ip-stack",), edits=(EDIT,)), Item("docs", to="docs")]
STEP = Step("machine", "Run the installer; it's $5.", ("net",), ("etc/rc.local", "etc/old/"))


class Machine:
    """A folder for the disc and one for the volume, and a shell."""

    def __init__(self, folder: Path, shell: list[str], volume: Path | None = None, **fields: object) -> None:
        self.shell, self.disc, self.volume = shell, folder / "cdrom", volume or folder / "volume"
        profile = replace(PROFILE, disc_path=str(self.disc),
                          volumes=(replace(PROFILE.volumes[0], path=str(self.volume)),))  # fmt: skip
        (folder / "bytes").mkdir()
        modes = {"attributes": {"bin/dial": 0o755, "line.cfg": 0o444}, "attribute_system": dict.fromkeys(NET, "unix"),
                 "kind": dict.fromkeys(LINKS, "link"), "target": LINKS}  # fmt: skip
        net = NET | dict.fromkeys(LINKS, b"")
        opened = {"net": opened_of(net, folder / "bytes", **modes), "docs": opened_of(DOCS, folder / "bytes")}
        manifest = manifest_of(ITEMS, profile, steps=(STEP,), **fields)
        self.made = prepared(manifest, opened, folder / "bytes", rates=(19200, 57600))
        assert self.made.errors == ()
        image = folder / "disc.iso"
        write_image(self.made.named, image, ImageOptions("FIRSTDISC", 0, profile.name_rules, charset="latin-1"))
        for path in (self.disc, self.volume):
            path.mkdir(exist_ok=True)
        command = [program("bsdtar", "libarchive-tools"), "-xf", str(image), "-C", str(self.disc)]
        subprocess.run(command, check=True)
        self.owned(self.volume)

    def owned(self, *paths: Path) -> None:
        if os.geteuid() == 0:
            for path in paths:
                os.chown(path, NOBODY, NOBODY)

    def put(self, name: str, data: bytes, mode: int = 0o644) -> None:
        """A file of the owner's."""
        path = self.volume / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
        path.chmod(mode)
        self.owned(path, *[folder for folder in path.parents if folder.is_relative_to(self.volume)])

    def run(self, script: Path) -> tuple[int, str]:
        """A script's end and what it said."""
        user = {"user": NOBODY, "group": NOBODY, "extra_groups": []} if os.geteuid() == 0 else {}
        done = subprocess.run([*self.shell, str(script)], stdin=subprocess.DEVNULL, capture_output=True, check=False,
                              timeout=60, cwd="/", umask=0o022, **user)  # fmt: skip
        return done.returncode, (done.stdout + done.stderr).decode("latin-1")

    def tree(self) -> dict[str, bytes]:
        """The volume's files, without those of the setup."""
        found = {str(p.relative_to(self.volume)): p for p in self.volume.rglob("*") if p.is_file() or p.is_symlink()}
        return {name: f"-> {path.readlink()}".encode() if path.is_symlink() else path.read_bytes()
                for name, path in found.items() if not name.startswith("saved/")}  # fmt: skip

    def modes(self, *names: str) -> list[int]:
        return [(self.volume / name).stat().st_mode & 0o777 for name in names]

    def wanted(self) -> dict[str, bytes]:
        """Path on the machine to the member's bytes, the edit done by hand."""
        members = {("net", k): v for k, v in NET.items()} | {("docs", k): v for k, v in DOCS.items()}
        members["net", "line.cfg"] = b"rate=57600\n"
        members |= {("net", name): f"-> {to}".encode() for name, to in LINKS.items()}
        return {"/".join(n.target): members[n.staged.item, n.staged.member]
                for n in self.made.named if n.target and n.staged.content}  # fmt: skip

    def proven(self, said: str) -> bool:
        """Whether what is said to be done has all that is needed, as the record has it."""
        here = self.tree()
        needed = [n for n in copied(self.made.named, self.made.parts[0].items) if n.staged.important]
        right = all(here.get("/".join(n.target)) == (f"-> {n.target_link}".encode() if n.link
                                                     else read_content(n.staged.content))
                    for n in needed if n.staged.content)  # fmt: skip
        return right or "is done." not in said


@contextmanager
def small_volume(folder: Path, size_kb: int) -> Iterator[Path]:
    """A file system of so many KB, which only root can mount."""
    root_with()
    folder.mkdir()
    mounted = subprocess.run(
        [program("mount"), "-t", "tmpfs", "-o", f"size={size_kb}k,mode=777", "none", str(folder)], check=False
    )
    if mounted.returncode:
        pytest.skip("needs the right to mount a tmpfs")
    try:
        yield folder
    finally:
        subprocess.run([program("umount"), str(folder)], check=True)


@pytest.fixture(params=["dash", "busybox"])
def shell(request: pytest.FixtureRequest) -> list[str]:
    return [program(request.param), *(["sh"] if request.param == "busybox" else [])]


def test_protected_files_twice_and_back(shell: list[str]) -> None:
    """Old files that nobody may read or write are saved and replaced, twice; modes are kept; a rate and undo need no
    disc; a name full of the shell's own signs is a name."""
    with open_folder() as folder:
        machine = Machine(folder, shell)
        owners = {"net/line.cfg": b"owner's", "net/bin/dial": b"old", "etc/rc.local": b"start", "etc/old/a": b"deep"}
        modes = {"net/line.cfg": 0, "net/bin/dial": 0o555, "etc/rc.local": 0o640, "etc/old/a": 0o600}
        for name, data in owners.items():
            machine.put(name, data, modes[name])
        for _ in range(2):
            code, said = machine.run(machine.disc / "setup/part1.sh")
            assert code == 0 and "Part 1 is done." in said and machine.proven(said), said
            assert "Now, by hand: Run the installer; it's $5." in said
            assert machine.wanted().items() <= machine.tree().items()
            assert machine.modes("net/bin/dial", "net/line.cfg") == [0o755, 0o444]
        machine.put("etc/rc.local", b"the installer's", 0o444)
        (folder / "cdrom").rename(folder / "out")
        code, said = machine.run(machine.volume / "saved/rate19200.sh")
        assert code == 0 and machine.tree()["net/line.cfg"] == b"rate=19200\n"
        code, said = machine.run(machine.volume / "saved/undo.sh")
        assert code == 0 and "are back. Restart" in said
        assert machine.tree() == {**machine.wanted(), **owners}
        assert "not given back" not in said  # but for a file that its owner may not read
        assert machine.modes(*modes) == [0o600, *list(modes.values())[1:]]


def test_what_is_in_the_way(shell: list[str]) -> None:
    """A folder that has a file's name: a rename would put the file into it. A file that has a folder's name."""
    with open_folder() as folder:
        machine = Machine(folder, shell)
        (machine.volume / "docs").write_bytes(b"a file")
        code, said = machine.run(machine.disc / "setup/part1.sh")
        assert code == 0 and "Part 1 is done." in said and machine.proven(said)
        assert {k: v for k, v in machine.wanted().items() if k.startswith("net/")}.items() <= machine.tree().items()
        listed = next((machine.volume / "saved").glob("*H1.TXT")).read_text()
        assert f"{machine.volume}/docs could not be made" in listed
        (machine.volume / "net/bin/dial").unlink()
        machine.put("net/bin/dial/inside", b"x")
        code, said = machine.run(machine.disc / "setup/part1.sh")
        assert code != 0 or "is done." not in said
        assert machine.proven(said) and "net/bin/dial" in said


@pytest.mark.parametrize("seed", range(4))
def test_done_is_said_of_what_is_there_only(seed: int) -> None:
    """Whatever has the names, links of the owner's among it; nothing of the owner's is lost, and what undo says to be
    back is back."""
    chance = random.Random(seed)
    with open_folder() as folder:
        machine = Machine(folder, [program("dash")])
        machine.put("own/f", b"owner's f")
        for name in chance.sample(sorted(machine.wanted()), 4):
            to = chance.choice(["", "", str(machine.volume / "own/f"), str(machine.volume / "own"), "nowhere"])
            with suppress(OSError):  # one of the names before it is a file, and no folder
                machine.put(name, f"owner's {name}".encode(), chance.choice([0o644, 0o444]))
                if to:
                    (machine.volume / name).unlink()
                    (machine.volume / name).symlink_to(to)
        owners = {name: data for name, data in machine.tree().items() if data.startswith(b"owner's")}
        for _ in range(2):
            _, said = machine.run(machine.disc / "setup/part1.sh")
            kept = {path.read_bytes() for path in machine.volume.rglob("*") if path.is_file()}
            assert machine.proven(said) and kept.issuperset(owners.values())
        _, said = machine.run(machine.volume / "saved/undo.sh")
        assert machine.tree()["own/f"] == b"owner's f"
        assert "are back. Restart" not in said or owners.items() <= machine.tree().items()


@pytest.mark.parametrize("size_kb", [64, 76, 88, 128])
def test_a_full_volume(shell: list[str], size_kb: int) -> None:
    """Whatever fits: done is said only where all that is needed stands whole, and the owner's file is never lost."""
    with open_folder() as folder, small_volume(folder / "volume", size_kb) as volume:
        machine = Machine(folder, shell, volume)
        machine.put("net/line.cfg", b"o" * 5000)
        _, said = machine.run(machine.disc / "setup/part1.sh")
        assert machine.proven(said)
        assert ("is done." in said) == (size_kb == 128)
        assert b"o" * 5000 in {path.read_bytes() for path in volume.rglob("*") if path.is_file()}


SHOWN = {
    (): lambda name: name.removesuffix(";1").removesuffix("."),
    ("dot",): lambda name: name.removesuffix(";1"),
    ("lower-case",): lambda name: name.removesuffix(";1").removesuffix(".").lower(),
    ("lower-case", "version"): str.lower,
}


@pytest.mark.parametrize("names_shown", SHOWN, ids="-".join)
def test_names_as_the_machine_shows_them(tmp_path: Path, names_shown: tuple) -> None:
    """Without Rock Ridge: scripts name files as isoinfo (genisoimage) lists the primary tree, shown so (the four ways:
    common practice of UNIX drivers and their mount options, no source)."""
    profile = replace(PROFILE, name_rules=("iso-level-2",), names_shown=names_shown, disc_path="/cdrom",
                      volumes=(Volume("/usr/local"),))  # fmt: skip
    result = prepared(manifest_of(ITEMS, profile), {"docs": opened_of(DOCS, tmp_path)}, tmp_path)
    image = tmp_path / "disc.iso"
    write_image(result.named, image, ImageOptions("FIRSTDISC", 0, profile.name_rules))
    command = [program("isoinfo", "genisoimage"), "-f", "-i", str(image)]
    listed = subprocess.run(command, check=True, capture_output=True, text=True).stdout.splitlines()
    script = next(read_content(n.staged.content) for n in result.named if n.staged.name[-1] == "WORK1.sh")
    lines = [line.split()[1].strip('"') for line in script.decode().splitlines() if line.strip().startswith("cp ")]
    named = {path.removeprefix("/cdrom") for path in lines if path.startswith("/cdrom/")}
    assert named and named <= {SHOWN[names_shown](name) for name in listed}
