"""TLS is always verified: names (RFC 6125), dates and issuers (RFC 5280)."""

from __future__ import annotations

from pathlib import Path

import pytest
from support.certificates import context, make
from support.fault_server import FaultServer, redirect
from support.fetching import DATA, fetch, item, objects, said, sha256


def _trust(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The variable by which requests takes a CA of the user's."""
    monkeypatch.setenv("REQUESTS_CA_BUNDLE", str(path))


def test_a_server_that_is_trusted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The counter-proof: with its certificate trusted the file comes."""
    certificate = make(tmp_path, "127.0.0.1")
    _trust(certificate, monkeypatch)
    with FaultServer(context(certificate), files={"/tools": DATA}) as server:
        report = fetch(tmp_path, item("tools", server.url("/tools")))
    assert said(report) == ""
    assert objects(tmp_path) == {sha256(DATA): DATA}


@pytest.mark.parametrize("case", ["another name", "expired", "unknown issuer"])
def test_a_server_that_is_not(case: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each: refused in words, no request sent, the next source asked."""
    name = "files.example" if case == "another name" else "127.0.0.1"
    certificate = make(tmp_path, name, expired=case == "expired")
    if case != "unknown issuer":
        _trust(certificate, monkeypatch)
    with FaultServer(context(certificate), files={"/tools": DATA}) as server:
        report = fetch(tmp_path, item("tools", server.url("/tools"), data=DATA))
        assert server.asked == []
    assert "its TLS certificate or connection cannot be trusted" in said(report)
    assert "nothing was taken" in said(report)
    assert objects(tmp_path) == {}


def test_a_redirect_to_a_server_that_is_not_trusted(tmp_path: Path) -> None:
    """Verified at every hop."""
    certificate = make(tmp_path, "127.0.0.1")
    with FaultServer(context(certificate), files={"/tools": DATA}) as there, FaultServer() as here:
        here.faults["/tools"] = redirect(there.url("/tools"))
        report = fetch(tmp_path, item("tools", here.url("/tools"), data=DATA))
    assert "cannot be trusted" in said(report)
