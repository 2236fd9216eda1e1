"""Outside programs that tests compare against: a missing one skips with its reason, and fails under CI."""

import os
import shutil
from pathlib import Path
from typing import NoReturn

import pytest

# The Debian package of a program that is called otherwise.
PACKAGES = {
    "7z": "p7zip-full", "bsdcat": "libarchive-tools", "bsdtar": "libarchive-tools", "dd": "coreutils",
    "html-2.dtd": "sgml-data", "ip": "iproute2", "iso-info": "libcdio-utils", "isoinfo": "genisoimage",
    "jlha": "jlha-utils", "mattrib": "mtools", "mcopy": "mtools", "mdel": "mtools", "mformat": "mtools",
    "mkfs.fat": "dosfstools", "onsgmls": "opensp", "pdftotext": "poppler-utils",
    "qemu-system-i386": "qemu-system-x86", "qemu-system-x86_64": "qemu-system-x86", "rb": "lrzsz", "rx": "lrzsz",
    "rz": "lrzsz", "sb": "lrzsz", "setpriv": "util-linux", "sh": "dash", "sha256sum": "coreutils", "sx": "lrzsz",
    "sz": "lrzsz", "timeout": "coreutils", "umount": "mount",
    "unshare": "util-linux", "zipinfo": "unzip",
}  # fmt: skip


def program(name: str, package: str = "") -> str:
    """The path of a general-purpose program; `package` is the Debian package that has it, if it is not in PACKAGES."""
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")
    return path or lacking(f"the program {name} is not installed", PACKAGES.get(name, package or name))


def lacking(what: str, package: str) -> NoReturn:
    """Skips, naming the Debian package that would help; fails under CI, which installs all of them."""
    reason = f"{what} (apt-get install {package})"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def root_with(*devices: str) -> None:
    """Skips (fails under CI) unless the test runs as root with these device files."""
    missing = [device for device in devices if not Path(device).exists()]
    if os.name == "posix" and os.geteuid() == 0 and not missing:
        return
    reason = " and ".join(["needs root", *devices])
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)
