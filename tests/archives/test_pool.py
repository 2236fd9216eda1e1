"""The workers: what a decoder that dies, hangs or eats memory costs, and that nothing is left behind."""

import os
import signal
import subprocess
import sys
import textwrap
import time
from pathlib import Path

import pytest
from support.lha import HELLO, Made, archive

from discprep.archives import OpenTask, open_all, pool
from discprep.archives.pool import DEATHS_MAX, Pool
from discprep.archives.store import open_tasks
from discprep.errors import DiscprepError, StorageError
from discprep.model import Limits, Opened, Silent

QUICK = Limits(floor_s=1.0)


def sabotaged(code: str) -> str:
    """A worker's start in which decoding a member first runs `code` (which sees `header`)."""
    lines = textwrap.indent(textwrap.dedent(code), "    ")
    return (
        "import sys, os, time, signal; sys.path[:] = sys.argv[2:]\n"
        "from discprep.archives import lha_decode\n"
        "real = lha_decode.decode\n"
        f"def decode(name, source, header, scratch):\n{lines}\n"
        "    return real(name, source, header, scratch)\n"
        "lha_decode.decode = decode\n"
        "from discprep.archives.worker import main; main()"
    )


def opened(folder: Path, *members: Made, limits: Limits = QUICK) -> Opened:
    path = folder / "x.lzh"
    path.write_bytes(archive(*members))
    (result,) = open_all([OpenTask(path)], store=folder / "store", limits=limits, workers=1)
    return result


def five(bad: bytes = b"bad") -> list[Made]:
    return [Made(name=name, data=name * 10) for name in (b"a", b"b", bad, b"d", b"e")]


def reads(result: Opened) -> list[bool]:
    return [entry.reads for entry in result.members]


