"""A build's folder holds one build, whatever stood there before. Judges: what lies in the folder, and sha256sum."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest
from support.bench_set import BenchSet
from support.command import Ran, run
from support.programs import program

from discprep.job import earlier
from discprep.job.standing import RECORD, SHEETS, SUMS

OWN = sorted([RECORD, *SHEETS, SUMS, "image"])


@pytest.fixture
def bench(tmp_path: Path) -> BenchSet:
    return discs(BenchSet(tmp_path), 1)


def discs(bench: BenchSet, number: int) -> BenchSet:
    """The same three items, on one large disc, or on two or three that each hold one."""
    items = [
        bench.item(f"i{n}", f"i{n}.bin", bytes([n]) * 700_000, f'to = "I{n}"\nplace = "burn"\n') for n in range(3)
    ]
    sectors = {1: 3000, 2: 900, 3: 600}[number]
    bench.write(*items, medium=f"sectors = {sectors}\ndiscs = {number}\n[link]\nrate = 9600\n[bridge]\nrate = 9600")
    return bench


def prepare(bench: BenchSet) -> Ran:
    ran = run("prepare", bench.manifest, "--out", bench.out, *bench.words, "--json")
    assert ran.code == 0, ran.out
    return ran


def lies_in(folder: Path) -> list[str]:
    return sorted("image" if path.suffix == ".iso" else path.name for path in folder.iterdir())


def assert_one_build(bench: BenchSet, number: int) -> None:
    """The files of so many discs and nothing else; each list holds (sha256sum); a second run finds them standing."""
    folders = [bench.out] if number == 1 else [bench.out / f"disc-{n + 1}" for n in range(number)]
    assert lies_in(bench.out) == (OWN if number == 1 else [folder.name for folder in folders])
    for folder in folders:
        assert lies_in(folder) == OWN
        subprocess.run([program("sha256sum", "coreutils"), "--quiet", "-c", SUMS], cwd=folder, check=True)
    again = prepare(bench).document
    assert [disc["unchanged"] for disc in again["discs"]] == [True] * number and not again["notices"]


@pytest.mark.parametrize("way", [(1, 2, 1), (3, 2, 3), (1, 3, 2, 1)], ids=lambda way: "-".join(map(str, way)))
def test_from_one_disc_to_several_and_back(way: tuple[int, ...], tmp_path: Path) -> None:
    """Nothing of an earlier build is left, and each one is recognised; what gave way in other folders is told."""
    bench = BenchSet(tmp_path)
    for before, number in zip((0, *way), way, strict=False):
        ran = prepare(discs(bench, number))
        told = "gave way" in ran.out
        assert told == (bool(before) and (before == 1 or number < before)), (before, number)
        assert_one_build(bench, number)


def test_what_no_build_has_written_stays(bench: BenchSet) -> None:
    """The user's own files, an image that no list names, another build's folder that only looks like a disc's."""
    prepare(discs(bench, 2))
    kept = [
        bench.out / "notes.txt",
        bench.out / "disc-2" / "label.txt",
        bench.out / "disc-2" / "FIRSTDISC-0123456789.iso",
        bench.out / "disc-9" / "readme",
        bench.out / SUMS,
    ]
    for path in kept:
        path.parent.mkdir(exist_ok=True)
        path.write_text("mine\n")
    other = run("prepare", discs(bench, 1).manifest, "--out", bench.out / "disc-7", *bench.words, "--json")
    assert other.code == 0
    prepare(discs(bench, 3))
    prepare(discs(bench, 1))
    assert [path.read_text() for path in kept[:-1]] == ["mine\n"] * 4  # the list is the build's own again
    assert sorted(path.name for path in bench.out.iterdir() if path.is_dir()) == ["disc-2", "disc-7", "disc-9"]
    assert lies_in(bench.out / "disc-7") == OWN and lies_in(bench.out / "disc-2") == ["image", "label.txt"]


class Ended(BaseException):
    """As a kill: nothing is tidied."""


STEPS = ["claim", "replace", "seal", "give_way", "unlink", "rmdir"]
WAYS = [(before, after, step) for before, after in ((1, 1), (1, 2), (2, 1)) for step in STEPS if before > after or
        step != "rmdir"]  # fmt: skip


@pytest.mark.parametrize(("before", "after", "step"), WAYS)
def test_ended_at_any_step(
    step: str, before: int, after: int, bench: BenchSet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Until the new build stands, every image of the earlier one does; the next run leaves one build, of the
    same manifest or of one that was changed once more."""
    prepare(discs(bench, before))
    images = list(bench.out.rglob("*.iso"))
    (images[0].parent / ".image.part").write_bytes(b"of a run that was killed")
    discs(bench, after)
    bench.manifest.write_text(bench.manifest.read_text().replace("A test disc", "Another").replace('"I2"', '"J2"'))
    with monkeypatch.context() as patched:
        _end_at(step, patched)
        with pytest.raises(Ended):
            run("prepare", bench.manifest, "--out", bench.out, *bench.words, "--json")
    if step in ("claim", "replace", "seal"):
        assert all(path.is_file() for path in images)
    if before == 2:
        bench.manifest.write_text(bench.manifest.read_text().replace('"I1"', '"J1"'))
    prepare(bench)
    assert_one_build(bench, after)


def _end_at(step: str, patched: pytest.MonkeyPatch) -> None:
    def ends(wanted: Callable[[Path], bool], real: Callable[..., None]) -> Callable[..., None]:
        def call(path: Path, *more: object, **named: object) -> None:
            if wanted(path):
                raise Ended
            real(path, *more, **named)

        return call

    if step in ("unlink", "rmdir", "replace"):
        mine = {"unlink": _is_built, "rmdir": _is_disc, "replace": lambda path: path.name == ".image.part"}[step]
        patched.setattr(Path, step, ends(mine, getattr(Path, step)))
        if step == "rmdir":
            patched.setattr("discprep.job.build.give_way", _then_ended)
    else:
        patched.setattr(f"discprep.job.build.{step}", ends(lambda path: True, lambda path: None))


def _is_built(path: Path) -> bool:
    return path.name == SHEETS[0] or path.suffix == ".iso"


def _is_disc(path: Path) -> bool:
    return path.name.startswith("disc-")


def _then_ended(*words: object) -> None:
    earlier.give_way(*words)  # type: ignore[arg-type]
    raise Ended
