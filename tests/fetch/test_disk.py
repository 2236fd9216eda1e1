"""The disk refuses at every single change that a fetch makes: a clear error, exit 3, and the next run goes on.

errno values: POSIX.1-2017 <errno.h>.
"""

from __future__ import annotations

import errno
import json
import os
import sys
from pathlib import Path

import pytest
from support.fault_server import FaultServer
from support.fetching import DATA, assert_whole, litter, objects, sha256
from support.programs import root_with
from support.shim import Shim

from discprep.fetch.pins import load_pins

PARTS = {"one.bin": DATA[:1000], "two.bin": DATA[1000:90_000]}


def _manifest(folder: Path, server: FaultServer) -> Path:
    """A small manifest in the folder `job`, its two items on the server."""
    job = folder / "job"
    job.mkdir()
    items = "".join(
        f'[[item]]\nid = "{name[:3]}"\nsources = ["{server.url("/" + name)}"]\nsha256 = "{sha256(data)}"\n'
        for name, data in PARTS.items()
    )
    server.files |= {f"/{name}": data for name, data in PARTS.items()}
    profile = 'format = 1\nname = "Reading-room machine"\n[disc]\nname_rules = "iso-level-1"\n'
    (job / "machine.toml").write_text(profile)
    path = job / "first.toml"
    path.write_text(f'format = 1\ntitle = "t"\n[machine]\nprofile = "machine.toml"\n[medium]\nkind = "cd-74"\n{items}')
    return path


def _command(manifest: Path) -> list[object]:
    cache = manifest.parent / "cache"
    return [sys.executable, "-m", "discprep", "fetch", manifest, "--cache", cache, "--json"]


@pytest.mark.slow
def test_every_change_can_fail(tmp_path: Path) -> None:
    """ENOSPC, EIO, EACCES, EROFS, EDQUOT and ENAMETOOLONG in turn, at every fifth change."""
    codes = [errno.ENOSPC, errno.EIO, errno.EACCES, errno.EROFS, errno.EDQUOT, errno.ENAMETOOLONG]
    with FaultServer() as server:
        manifest = _manifest(tmp_path, server)
        shim = Shim(tmp_path, under=manifest.parent)
        at, refused = -4, 0
        while at < 200:
            at += 5
            _forget(manifest)
            done = shim.run(_command(manifest), at=at, code=codes[at // 5 % len(codes)])
            document = json.loads(done.stdout)
            assert_whole(manifest.parent)
            if shim.changes < at:
                break
            refused += _check_refusal(done.returncode, document, codes[at // 5 % len(codes)])
            if at % 2 == 1:
                _goes_on(shim, manifest)
    assert done.returncode == 0
    assert refused >= 5


def _goes_on(shim: Shim, manifest: Path) -> None:
    """The next run, on a disk that works again, has all and leaves nothing over."""
    again = shim.run(_command(manifest), at=0)
    assert again.returncode == 0, again.stdout
    assert set(objects(manifest.parent)) == {sha256(data) for data in PARTS.values()}
    assert litter(manifest.parent) == []


def _check_refusal(code: int, document: dict[str, object], expected: int) -> bool:
    """Exit 3 with the host's own words for the error and a path, or 0 where the change did not matter."""
    if code == 0:
        return False
    assert code == 3, document
    (error,) = document["errors"]  # type: ignore[misc]
    assert error["family"] == "storage"
    assert os.strerror(expected) in error["message"]
    assert error["where"]
    assert error["hint"]
    return True


def _forget(manifest: Path) -> None:
    import shutil

    shutil.rmtree(manifest.parent / "cache", ignore_errors=True)
    for path in manifest.parent.glob("*.pins.toml*"):
        path.unlink()


def test_a_full_file_system(tmp_path: Path) -> None:
    """A real one: a tmpfs of 64 KiB takes the small item, refuses the large one, and both come once it has grown."""
    import subprocess

    root_with()
    small = tmp_path / "small"
    small.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "none", str(small)]
    if subprocess.run(mount, check=False, capture_output=True).returncode:
        pytest.skip("this machine lets nobody mount a tmpfs")
    try:
        with FaultServer() as server:
            manifest = _manifest(tmp_path, server)
            words = [*_command(manifest)[:-2], small / "cache", "--json"]
            done = subprocess.run(list(map(str, words)), capture_output=True, text=True, check=False, timeout=60)
            assert done.returncode == 3
            (error,) = json.loads(done.stdout)["errors"]
            assert os.strerror(errno.ENOSPC) in error["message"]
            assert "are whole and kept" in error["message"]
            assert set(objects(small)) <= {sha256(PARTS["one.bin"])}
            subprocess.run(["mount", "-o", "remount,size=1m", str(small)], check=True)
            done = subprocess.run(list(map(str, words)), capture_output=True, text=True, check=False, timeout=60)
            assert done.returncode == 0, done.stdout
            assert set(objects(small)) == {sha256(data) for data in PARTS.values()}
    finally:
        subprocess.run(["umount", "-l", str(small)], check=False)
    assert set(load_pins(manifest.with_suffix(".pins.toml"))) == {"one", "two"}
