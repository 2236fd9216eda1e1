"""A general DOS emulator as the machine: a folder of the host is its volume C:, an image its disc D:.

It has no attributes of its own: `dos_disk.c` gives the volume those of DOS, as bits of the host's files (`protect`).
Its exit code says nothing (a missing image ends with 0), so callers compare what it leaves. It ignores a plain
termination signal when stuck, hence `timeout -k`.
"""

import hashlib
import os
import re
import subprocess
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

from discprep.disc.contents import read_content
from discprep.disc.image import write_image
from discprep.disc.layout.options import ImageOptions
from discprep.disc.record import Record
from discprep.manifest.load import load_profile
from discprep.model import Named, Profile
from support.programs import program

PROFILE = Path(__file__).parents[2] / "manifests/machines/catalogue-desk.toml"
SCREEN = "SCREEN.TXT"  # the scripts of `dos_profile` write their messages there too
CONFIGURATION = """[sdl]
output=surface
[mixer]
nosound=true
[cpu]
cycles=max
[autoexec]
mount c {folder}
{mounts}
call c:\\RUN.BAT
exit
"""


ORDER = r"C:\ATTRIB.$$$"  # what is written there, `dos_disk.c` does


def dos_profile() -> Profile:
    """The ready profile; its messages go into a file too, since an emulator without a screen shows none, nobody is
    there to press a key, and its ATTRIB does nothing."""
    profile = load_profile(PROFILE)
    shell = profile.shell
    shown = (*shell.message, rf"echo {{text}}>>C:\{SCREEN}")
    assert shell.unprotect == ("attrib -r -h -s {path} >NUL",)
    assert shell.set_attributes == ("attrib {attributes} {path}",)
    shell = replace(shell, message=shown, wait=(), unprotect=(f"echo -r -h -s {{path}}>{ORDER}",),
                    set_attributes=(f"echo {{attributes}} {{path}}>{ORDER}",))  # fmt: skip
    return replace(profile, shell=shell)


def protect(path: Path, *, hide: bool = False) -> None:
    """Write-protects a file of the volume, and hides it."""
    path.chmod(0o1444 if hide else 0o444)


def protected(target: Path) -> set[str]:
    """The volume's write-protected and hidden files, in capitals."""
    found = (p for p in target.rglob("*") if p.is_file() and p.stat().st_mode & 0o1200 == 0o1000)
    return {path.relative_to(target).as_posix().upper() for path in found}


@cache
def disk() -> Path:
    """The library that gives the volume its attributes, compiled once a session."""
    target = Path(mkdtemp(prefix="dos-disk-")) / "disk.so"
    source = Path(__file__).with_name("dos_disk.c")
    flags = ["-shared", "-fPIC", "-O1", "-w", "-o", str(target), str(source), "-ldl"]
    subprocess.run([program("gcc"), *flags], check=True, timeout=120)
    return target


def own_image(named: Sequence[Named], folder: Path) -> Path:
    """A level-1 image as a build writes it."""
    path = folder / "own.iso"
    write_image(named, path, ImageOptions("FIRSTDISC", epoch_s=946_684_800))
    return path


def plain_image(named: Iterable[Named], folder: Path, *, without: Iterable[str] = ()) -> Path:
    """A level-1 image made by genisoimage from the names on the disc, `without` some files: to a copy command, a file
    that is not there is as lost as one under a scratch."""
    tree = folder / "disc-tree"
    for entry in named:
        content = entry.staged.content
        for parts in filter(None, (entry.iso, entry.second)):
            path = tree.joinpath(*parts[:-1], parts[-1].removesuffix("."))
            (path if content is None else path.parent).mkdir(parents=True, exist_ok=True)
            if content is not None:
                path.write_bytes(read_content(content))
    for lost in without:
        (tree / lost).unlink()
    image = folder / "plain.iso"
    command = [program("genisoimage"), "-quiet", "-iso-level", "1", "-V", "FIRSTDISC", "-o", str(image), str(tree)]
    subprocess.run(command, check=True)
    return image


def run_dos(
    image: Path | None, target: Path, lines: Sequence[str], *, mounts: Sequence[str] = (), seconds: int = 60
) -> list[str]:
    """Runs lines of the DOS command language and gives what the scripts said. `target` becomes C:; without an image the
    disc is out."""
    emulator, timeout = program("dosbox"), program("timeout", "coreutils")
    target.mkdir(exist_ok=True)
    for left in (SCREEN, "RUN.BAT"):
        (target / left).unlink(missing_ok=True)
    batch = ["@echo off", *lines, r"echo.>>C:\FINISHED", "exit"]
    (target / "RUN.BAT").write_bytes("".join(f"{line}\r\n" for line in batch).encode("cp437"))
    configuration = target.parent / "dos.conf"
    all_mounts = "\n".join([*([f"imgmount d {image} -t iso"] if image else []), *mounts])
    configuration.write_text(CONFIGURATION.format(folder=target, mounts=all_mounts))
    environment = {**os.environ, "LD_PRELOAD": str(disk()), "DOS_ROOT": str(target)}
    environment |= {"SDL_VIDEODRIVER": "dummy", "SDL_AUDIODRIVER": "dummy", "HOME": str(target.parent)}
    command = [timeout, "-k", "2", str(seconds), emulator, "-conf", str(configuration), "-noconsole"]
    subprocess.run(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=False)
    finished = target / "FINISHED"
    assert finished.exists(), "the emulator did not come to the end of its script"
    for left in ("FINISHED", "RUN.BAT"):
        (target / left).unlink()
    screen = target / SCREEN
    said = screen.read_bytes().decode("cp437").splitlines() if screen.exists() else []
    screen.unlink(missing_ok=True)
    return said


def files_below(folder: Path) -> dict[str, bytes]:
    """Relative path in capitals to bytes, of every file: the emulator keeps no capitals apart."""
    return {p.relative_to(folder).as_posix().upper(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def install_all(image: Path, target: Path) -> dict[str, bytes]:
    """Runs every part of a disc in order, as `files_below` the machine's volume afterwards."""
    names = subprocess.run(
        [program("isoinfo", "genisoimage"), "-f", "-i", str(image)], check=True, capture_output=True, text=True
    ).stdout.splitlines()
    parts = sorted(re.findall(r"^/SETUP/PART([0-9]+)[.]BAT;1$", "\n".join(names), re.MULTILINE), key=int)
    run_dos(image, target, [rf"call d:\SETUP\PART{part}.BAT" for part in parts])
    return files_below(target)


def differences(record: Record, files: Mapping[str, bytes]) -> list[str]:
    """Paths that a record promises on the machine and that are not there byte for byte."""
    wanted = {"/".join(f.target).upper(): f.sha256 for f in record.files if f.copied and f.sha256 and f.target}
    return [path for path, sha256 in wanted.items() if hashlib.sha256(files.get(path, b"?")).hexdigest() != sha256]
