"""The main job against the pipeline of general-purpose C tools that does the same by hand, in one run.

    .venv/bin/python tests/bench/main_job.py [FOLDER] [RUNS]

Both fetch the same 90 archives from nginx on loopback. The pipeline: curl --parallel (4 at once), sha256sum -c,
lhasa t and lhasa x, unzip, tar, genisoimage. Printed: the median wall times and their ratios, pair by pair.
"""

from __future__ import annotations

import re
import shutil
import statistics
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
import collection
from installed import environment

PORT = 8_765
NGINX = """daemon off; pid {folder}/nginx.pid; error_log /dev/null; worker_processes 1; user root;
events {{}} http {{ access_log off; sendfile on; client_body_temp_path {folder}/t1; proxy_temp_path {folder}/t2;
fastcgi_temp_path {folder}/t3; uwsgi_temp_path {folder}/t4; scgi_temp_path {folder}/t5;
server {{ listen 127.0.0.1:{port}; root {folder}/site; }} }}
"""
PIPELINE = """
set -e
rm -rf "$1/by-hand" && mkdir "$1/by-hand" && cd "$1/by-hand"
curl --silent --no-progress-meter --fail --parallel --parallel-max 4 --config "$1/curl.txt"
sha256sum --quiet -c "$1/sums.txt"
mkdir tree
for archive in *.lha; do
    lhasa t "$archive" >/dev/null
    mkdir "tree/${archive%%.*}"
    lhasa xqw="tree/${archive%%.*}" "$archive" >/dev/null
done
for archive in *.zip; do unzip -q -d "tree/${archive%%.*}" "$archive"; done
for archive in *.tar.gz; do mkdir "tree/${archive%%.*}"; tar -C "tree/${archive%%.*}" -xzf "$archive"; done
genisoimage -quiet -l -J -R -pad -o disc.iso tree
"""


def timed(work: Callable[[], object]) -> float:
    started = time.perf_counter()
    work()
    return time.perf_counter() - started


def write_lists(folder: Path) -> None:
    """What curl fetches and what sha256sum expects, both from the manifest."""
    manifest = (folder / "all.toml").read_text()
    pairs = re.findall(r'sources = \["([^"]+)"\]\nsize = \d+\nsha256 = "([^"]+)"', manifest)
    (folder / "curl.txt").write_text("".join(f'url = "{url}"\nremote-name\n' for url, _ in pairs))
    (folder / "sums.txt").write_text("".join(f"{digest}  {url.rsplit('/')[-1]}\n" for url, digest in pairs))


def prepare(folder: Path) -> None:
    command = [sys.executable, "-m", "discprep", "prepare", folder / "all.toml", "--out", folder / "disc"]
    subprocess.run(
        [*map(str, command), "--cache", str(folder / "cache"), "--quiet"],
        check=True,
        stdout=subprocess.DEVNULL,
        env=environment(folder / "compiled"),
    )


def clean(folder: Path) -> None:
    for name in ("cache", "disc"):
        shutil.rmtree(folder / name, ignore_errors=True)
    (folder / "all.pins.toml").unlink(missing_ok=True)


def main() -> None:
    folder = Path(sys.argv[1] if len(sys.argv) > 1 else "/tmp/discprep-bench").absolute()
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    folder.mkdir(parents=True, exist_ok=True)
    manifest = collection.make(folder, f"http://127.0.0.1:{PORT}")
    text = manifest.read_text()
    write_lists(folder)
    (folder / "nginx.conf").write_text(NGINX.format(folder=folder, port=PORT))
    server = subprocess.Popen(
        [shutil.which("nginx", path="/usr/sbin:/usr/bin") or "nginx", "-c", str(folder / "nginx.conf")]
    )
    time.sleep(0.5)
    rows: list[tuple[float, float, float, float]] = []
    try:
        for run in range(runs + 1):
            manifest.write_text(text)
            clean(folder)
            by_hand = timed(lambda: subprocess.run(["sh", "-c", PIPELINE, "sh", str(folder)], check=True))
            first = timed(lambda: prepare(folder))
            second = timed(lambda: prepare(folder))
            manifest.write_text(
                text.replace('volume = "FIRSTDISC"', "").replace('kind = "cd-74"', 'kind = "cd-74"\nvolume = "OTHER"')
            )
            changed = timed(lambda: prepare(folder))
            print(
                f"pipeline {by_hand:.2f} s  prepare {first:.2f} s  "
                f"again {second:.2f} s  one setting changed {changed:.2f} s" + (" (warm-up)" if not run else ""),
                flush=True,
            )
            rows += [(by_hand, first, second, changed)] if run else []
    finally:
        manifest.write_text(text)
        server.terminate()
    for name, column, goal in (("first run", 1, 0.8), ("nothing changed", 2, 0.15), ("one setting changed", 3, 0.35)):
        ratio = statistics.median(row[column] / row[0] for row in rows)
        print(f"{name:<22}{ratio:.3f} times the pipeline (goal {goal})")


if __name__ == "__main__":
    main()
