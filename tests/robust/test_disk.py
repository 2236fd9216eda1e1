"""The disk refuses at a change of the whole main job: a clear error that says what was kept, exit 3, and the next run
ends with the same image.

errno values: POSIX.1-2017 <errno.h>, EDQUOT included. Every n-th change here; all in tests/bench/faults_long.py.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from support.disk_job import CODES, DiskJob

EVERY = 53


@pytest.mark.slow
def test_changes_of_the_whole_job_can_fail(tmp_path: Path) -> None:
    """ENOSPC, EIO, EACCES, EROFS, EDQUOT and ENAMETOOLONG in turn: each ends the run with 3, is told with what was kept
    (`DiskJob`), and the next run goes on from there. Only what is done after the last output may fail unnoticed."""
    job = DiskJob(tmp_path)
    total = job.whole()
    places = range(1, total - 8, EVERY)
    assert [at for at in places if not job.refused_at(at)] == []
    assert len({at % len(CODES) for at in places}) == len(CODES)
