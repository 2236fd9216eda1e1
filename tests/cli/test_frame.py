"""The frame of every command: exit codes, the envelope, nothing but the document on stdout, no traceback."""

from __future__ import annotations

import errno
import json
from pathlib import Path

import pytest
from support.command import run

from discprep import cli
from discprep.cli.frame import command
from discprep.errors import DiscprepError, Faults, FetchError, IntegrityError, ManifestError

HEAD = 'format = 1\n[machine]\nprofile = "p.toml"\n'


@pytest.fixture
def manifest(tmp_path: Path) -> Path:
    (tmp_path / "p.toml").write_text('name = "X"\n')
    (tmp_path / "m.toml").write_text(HEAD)
    return tmp_path / "m.toml"


@pytest.mark.parametrize(
    ("raised", "code", "family"),
    [
        (ManifestError("m"), 2, "manifest"),
        (IntegrityError("i"), 1, "integrity"),
        (FetchError("f"), 3, "fetch"),
        (OSError(errno.ENOSPC, "No space left on device", "x.iso"), 3, "storage"),
        (MemoryError(), 3, "storage"),
        (ZeroDivisionError("0"), 4, "bug"),
    ],
    ids=lambda value: type(value).__name__ if isinstance(value, Exception) else str(value),
)
def test_exit_codes_and_envelope(raised: Exception, code: int, family: str, capsys: pytest.CaptureFixture[str]) -> None:
    """Each family has its code, in JSON and in words; our own bug leaves a trace in a file, not on the screen."""
    import typer

    for as_json in (True, False):
        with pytest.raises(typer.Exit) as ended, command("check", as_json):
            raise raised
        assert ended.value.exit_code == code
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        if as_json:
            document = json.loads(out)
            assert list(document)[:2] == ["discprep", "command"] and document["command"] == "check"
            assert document["errors"][0]["family"] == family
        else:
            assert out == "" and err.startswith("error: ")


def test_ctrl_c_is_130(capsys: pytest.CaptureFixture[str]) -> None:
    """Ctrl-C says that nothing half-written is left, and how to go on."""
    import typer

    with pytest.raises(typer.Exit) as ended, command("check", False):
        raise KeyboardInterrupt
    assert ended.value.exit_code == 130 and "next: Run the same command again" in capsys.readouterr().err


def test_a_command_of_many_lines_fails_in_one(capsys: pytest.CaptureFixture[str]) -> None:
    """Whatever ends it: who reads JSON lines gets one."""
    import typer

    for raised in (ManifestError("m"), OSError(errno.EIO, "Input/output error"), ZeroDivisionError("0")):
        with pytest.raises(typer.Exit), command("serve", True, lines=True):
            raise raised
        (line,) = capsys.readouterr().out.splitlines()
        assert json.loads(line)["event"] == "failed" and json.loads(line)["errors"]


def test_several_faults_are_listed_one_by_one(capsys: pytest.CaptureFixture[str]) -> None:
    import typer

    with pytest.raises(typer.Exit) as ended, command("check", True):
        raise Faults([FetchError("f", item="a"), IntegrityError("i", where="b", hint="h")])
    errors = json.loads(capsys.readouterr().out)["errors"]
    assert ended.value.exit_code == 1
    assert errors == [
        {"family": "fetch", "message": "f", "item": "a"},
        {"family": "integrity", "message": "i", "where": "b", "hint": "h"},
    ]


def test_usage_errors_are_json_too(manifest: Path) -> None:
    """A wrong call answers in the form that was asked for."""
    ran = run("check", manifest, "--jsn", "--json")
    assert ran.code == 2 and ran.document["errors"][0]["family"] == "usage"
    ran = run("chekc", manifest)
    assert ran.code == 2 and ran.out == "" and "No such command" in ran.err
    assert run("check").code == 2


def test_check_and_schema(manifest: Path) -> None:
    """A good manifest ends with 0; a missing one with 3; the schema knows the items."""
    assert run("check", manifest, "--json").document["ok"] is True
    assert run("check", manifest.parent / "no.toml").code == 3
    assert "item" in run("schema", "--json").document["schema"]["properties"]
    assert "volume" in json.loads(run("schema", "--profile").out)["properties"]


@pytest.mark.parametrize("name", cli.COMMANDS)
def test_every_command_has_help_and_json(name: str) -> None:
    """Help starts with a sentence; `--json` is everywhere."""
    ran = run(name, "--help")
    assert ran.code == 0 and "--json" in ran.out and "--quiet" in ran.out
    assert len(ran.out.splitlines()[2].strip()) > 20


def test_help_lists_the_commands_in_the_order_of_the_work() -> None:
    listed = [line.split()[0] for line in run("--help").out.splitlines() if line.startswith("  ") and line.split()]
    assert [name for name in listed if name in cli.COMMANDS] == list(cli.COMMANDS)


def test_version() -> None:
    assert run("--version").out.startswith("discprep ")


def test_root_error_has_no_family_but_bug() -> None:
    assert DiscprepError("x").exit_code == 4
