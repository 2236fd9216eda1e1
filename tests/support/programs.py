"""Outside programs that tests compare against: a missing one skips with its reason, and fails under CI."""

import os
import shutil
from pathlib import Path

import pytest


def program(name: str, package: str = "") -> str:
    """The path of a general-purpose program; `package` is the Debian package that has it."""
    path = shutil.which(name) or shutil.which(name, path="/usr/sbin:/sbin")
    if path:
        return path
    reason = f"the program {name} is not installed (apt-get install {package or name})"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)


def root_with(*devices: str) -> None:
    """Skips (fails under CI) unless the test runs as root with these device files."""
    missing = [device for device in devices if not Path(device).exists()]
    if os.name == "posix" and os.geteuid() == 0 and not missing:
        return
    reason = f"needs root and {', '.join(devices)}"
    if os.environ.get("CI"):
        pytest.fail(reason)
    pytest.skip(reason)
