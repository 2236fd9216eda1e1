"""The whole of `serve`: a manifest, a cache, a plan; what is offered, to whom, and how it ends."""

import hashlib
import ipaddress
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import zipfile
from pathlib import Path
from types import SimpleNamespace

import pytest
from support.clients import split_reply, wait_until
from support.command import run

from discprep.errors import UsageError
from discprep.job.serve import Wish, left_open, serve
from discprep.model import Decision, Plan, Silent
from discprep.report.serve import Ended, Listening, document, text
from discprep.serve.log import Transfer, read
from discprep.serve.reach import parse_bind, reachable

MANIFEST = """format = 1
title = "Reading-room machine"

[machine]
profile = "desk.toml"

[medium]
kind = "cd-74"

[link]
rate = 57600

[[item]]
id = "tools"
title = "Tools"
sources = ["{folder}/tools.zip"]
sha256 = "{sha256}"

[[item]]
id = "maps"
title = "Maps"
sources = ["{folder}/maps.zip"]
share = false

[[item]]
id = "gone"
sources = ["{folder}/gone.zip"]
size = 77
"""
PROFILE = """format = 1
name = "desk"
provides = ["unpack-zip"]

[[volume]]
path = "C:"
stem_max = 8
extension_max = 3

[text]
charset = "cp437"
newline = "crlf"
"""


def plan_of(order: tuple[str, ...] = ("tools", "maps", "gone")) -> Plan:
    decisions = tuple(Decision(item, "later", None, None, False, 1, 1, 1.0, "") for item in order)
    return Plan(decisions, order, 1.0, 1.0, True, 0.0, "none needed")


def recipe(folder: Path) -> Path:
    for name in ("tools", "maps"):
        with zipfile.ZipFile(folder / f"{name}.zip", "w") as archive:
            archive.writestr(zipfile.ZipInfo(f"{name.upper()}.TXT"), name * 500)
    sha256 = hashlib.sha256((folder / "tools.zip").read_bytes()).hexdigest()
    path = folder / "first.toml"
    path.write_text(MANIFEST.format(folder=folder, sha256=sha256))
    (folder / "desk.toml").write_text(PROFILE)
    return path


class Evening:
    """`serve` in a thread, its events gathered, ended as by Ctrl-C."""

    def __init__(self, folder: Path, **wish: object) -> None:
        self.events: list[object] = []
        self.result: list[object] = []
        self.folder = folder
        self.wish = Wish("127.0.0.1:0", **wish)
        self.manifest = recipe(folder)
        self.server: list[object] = []
        self.thread = threading.Thread(target=self._serve)

    def _serve(self) -> None:
        import discprep.job.serve as job

        real = job.Server
        try:
            with pytest.MonkeyPatch.context() as patch:
                patch.setattr("discprep.job.decided.planned", lambda *_: SimpleNamespace(plan=plan_of()))
                patch.setattr(job, "Server", lambda *a, **k: self.server.append(real(*a, **k)) or self.server[0])
                ended = serve(
                    self.manifest,
                    self.wish,
                    tell=self.events.append,
                    cache=self.folder / "cache",
                    progress=Silent(),
                )
            self.result.append(ended)
        except Exception as error:
            self.result.append(error)

    def __enter__(self) -> "Evening":
        self.thread.start()
        wait_until(lambda: self.events or self.result)
        if self.result:
            raise self.result[0]
        return self

    def __exit__(self, *_: object) -> None:
        self.server[0].stop()
        self.thread.join(20)

    @property
    def listening(self) -> Listening:
        return self.events[0]

    def get(self, path: str) -> tuple[int, dict[str, str], bytes]:
        port = self.listening.addresses[0].port
        with socket.create_connection(("127.0.0.1", port), 30) as sock:
            sock.sendall(f"GET {path} HTTP/1.0\r\n\r\n".encode())
            reply = b""
            while chunk := sock.recv(65_536):
                reply += chunk
        return split_reply(reply)


