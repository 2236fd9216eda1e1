"""What others install: the wheel has all that a run needs and the licence, the source archive all of a checkout."""

import json
import os
import shutil
import subprocess
import sys
import tarfile
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest

TOP = Path(__file__).resolve().parent.parent
FOLDERS = (".ci", "demo", "discprep", "manifests", "tests")
FILES = ("README.md", "DEVELOPERS.md", "pyproject.toml")
NO_PART = shutil.ignore_patterns("__pycache__", "out", "*.egg-info")


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with both, made by the build back end from a copy of the checkout."""
    if int(version("setuptools").split(".")[0]) < 77:
        pytest.skip("setuptools is older than the build asks for")
    folder = tmp_path_factory.mktemp("package")
    source, out = folder / "source", folder / "out"
    for name in FOLDERS:
        shutil.copytree(TOP / name, source / name, ignore=NO_PART)
    for name in FILES:
        shutil.copyfile(TOP / name, source / name)
    out.mkdir()
    code = f"from setuptools import build_meta as b; b.build_sdist({str(out)!r}); b.build_wheel({str(out)!r})"
    ran = subprocess.run([sys.executable, "-W", "ignore", "-c", code], cwd=source, capture_output=True, text=True)
    assert ran.returncode == 0, ran.stderr
    return folder


def files(source: Path, *folders: str) -> set[str]:
    found = (path for folder in folders for path in (source / folder).rglob("*") if path.is_file())
    found = (path for path in found if path.suffix != ".pyc")
    return {path.relative_to(source).as_posix() for path in found}


def test_the_wheel(built: Path) -> None:
    """Every file of the package, the ready profiles and manifests, the licence (PEP 639) and the metadata."""
    (path,) = (built / "out").glob("*.whl")
    with zipfile.ZipFile(path) as wheel:
        names = set(wheel.namelist())
        assert files(built / "source", "discprep") <= names
        for ready in (built / "source/manifests").rglob("*.toml"):
            inside = f"discprep/ready/{ready.relative_to(built / 'source/manifests').as_posix()}"
            assert wheel.read(inside) == ready.read_bytes()
        (about,) = (name for name in names if name.endswith(".dist-info/METADATA"))
        text = wheel.read(about).decode()
        assert {"License-Expression: MIT", "License-File: discprep/LICENSE"} <= set(text.splitlines())
        assert "Author: the discprep developers" in text
        assert about.replace("METADATA", "licenses/discprep/LICENSE") in names
        assert not any(name.startswith(("tests/", "demo/", "manifests/")) for name in names)


def test_the_source_archive(built: Path) -> None:
    """All that a checkout holds, byte for byte: it runs its own tests."""
    (path,) = (built / "out").glob("*.tar.gz")
    with tarfile.open(path) as archive:
        held = {member.name.partition("/")[2] for member in archive.getmembers() if member.isfile()}
    assert files(built / "source", *FOLDERS) | set(FILES) <= held


def test_it_runs_where_it_was_unpacked(built: Path, tmp_path: Path) -> None:
    """`python -m discprep new` lists the ready profiles of the wheel and copies one; check reads what came of it."""
    (path,) = (built / "out").glob("*.whl")
    with zipfile.ZipFile(path) as wheel:
        wheel.extractall(tmp_path / "site")
    work = tmp_path / "work"
    work.mkdir()
    environment = {**os.environ, "PYTHONPATH": str(tmp_path / "site")}

    def discprep(*words: str) -> dict[str, object]:
        command = [sys.executable, "-m", "discprep", *words, "--json"]
        ran = subprocess.run(command, cwd=work, env=environment, capture_output=True, text=True)
        assert ran.returncode == 0, ran.stdout
        document: dict[str, object] = json.loads(ran.stdout)
        return document

    listed = discprep("new")
    profiles = listed["profiles"]
    assert isinstance(profiles, list)
    assert {one["name"] for one in profiles} == {path.stem for path in (TOP / "manifests/machines").glob("*.toml")}
    assert all(str(tmp_path / "site") in one["file"] and one["told"] for one in profiles)
    name = profiles[0]["name"]
    discprep("new", "first.toml", "--profile", name)
    assert (work / f"{name}.toml").read_bytes() == (TOP / "manifests/machines" / f"{name}.toml").read_bytes()
    discprep("new", "second.toml", "--profile", name)  # the copy is there already, and is the same
    discprep("check", "first.toml")
