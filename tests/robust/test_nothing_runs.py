"""Neither a manifest nor a machine profile starts a program on this computer; Python's audit events are the witness."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

from support.bench_set import MACHINES, usual

WITNESS = """
import json, sys
started = []
EVENTS = ("subprocess.Popen", "os.system", "os.exec", "os.posix_spawn", "os.startfile", "os.fork", "os.forkpty")
def hook(event, values):
    if event in EVENTS:
        started.append([event, str(values[0]) if values else ""])
sys.addaudithook(hook)
from discprep.cli import main
try:
    main(sys.argv[2:])
finally:
    with open(sys.argv[1], "w") as file:
        json.dump(started, file)
"""


def test_a_profile_full_of_commands_starts_nothing(tmp_path: Path) -> None:
    """Every template of the profile and the manifest's texts hold commands of this computer; only our own decoding
    workers (this Python) are started, and the commands come out as plain text in the scripts."""
    bench = usual(tmp_path)
    profile = (MACHINES / "catalogue-desk.toml").read_text()
    trap = "touch owned"
    profile = (
        profile.replace('"copy ', f'"{trap} & copy ')
        .replace('"md ', f'"$({trap}) md ')
        .replace('"rem ', f'"`{trap}` rem ')
    )
    assert profile.count(trap) >= 2
    (tmp_path / "trap.toml").write_text(profile)
    text = bench.manifest.read_text().replace(str(MACHINES / "catalogue-desk.toml"), "trap.toml")
    bench.manifest.write_text(text.replace('title = "A test disc"', f"title = 'x; {trap}'"))
    log = tmp_path / "started.json"
    words = ["prepare", str(bench.manifest), "--out", str(bench.out), *map(str, bench.words), "-q"]
    subprocess.run(
        [sys.executable, "-c", WITNESS, str(log), *words], cwd=tmp_path, check=True, stdout=subprocess.DEVNULL
    )
    started = json.loads(log.read_text())
    assert {path for event, path in started if event != "os.fork"} <= {sys.executable}
    assert not (tmp_path / "owned").exists()
    assert trap.encode() in bench.image().read_bytes()