def test_items_not_at_hand_are_brought_and_pinned(tmp_path: Path) -> None:
    with Evening(tmp_path) as evening:
        assert [offer.item for offer in evening.listening.offers] == ["tools", "gone"]
        assert [offer.state for offer in evening.listening.offers] == ["wanted", "wanted"]
        status, _, body = evening.get("/tools.zip?wait")
        assert (status, body) == (200, (tmp_path / "tools.zip").read_bytes())
        status, _, body = evening.get("/gone.zip")
        assert (status, b"cannot be had" in body) == (503, True)
        wait_until(lambda: len(evening.events) == 2)
    assert (tmp_path / "first.pins.toml").exists()
    transfer = evening.events[1]
    assert isinstance(transfer, Transfer)
    assert read(tmp_path / "first.pulls.jsonl") == (transfer,)
    assert isinstance(evening.result[0], Ended)
    assert evening.result[0].transfers == 1


def test_what_may_not_be_passed_on_waits_for_a_word(tmp_path: Path) -> None:
    with Evening(tmp_path) as evening:
        assert evening.get("/maps.zip")[0] == 404
        (notice,) = evening.listening.notices
        assert notice.item == "maps" and "share = false" in notice.message and "--allow-unshared" in notice.hint
    (tmp_path / "b").mkdir()
    with Evening(tmp_path / "b", allow_unshared=True) as evening:
        assert evening.get("/maps.zip?wait")[0] == 200


def test_a_second_evening_finds_what_was_pulled(tmp_path: Path) -> None:
    with Evening(tmp_path) as evening:
        evening.get("/tools.zip?wait")
        wait_until(lambda: len(evening.events) == 2)
    with Evening(tmp_path) as evening:
        assert evening.listening.offers[0].pulled
        assert "pulled" in text(evening.listening)


@pytest.mark.parametrize(
    ("wish", "words"),
    [
        ({"shapes": ("crate",)}, "no shape"),
        ({"shapes": ("nobody=zip",)}, "no item of the id 'nobody'"),
    ],
)
def test_wrong_wishes_are_said(tmp_path: Path, wish: dict[str, object], words: str) -> None:
    with pytest.raises(UsageError, match=words), Evening(tmp_path, **wish):
        pass


def test_shapes_are_obeyed(tmp_path: Path) -> None:
    with Evening(tmp_path, shapes=("tools=lha",)) as evening:
        assert evening.listening.offers[0].names == ("tools.lha",)
        assert evening.get("/tools.lha?wait")[2][2:7] == b"-lh0-"


def test_what_grows_on_its_way_is_said(tmp_path: Path) -> None:
    """A ZIP taken apart: the page says the true size, the person hears of it once the item is at hand."""

    def evening() -> Evening:
        found = Evening(tmp_path, shapes=("tools=unpacked",))
        with zipfile.ZipFile(tmp_path / "tools.zip", "w", zipfile.ZIP_DEFLATED) as archive:
            archive.writestr(zipfile.ZipInfo("TOOLS.TXT"), "tools" * 5000, zipfile.ZIP_DEFLATED)
        sha256 = hashlib.sha256((tmp_path / "tools.zip").read_bytes()).hexdigest()
        found.manifest.write_text(MANIFEST.format(folder=tmp_path, sha256=sha256))
        return found

    with evening() as first:
        first.get("/tools?wait")
    with evening() as second:
        assert second.listening.offers[0].bytes_to_send == 25_000
        (remark,) = (notice for notice in second.listening.notices if notice.item == "tools")
    assert "25.0 KB instead of the archive's" in remark.message


