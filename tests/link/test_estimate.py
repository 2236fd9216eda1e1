"""`estimate` as a user calls it."""

import json
import random
from pathlib import Path

import pytest
from typer.testing import CliRunner

from discprep.cli import build_app

RUN = CliRunner()
LINE = ("--baud", "57600", "--mtu", "576", "--window", "4288", "--latency-ms", "30")


def call(*words: str) -> tuple[int, dict[str, object]]:
    result = RUN.invoke(build_app(["estimate"]), ["estimate", *words, "--json"])
    return result.exit_code, json.loads(result.stdout)


def test_seconds_rate_parts_and_warnings() -> None:
    """The promised keys; parts sum to the expected time; the rate is the payload's. Source: the sheet's 4.8, row 8."""
    code, found = call("--size-bytes", "1000000", *LINE)
    seconds = found["seconds"]
    assert code == 0
    assert sum(found["parts"].values()) == pytest.approx(seconds["expected"])  # type: ignore[attr-defined]
    assert seconds["best"] < seconds["expected"] < seconds["worst"]  # type: ignore[index]
    assert found["rate_bytes_s"] == pytest.approx(1_000_000 / seconds["expected"])  # type: ignore[index]
    assert seconds["expected"] == pytest.approx(188.68, rel=0.005)  # type: ignore[index]
    assert isinstance(found["warnings"], list)


def test_one_way_latency_is_half_a_round_trip() -> None:
    first = call("--size-bytes", "5000", "--latency-ms", "40")[1]["seconds"]
    assert call("--size-bytes", "5000", "--round-trip-ms", "80")[1]["seconds"] == first


def test_a_file_s_escapes_are_counted(tmp_path: Path) -> None:
    """A file of ENDs takes twice as long as one of spaces. Source: RFC 1055."""
    times = []
    for byte in (b" ", b"\xc0"):
        path = tmp_path / "data"
        path.write_bytes(byte * 10_000)
        times.append(call("--file", str(path), *LINE)[1]["seconds"]["expected"])  # type: ignore[index]
    assert times[1] / times[0] == pytest.approx(1.9, abs=0.1)


def test_the_clock_s_error_is_shown() -> None:
    """V04. Source: clock / (n + 1)."""
    found = call("--size-bytes", "9", "--baud", "115200", "--clock-hz", "3546895", "--divider", "n+1")[1]
    machine = found["line"]["machine"]  # type: ignore[index]
    assert machine["divisor"] == 30
    assert machine["error_percent"] == pytest.approx(-0.681, abs=0.001)


@pytest.mark.slow
def test_a_slow_line_with_large_packets_is_warned_about() -> None:
    found = call("--size-bytes", "20000", "--baud", "19200", "--mtu", "1500")[1]
    assert any("send again what is still queued" in warning for warning in found["warnings"])  # type: ignore[attr-defined]


def test_a_table_over_rates() -> None:
    rows = call("--size-bytes", "20000", "--over", "baud=9600,19200,38400")[1]["over"]
    assert [row["baud"] for row in rows] == ["9600", "19200", "38400"]  # type: ignore[attr-defined]
    assert rows[0]["expected"] > rows[2]["expected"]  # type: ignore[index]


def test_a_measurement_is_followed() -> None:
    plain = call("--size-bytes", "200000", *LINE)[1]["seconds"]
    slower = plain["expected"] * 1.02  # type: ignore[index]
    found = call("--size-bytes", "200000", *LINE, "--measured", f"200000:{slower}")[1]
    assert found["seconds"]["expected"] == pytest.approx(slower, rel=0.01)  # type: ignore[index]
    assert found["seconds"]["worst"] <= plain["worst"]  # type: ignore[index]


def test_the_log_of_transfers_is_followed(tmp_path: Path) -> None:
    """The log as `serve` writes it; a torn last line is passed over."""
    from discprep.serve.log import Transfer, append

    log = tmp_path / "first.pulls.jsonl"
    sent = Transfer(0, "a", "a", "0" * 64, 200_000, 0, 200_000, 39.0, 200_000 / 39, False, True, True, "192.0.2.2")
    append(log, sent)
    with log.open("a") as file:
        file.write('{"pull": 1, "at')
    found = call("--size-bytes", "200000", *LINE, "--log", str(log))[1]
    assert found["calibrated_by"] == 1
    assert found["seconds"]["expected"] == pytest.approx(39.0, rel=0.01)  # type: ignore[index]