def test_a_crash_is_one_members_problem(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker killed by a signal: that member is named, all others are whole, bytes and all."""
    crash = "if header.size_bytes == 30: os.kill(os.getpid(), signal.SIGSEGV)"
    monkeypatch.setattr(pool, "_START", sabotaged(crash))
    result = opened(tmp_path, *five())
    assert reads(result) == [True, True, False, True, True]
    assert "broke down on these bytes (SIGSEGV)" in result.members[2].problem
    for entry in result.members:
        if entry.content:
            data = entry.content.path.read_bytes()[entry.content.offset_bytes :][: entry.content.size_bytes]
            assert data == entry.member.name.encode() * 10


def test_a_hang_is_one_members_problem(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A decoder that never returns is stopped after its time."""
    monkeypatch.setattr(pool, "_START", sabotaged("if header.size_bytes == 30: time.sleep(600)"))
    result = opened(tmp_path, *five(), limits=Limits(floor_s=0.7))
    assert reads(result) == [True, True, False, True, True]
    assert "took longer than 1 s" in result.members[2].problem


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux bounds a process's address space")
def test_memory_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A decoder that asks for more than its share gets none."""
    monkeypatch.setattr(pool, "_START", sabotaged("if header.size_bytes == 30: bytearray(2**30)"))
    result = opened(tmp_path, *five(), limits=Limits(memory_bytes=512 * 2**20))
    assert reads(result) == [True, True, False, True, True]
    assert "more memory" in result.members[2].problem


def test_a_stall_is_no_damage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A host that stops a worker between its last byte and its last word: the archive is as whole as it was."""
    stalled = (
        "import sys, time; sys.path[:] = sys.argv[2:]\n"
        "from discprep.archives import worker\n"
        "real = worker.Job._end\n"
        "def end(*what):\n"
        "    time.sleep(3 * worker.FLUSH_S)\n"
        "    real(*what)\n"
        "worker.Job._end = end\n"
        "worker.main()"
    )
    monkeypatch.setattr(pool, "_START", stalled)
    result = opened(tmp_path, *five())
    assert (reads(result), result.problems) == ([True] * 5, ())


def test_many_crashes_end_in_a_list(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An archive may cost a few workers; then the rest is listed, and says why it was not read."""
    monkeypatch.setattr(pool, "_START", sabotaged("os._exit(3)"))
    result = opened(tmp_path, *[Made(name=b"%d" % n) for n in range(20)])
    problems = [entry.problem for entry in result.members]
    assert len(problems) == 20
    assert all("ended on these bytes (code 3)" in problem for problem in problems[: DEATHS_MAX - 1])
    assert all("failed too often" in problem for problem in problems[DEATHS_MAX - 1 :])


def test_death_outside_members_is_the_archives_problem(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A structure that kills the worker: said of the archive, and the next archive is read."""
    start = (
        "import sys, os; sys.path[:] = sys.argv[2:]\n"
        "from discprep.archives import lha\n"
        "real = lha.LhaReader.members\n"
        "lha.LhaReader.members = lambda self: os._exit(9) if self._end > 100 else real(self)\n"
        "from discprep.archives.worker import main; main()"
    )
    monkeypatch.setattr(pool, "_START", start)
    tasks = []
    for name, count in (("bad", 5), ("good", 1)):
        (tmp_path / name).write_bytes(archive(*[Made(name=b"%d" % n) for n in range(count)]))
        tasks.append(OpenTask(tmp_path / name))
    bad, good = open_all(tasks, store=tmp_path / "store", limits=QUICK, workers=1)
    assert "reading its structure" in bad.problems[0]
    assert good.whole


def test_results_that_may_change_are_not_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A time-out may be the host's fault: the next run decodes again, and finds the archive whole."""
    with monkeypatch.context() as patch:
        patch.setattr(pool, "_START", sabotaged("if header.size_bytes == 30: os._exit(1)"))
        assert not opened(tmp_path, *five()).whole
    assert opened(tmp_path, *five()).whole


def test_a_worker_that_cannot_start_blames_no_archive(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """An interpreter that fails is a fault of the installation, said with its last words."""
    monkeypatch.setattr(pool, "_START", "raise SystemExit('no such module as the one needed')")
    with pytest.raises(DiscprepError, match="did not start: no such module"):
        opened(tmp_path, Made())


def test_workers_are_reused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Many archives, one process."""
    started = []
    real = pool.start_worker
    monkeypatch.setattr(pool, "start_worker", lambda scratch: started.append(scratch) or real(scratch))
    tasks = []
    for n in range(100):
        (tmp_path / f"{n}").write_bytes(archive(Made(name=b"%d" % n)))
        tasks.append(OpenTask(tmp_path / f"{n}"))
    results = list(open_all(tasks, store=tmp_path / "store", limits=Limits(), workers=1))
    assert [result.members[0].member.name for result in results] == [str(n) for n in range(100)]
    assert len(started) == 1


def test_output_of_a_library_does_not_reach_the_pipe(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What C code prints goes nowhere."""
    monkeypatch.setattr(pool, "_START", sabotaged("os.write(1, b'noise'); print('noise')"))
    assert opened(tmp_path, Made()).whole


def test_missing_file_is_the_hosts_fault(tmp_path: Path) -> None:
    """No archive is blamed for a file that is not there."""
    with pytest.raises(StorageError, match="cannot be read"):
        list(open_all([OpenTask(tmp_path / "none")], store=tmp_path / "store", limits=Limits()))


def test_leaving_early_ends_the_workers(tmp_path: Path) -> None:
    """A caller that stops iterating leaves no process and no file."""
    for n in range(40):
        (tmp_path / f"{n}").write_bytes(archive(Made(name=b"%d" % n, data=HELLO * 2_000)))
    results = open_all(
        [OpenTask(tmp_path / f"{n}") for n in range(40)], store=tmp_path / "s", limits=Limits(), workers=2
    )
    next(results)
    results.close()  # type: ignore[attr-defined]
    assert [path for path in (tmp_path / "s").iterdir() if path.suffix == ".part"] == []


def test_pool_keeps_order_and_ends_on_errors() -> None:
    """Results come in order; an error in one ends the pool's threads."""
    with Pool(3) as threads:
        assert list(threads.map(lambda n: (time.sleep(0.01 * (n % 3)), n)[1], range(30))) == list(range(30))
        scratch = threads.scratch
        assert scratch.is_dir()
    assert not scratch.exists()


@pytest.mark.skipif(os.name != "posix", reason="signals to a process group")
def test_interrupt_leaves_no_worker(tmp_path: Path) -> None:
    """Ctrl-C in the middle of a decoding: both processes end, no scratch folder stays."""
    code = f"""
import os, sys, tempfile
tempfile.tempdir = {str(tmp_path)!r}
from pathlib import Path
from discprep.archives import OpenTask, open_all, pool
from discprep.model import Limits
pool._START = {sabotaged("open('here', 'w').write(str(os.getpid())); time.sleep(600)")!r}
list(open_all([OpenTask(Path({str(tmp_path / "x")!r}))], store=Path({str(tmp_path / "s")!r}), limits=Limits()))
"""
    (tmp_path / "x").write_bytes(archive(Made()))
    paths = os.pathsep.join(path for path in sys.path if path)
    parent = subprocess.Popen(
        [sys.executable, "-c", code],
        start_new_session=True,
        stderr=subprocess.DEVNULL,
        env=os.environ | {"PYTHONPATH": paths},
    )
    worker = _wait_for(tmp_path)
    os.killpg(parent.pid, signal.SIGINT)
    assert parent.wait(timeout=120) != 0
    with pytest.raises(ProcessLookupError):
        for _ in range(300):
            os.kill(worker, 0)
            time.sleep(0.01)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s", "x"]
    assert list((tmp_path / "s").iterdir()) == []


def _wait_for(folder: Path) -> int:
    for _ in range(3000):
        for path in folder.rglob("here"):
            if path.read_text():
                return int(path.read_text())
        time.sleep(0.01)
    raise AssertionError("the worker did not begin")


def test_progress_sums_to_the_archives(tmp_path: Path) -> None:
    """Bytes told while and after decoding add up to the files' sizes."""
    sizes = []
    for n, count in enumerate((1, 100_000, 10)):
        (tmp_path / f"{n}").write_bytes(archive(Made(data=HELLO * count)))
        sizes.append((tmp_path / f"{n}").stat().st_size)

    class Counting(Silent):
        total = 0
        seen = 0

        def begin(self, key: str, label: str, total: int | None, unit: str = "B") -> None:
            self.total = total or 0

        def advance(self, key: str, amount: int) -> None:
            self.seen += amount

    told = Counting()
    list(open_tasks([OpenTask(tmp_path / f"{n}") for n in range(3)], None, Limits(), 2, told))
    assert (told.seen, told.total) == (sum(sizes), sum(sizes))