def test_a_shape_that_was_asked_for_is_not_the_machines_lack(tmp_path: Path) -> None:
    """The machine opens ZIP; the archive is sent as LHA, larger, because the user said so."""
    found = Evening(tmp_path, shapes=("lha",))
    with zipfile.ZipFile(tmp_path / "tools.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr(zipfile.ZipInfo("TOOLS.TXT"), "tools" * 5000, zipfile.ZIP_DEFLATED)
    sha256 = hashlib.sha256((tmp_path / "tools.zip").read_bytes()).hexdigest()
    found.manifest.write_text(MANIFEST.format(folder=tmp_path, sha256=sha256))
    run("fetch", found.manifest, "--cache", tmp_path / "cache")
    with found as evening:
        (remark,) = (notice for notice in evening.listening.notices if notice.item == "tools")
    assert remark.message.endswith(": --as asked for it")
    assert "cannot use it" not in remark.message


def test_the_page_shows_its_own_disc_and_the_line(tmp_path: Path) -> None:
    """The newest build of this manifest, not that of another one beside it; SLIP as the sheet writes it."""
    path = recipe(tmp_path)
    other = tmp_path / "other.toml"
    head, first = path.read_text().split("[[item]]")[:2]
    other.write_text(
        f'{head.replace("format = 1", "format = 1" + chr(10) + "bring_up = []")}[[item]]{first}place = "burn"'
    )
    ran = run("prepare", other, "--out", tmp_path / "disc", "--cache", tmp_path / "cache", "--json")
    assert ran.code == 0, ran.out
    with Evening(tmp_path) as evening:
        page = evening.get("/")[2].decode()
    assert "Build" not in page
    assert "57600 8N1, SLIP, MTU" in page


def test_a_taken_port_is_said(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        evening = Evening(tmp_path)
        evening.wish = Wish(f"127.0.0.1:{taken.getsockname()[1]}")
        with pytest.raises(UsageError, match="cannot listen") as error, evening:
            pass
        assert "another port" in error.value.hint


def test_events_are_json_lines(tmp_path: Path) -> None:
    with Evening(tmp_path) as evening:
        evening.get("/tools.zip?wait")
        wait_until(lambda: len(evening.events) == 2)
    lines = [json.loads(json.dumps(document(event))) for event in [*evening.events, *evening.result]]
    assert [line["event"] for line in lines] == ["listening", "transfer", "ended"]
    assert lines[0]["addresses"][0]["who"] == "only this computer"
    assert lines[1]["item"] == "tools"
    for event in [*evening.events, *evening.result]:
        assert all(len(line) <= 100 for line in text(event).splitlines() if "/tmp" not in line)


# ---------------------------------------------------------------------------------------------- addresses


@pytest.mark.parametrize(
    ("bind", "found"),
    [("192.0.2.10:8080", ("192.0.2.10", 8080)), ("[::1]:80", ("::1", 80)), ("0.0.0.0:0", ("0.0.0.0", 0))],
)
def test_bind_is_read(bind: str, found: tuple[str, int]) -> None:
    assert parse_bind(bind) == found


@pytest.mark.parametrize("bind", ["", "8080", "host:80", "192.0.2.1", "192.0.2.1:99999", "192.0.2.1:-1", "::1"])
def test_a_wrong_bind_shows_how(bind: str) -> None:
    with pytest.raises(UsageError, match="ADDRESS:PORT") as error:
        parse_bind(bind)
    assert "127.0.0.1" in error.value.hint


@pytest.mark.parametrize(
    ("address", "who", "public"),
    [
        ("127.0.0.1", "only this computer", False),
        ("10.1.2.3", "machines on the same network", False),
        ("192.168.1.5", "machines on the same network", False),
        ("100.64.0.1", "machines on the same network", False),
        ("169.254.1.1", "machines on the same cable", False),
        ("172.15.0.1", "anyone on the Internet who can route to it", True),
        ("fe80::1", "machines on the same cable", False),
        ("fd00::1", "machines on the same network", False),
        ("2a00::1", "anyone on the Internet who can route to it", True),
    ],
)
def test_who_can_reach_an_address(address: str, who: str, public: bool) -> None:
    """By the IANA special-purpose address registries: RFC 1918, 3927, 4193, 4291, 6598."""
    (found,) = reachable(address, 80)
    assert (found.who, found.public) == (who, public)


def test_every_address_behind_the_unspecified_one() -> None:
    own = tuple(map(ipaddress.ip_address, ("127.0.0.1", "192.168.1.5", "172.32.0.1", "fd00::1")))
    assert [a.address for a in reachable("0.0.0.0", 8080, own)] == ["127.0.0.1", "192.168.1.5", "172.32.0.1"]
    assert [a.url for a in reachable("::", 80, own)][-1] == "http://[fd00::1]/"


# ------------------------------------------------------------------------------------------------- signals

DRIVER = """
import sys
from pathlib import Path
from types import SimpleNamespace
from discprep.job import decided
from discprep.job.serve import Wish, serve
from discprep.model import Silent
from serve.test_job import plan_of
decided.planned = lambda *_: SimpleNamespace(plan=plan_of())
ended = serve(Path(sys.argv[1]), Wish("127.0.0.1:0"), cache=Path(sys.argv[2]),
              tell=lambda event: print(getattr(event, "addresses", [event])[0], flush=True), progress=Silent())
print(ended, flush=True)
"""


def test_signals_end_it(tmp_path: Path) -> None:
    """The first lets a running transfer end, the second ends at once; a termination signal counts as well."""
    (tmp_path / "tools.zip").write_bytes(b"")
    manifest = recipe(tmp_path)
    with zipfile.ZipFile(tmp_path / "tools.zip", "w") as archive:
        archive.writestr(zipfile.ZipInfo("BIG.DAT"), os.urandom(2_000_000))
    sha256 = hashlib.sha256((tmp_path / "tools.zip").read_bytes()).hexdigest()
    manifest.write_text(MANIFEST.format(folder=tmp_path, sha256=sha256))
    root = Path(__file__).resolve().parents[2]
    environment = {**os.environ, "PYTHONPATH": f"{root}:{root / 'tests'}"}
    for sent in ([signal.SIGTERM], [signal.SIGINT, signal.SIGINT]):
        words = [sys.executable, "-c", DRIVER, str(manifest), str(tmp_path / "cache")]
        process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True, env=environment)
        assert process.stdout
        port = int(process.stdout.readline().split("port=")[1].split(",")[0])
        with socket.create_connection(("127.0.0.1", port), 30) as sock:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 65_536)
            sock.sendall(b"GET /tools.zip?wait HTTP/1.0\r\n\r\n")
            got = len(sock.recv(1000))
            for number in sent:
                process.send_signal(number)
                threading.Event().wait(0.3)
            while chunk := sock.recv(65_536):
                got += len(chunk)
        said = process.communicate(timeout=120)[0]
        whole = got > 2_000_000
        assert whole == (len(sent) == 1)
        assert f"broken_off={not whole}" in said


