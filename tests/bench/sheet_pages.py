"""Opens the bench sheet in a browser: pictures at 1280 and 400 pixels, the printed pages, and an accessibility check.

    python tests/bench/sheet_pages.py OUT [AXE.min.js] [SHEET.html]

OUT gets wide.png, narrow.png, sheet.pdf and page-N.png, grey as a printer makes it, to look at; printed is how far the
page is wider than its window, 0 or the exit code is 1. With AXE (axe-core from npm) its findings are
printed; the exit code is 1 when one is serious or critical. Without SHEET the sheet of the tests is taken.
"""

import json
import subprocess
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-sync",
    "--disable-background-networking", "--disable-component-update", "--allow-file-access-from-files",
)  # fmt: skip
MEASURE = """<script>addEventListener("load", () => {
  const page = document.querySelector("iframe").contentDocument.documentElement;
  document.body.append("@" + "@" + (page.scrollWidth - page.clientWidth) + "@" + "@");
})</script>"""
RUN = (
    "axe.run().then(r => { document.body.textContent = "
    "'@@' + r.passes.length + '@@' + JSON.stringify(r.violations) + '@@'; })"
)


def browser(out: Path, *words: str) -> str:
    return subprocess.run(
        ["chromium", *FLAGS, f"--user-data-dir={out / 'user'}", *words], capture_output=True, text=True, timeout=120
    ).stdout


def pictures(out: Path, page: Path) -> None:
    frame = out / "frame.html"  # a browser window cannot be 400 pixels wide everywhere, a frame can
    frame.write_text(
        f'<!DOCTYPE html><title>f</title><iframe src="{page.as_uri()}" width="400" height="9000"></iframe>{MEASURE}'
    )
    browser(out, "--window-size=1280,7000", f"--screenshot={out / 'wide.png'}", page.as_uri())
    browser(out, "--window-size=430,9050", f"--screenshot={out / 'narrow.png'}", frame.as_uri())
    browser(out, "--no-pdf-header-footer", f"--print-to-pdf={out / 'sheet.pdf'}", page.as_uri())
    subprocess.run(["pdftoppm", "-r", "70", "-gray", "-png", str(out / "sheet.pdf"), str(out / "page")], check=True)


def beyond(out: Path, page: Path) -> int:
    """By how many pixels the page is wider than a window of 400; the pictures come along."""
    pictures(out, page)
    shown = browser(out, "--virtual-time-budget=10000", "--dump-dom", (out / "frame.html").as_uri())
    narrow = int(shown.split("@@")[1])
    print(f"{narrow} pixels beyond a window of 400")
    return narrow


def accessibility(out: Path, page: Path, axe: Path) -> int:
    copy = out / "with-axe.html"
    script = f"<script>{axe.read_text(encoding='utf-8')}</script><script>{RUN}</script></body>"
    copy.write_text(page.read_text(encoding="utf-8").replace("</body>", script), encoding="utf-8")
    shown = browser(out, "--virtual-time-budget=30000", "--dump-dom", copy.as_uri())
    _, passed, violations, _ = shown.split("@@")
    found = json.loads(violations.replace("&amp;", "&").replace("&lt;", "<").replace("&gt;", ">"))
    for finding in found:
        print(f"{finding['impact']}: {finding['id']}: {finding['help']} ({len(finding['nodes'])} places)")
        for node in finding["nodes"][:3]:
            print("   ", node["html"][:150])
    print(f"{passed} rules passed, {len(found)} findings")
    return int(any(finding["impact"] in ("serious", "critical") for finding in found))


def main(out: Path, axe: Path | None = None, page: Path | None = None) -> int:
    out.mkdir(parents=True, exist_ok=True)
    if page is None:
        from support import bench

        from discprep.report.sheet import html

        page = out / "sheet.html"
        page.write_text(html(bench.facts(out)), encoding="utf-8")
    wrong = beyond(out, page.resolve()) > 0
    return int(wrong or bool(axe and accessibility(out, page, axe)))


if __name__ == "__main__":
    sys.exit(main(*map(Path, sys.argv[1:])))
