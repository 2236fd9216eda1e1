"""The disk refuses at a change of the whole main job: a clear error, exit 3, and the next run ends with the same image.

errno values: POSIX.1-2017 <errno.h>. Every n-th change here; all of them in tests/bench/faults_long.py.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from support.disk_job import DiskJob

EVERY = 53


@pytest.mark.slow
def test_changes_of_the_whole_job_can_fail(tmp_path: Path) -> None:
    """ENOSPC, EIO, EACCES, EROFS, EDQUOT and ENAMETOOLONG in turn; each refusal is told and gone on from."""
    job = DiskJob(tmp_path)
    total = job.whole()
    refused = sum(job.refused_at(at) for at in range(1, total + 1, EVERY))
    assert refused >= 5