def test_an_implausible_measurement_is_called_out() -> None:
    found = call("--size-bytes", "200000", *LINE, "--measured", "200000:900")[1]
    assert any("overrun" in warning for warning in found["warnings"])  # type: ignore[attr-defined]


@pytest.mark.parametrize("protocol", ["xmodem", "xmodem-crc", "xmodem-1k", "ymodem", "ymodem-g", "zmodem", "kermit",
                                      "kermit-long", "kermit-streaming", "slip", "cslip", "ppp"])  # fmt: skip
def test_every_protocol_answers(protocol: str) -> None:
    code, found = call("--size-bytes", "10000", "--protocol", protocol, "--baud", "9600")
    assert code == 0
    assert found["seconds"]["expected"] > 10_000 / 960  # type: ignore[index]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ((), "nothing to estimate"),
        (("--size-bytes", "9", "--file", "x"), "both given"),
        (("--size-bytes", "9", "--baud", "fast"), "--baud"),
        (("--size-bytes", "9", "--framing", "9N1"), "--framing"),
        (("--size-bytes", "9", "--over", "baud"), "KEY=V1"),
        (("--size-bytes", "9", "--over", "colour=red"), "these can"),
        (("--size-bytes", "9", "--clock-hz", "1000000"), "belong together"),
        (("--size-bytes", "9", "--clock-hz", "1000000", "--divider", "2n"), "--divider"),
        (("--size-bytes", "9", "--measured", "5"), "BYTES:SECONDS"),
        (("--size-bytes", "9", "--protocol", "ppp", "--accm", "xyz"), "hexadecimal"),
    ],
)
def test_what_makes_no_sense_is_said(words: tuple[str, ...], message: str) -> None:
    """Exit 2 and a message that names the flag."""
    code, found = call(*words)
    assert code == 2
    assert message in found["errors"][0]["message"]  # type: ignore[index]


def test_two_faults_are_said_at_once() -> None:
    code, found = call("--size-bytes", "9", "--baud", "fast", "--mtu", "3")
    assert code == 2
    assert len(found["errors"]) == 2  # type: ignore[arg-type]


def test_a_file_that_is_not_there_is_a_fault_of_the_host(tmp_path: Path) -> None:
    assert call("--file", str(tmp_path / "none"))[0] == 3


MANIFEST = """format = 1
title = "Reading room"
[machine]
profile = "machine.toml"
[medium]
kind = "cd-74"
[link]
rate = 19200
mtu = 296
window = 2048
[[item]]
id = "tools"
sources = ["http://files.example/tools.zip"]
size = 120000
[[item]]
id = "unsized"
sources = ["http://files.example/unsized.zip"]
[[item]]
id = "burned"
sources = ["http://files.example/burned.zip"]
size = 900000
place = "burn"
"""


def manifest(folder: Path) -> Path:
    (folder / "machine.toml").write_text('name = "reading-room"\n[[volume]]\npath = "C:"\nblock = 512\n')
    path = folder / "first.toml"
    path.write_text(MANIFEST)
    return path


def test_a_manifest_s_items_each_and_together(tmp_path: Path) -> None:
    """What is always burned is left out, what has no size is named; flags go before the manifest's own settings."""
    path = str(manifest(tmp_path))
    code, found = call(path)
    assert code == 0, found
    assert [one["id"] for one in found["items"]] == ["tools"]  # type: ignore[attr-defined]
    assert found["unknown_sizes"] == ["unsized"]
    assert found["items"][0]["seconds"]["expected"] == pytest.approx(found["seconds"]["expected"])  # type: ignore[index]
    faster = call(path, "--baud", "38400")[1]["seconds"]
    assert found["seconds"]["expected"] / faster["expected"] == pytest.approx(2, rel=0.05)  # type: ignore[index]


@pytest.mark.slow
def test_text_fits_eighty_columns(tmp_path: Path) -> None:
    """Numbers, parts, advice, plots: no line is wider than a terminal."""
    data = tmp_path / "data"
    data.write_bytes(random.Random(1).randbytes(9000))
    for words in (
        ("--file", str(data), "--baud", "19200", "--mtu", "1500", "--window", "4096"),
        ("--size-bytes", "20000", "--over", "window=1072,2144,4288"),
        ("--size-bytes", "9000", "--protocol", "kermit"),
        (str(manifest(tmp_path)),),
    ):
        result = RUN.invoke(build_app(["estimate"]), ["estimate", *words])
        assert result.exit_code == 0, result.output
        assert result.stdout.strip()
        assert max(map(len, result.stdout.splitlines())) <= 80