def test_a_missing_library_for_ftp_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name of None in `sys.modules` makes an import fail (Python's import system, 5.3.1)."""
    monkeypatch.setitem(sys.modules, "discprep.serve.ftp", None)
    with pytest.raises(UsageError, match="pyftpdlib") as caught, Evening(tmp_path, ftp="127.0.0.1:0"):
        pass
    assert "discprep[ftp]" in caught.value.hint


def test_what_ppp_agrees_on_is_not_taken_for_known(tmp_path: Path) -> None:
    """Where nothing is agreed on all 32 controls are escaped (RFC 1662 7.1): 34 of 256 random bytes instead of 2, and
    headers are whole. Who writes it into the manifest hears no more of it."""
    from discprep.manifest import load_manifest

    manifest = load_manifest(recipe(tmp_path), settings={"link.protocol": "ppp", "link.mtu": "1500"})
    (told,) = left_open(manifest)
    # By hand: 1460 * 290/256 = 1654, a header of 40 and its escapes 45, the frame 10; over 1460 * 258/256 = 1471, 5, 4.
    assert "takes 16% longer" in told.message
    said = {"accm": "0", "field_compression": "true", "header_compression": "true", "protocol": "ppp"}
    settings = {f"link.{key}": value for key, value in said.items()}
    assert not list(left_open(load_manifest(recipe(tmp_path), settings=settings)))
    assert not list(left_open(load_manifest(recipe(tmp_path))))
