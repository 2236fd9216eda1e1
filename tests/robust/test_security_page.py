"""The security page keeps its word: every test that it names is there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_every_named_test_exists() -> None:
    """Each row of the table names at least one `file::name`, and each of those is defined in its file."""
    page = (ROOT / "DEVELOPERS.md").read_text().partition("\n## Security\n")[2].partition("\n## ")[0]
    rows = [line for line in page.splitlines() if line.startswith("| ")][2:]
    assert len(rows) >= 15
    for row in rows:
        named = re.findall(r"`(tests/[\w/]+\.py)::(\w+)`", row)
        assert named, row
        for path, name in named:
            assert re.search(rf"^def {name}\(", (ROOT / path).read_text(), re.MULTILINE), (path, name)
