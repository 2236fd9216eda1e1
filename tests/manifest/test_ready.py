"""Every manifest and profile in manifests/ loads, and can be planned from its sizes before anything is fetched."""

from pathlib import Path

import pytest
from support.command import run

from discprep.manifest import load_manifest, load_profile

PLACE = Path(__file__).resolve().parents[2] / "manifests"


@pytest.mark.parametrize("path", sorted(PLACE.glob("*.toml")), ids=lambda path: path.stem)
def test_a_ready_manifest(path: Path, tmp_path: Path) -> None:
    manifest = load_manifest(path)
    assert manifest.link and manifest.link.rate_bit_s and len(manifest.items) > 5
    planned = run("plan", path, "--cache", tmp_path, "--json").document
    assert planned["optimal"] and {item["place"] for item in planned["items"]} <= {"burn", "later"}


@pytest.mark.parametrize("path", sorted((PLACE / "machines").glob("*.toml")), ids=lambda path: path.stem)
def test_a_ready_profile(path: Path) -> None:
    profile = load_profile(path)
    assert profile and profile.shell and profile.volumes and profile.assumed
