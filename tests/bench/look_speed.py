"""Archives of 5,000 small members looked at (every member read, checked and hashed), against what tests or lists them.

    python tests/bench/look_speed.py [FOLDER]

Needs unzip, tar, bsdtar, jlha and lhasa. `tar tf` reads headers only: the ratio to it is no aim, but shows a slip.
"""

import io
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from pathlib import Path

from lha_speed import Run, command, compare, lhasa, look, packed, text

FILES = {f"{n}.txt": text(50 + n % 2500, n) for n in range(5000)}


def program(*words: str | Path) -> Run:
    def run(_: Path) -> None:
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL)

    return run


def zipped(path: Path) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as file:
        for name, data in FILES.items():
            file.writestr(name, data)
    return path


def tarred(path: Path, mode: str) -> Path:
    with tarfile.open(path, mode) as file:
        for name, data in FILES.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            file.addfile(info, io.BytesIO(data))
    return path


def main() -> None:
    with tempfile.TemporaryDirectory() as made:
        folder = Path(sys.argv[1] if len(sys.argv) > 1 else made)
        folder.mkdir(exist_ok=True)
        lha = packed(folder, "many.lzh", FILES)
        zip_, tar, gz = zipped(folder / "x.zip"), tarred(folder / "x.tar", "w"), tarred(folder / "x.tgz", "w:gz")
        compare("LHA, look", look([lha], 1), "lhasa t", lhasa("tq", [lha]))
        compare("ZIP, look", look([zip_], 1), "unzip -t", program("unzip", "-tqq", zip_))
        compare("tar, look", look([tar], 1), "tar tf", program("tar", "tf", tar))
        compare("tar, look", look([tar], 1), "bsdtar -tf", program("bsdtar", "-tf", tar))
        compare("tar.gz, look", look([gz], 1), "bsdtar -tf", program("bsdtar", "-tf", gz))
        compare("LHA, the command inspect", command("inspect", lha), "lhasa t", lhasa("tq", [lha]))
        compare("ZIP, the command inspect", command("inspect", zip_), "unzip -t", program("unzip", "-tqq", zip_))


if __name__ == "__main__":
    main()
