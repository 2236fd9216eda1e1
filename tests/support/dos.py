"""A general DOS emulator as the machine: a folder of the host is its volume C:, an image its disc D:.

Its exit code says nothing (a missing image ends with 0), so callers compare what it leaves. It ignores a plain
termination signal when stuck, hence `timeout -k`.
"""

import hashlib
import os
import re
import subprocess
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

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


def dos_profile() -> Profile:
    """The ready profile; its messages go into a file too, since an emulator without a screen shows none, and
    nobody is there to press a key."""
    profile = load_profile(PROFILE)
    shown = (*profile.shell.message, rf"echo {{text}}>>C:\{SCREEN}")
    return replace(profile, shell=replace(profile.shell, message=shown, wait=()))


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
    image: Path, target: Path, lines: Sequence[str], *, mounts: Sequence[str] = (), seconds: int = 60
) -> list[str]:
    """Runs lines of the DOS command language and gives what the scripts said. `target` becomes C:."""
    emulator, timeout = program("dosbox"), program("timeout", "coreutils")
    target.mkdir(exist_ok=True)
    for left in (SCREEN, "RUN.BAT"):
        (target / left).unlink(missing_ok=True)
    batch = ["@echo off", *lines, r"echo.>>C:\FINISHED", "exit"]
    (target / "RUN.BAT").write_bytes("".join(f"{line}\r\n" for line in batch).encode("cp437"))
    configuration = target.parent / "dos.conf"
    all_mounts = "\n".join([f"imgmount d {image} -t iso", *mounts])
    configuration.write_text(CONFIGURATION.format(folder=target, mounts=all_mounts))
    environment = {**os.environ, "SDL_VIDEODRIVER": "dummy", "SDL_AUDIODRIVER": "dummy", "HOME": str(target.parent)}
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
