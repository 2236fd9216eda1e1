"""Commands as users who are not the one that runs the tests; needs root, and Debian's util-linux."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

from support.programs import program, root_with

GROUP = 61_000


@contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that all users reach, which those of pytest are not."""
    with tempfile.TemporaryDirectory(prefix="users-") as name:
        Path(name).chmod(0o755)
        yield Path(name)


def as_user(uid: int, words: Sequence[object], *, umask: int = 0o002) -> subprocess.CompletedProcess[str]:
    """Runs `discprep words…` as this user of `GROUP`, with no other rights, umask as given."""
    root_with()
    command = [sys.executable, "-m", "discprep", *map(str, words)]
    ids = [f"--reuid={uid}", f"--regid={GROUP}", "--clear-groups", "--inh-caps=-all"]
    paths = {"PYTHONPATH": os.pathsep.join(path for path in sys.path if path), "HOME": "/nonexistent"}
    return subprocess.run(
        [*_reachable(), program("setpriv", "util-linux"), *ids, *command],
        env=os.environ | paths,
        cwd="/",
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
        umask=umask,
    )


def _reachable() -> list[str]:
    """A prefix that opens the way to this Python, where a home of root's stands in it: in a mount namespace of its own,
    an empty folder over that home, and in it nothing but the Python."""
    base = Path(sys.base_prefix).resolve()
    closed = next((path for path in reversed(base.parents) if not path.stat().st_mode & 0o001), None)
    if closed is None:
        return []
    script = (
        'kept=$(mktemp -d) && mount --bind "$1" "$kept" && mount -t tmpfs -o mode=755 none "$2" && mkdir -p "$1" && '
        'mount --bind "$kept" "$1" && umount "$kept" && rmdir "$kept" && shift 2 && exec "$@"'
    )
    return [program("unshare", "util-linux"), "--mount", "sh", "-c", script, "sh", str(base), str(closed)]
