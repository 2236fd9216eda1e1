"""Certificates made by openssl for servers on loopback: a good one, one for another name, one long expired."""

from __future__ import annotations

import ssl
import subprocess
from pathlib import Path

from support.programs import program


def make(folder: Path, name: str, *, expired: bool = False) -> Path:
    """A self-signed certificate for `name` with its key, in one PEM file."""
    path, key, request = folder / f"{name}.pem", folder / f"{name}.key", folder / f"{name}.csr"
    openssl = program("openssl")
    alternative = f"IP:{name}" if name[0].isdigit() else f"DNS:{name}"
    made = ["-newkey", "rsa:2048", "-nodes", "-keyout", key, "-subj", f"/CN={name}"]
    _run(openssl, "req", "-new", *made, "-out", request)
    extension = folder / "extension"
    extension.write_text(f"subjectAltName={alternative}\nbasicConstraints=critical,CA:TRUE\n")
    if expired:
        _old(openssl, folder, request, key, extension, path)
    else:
        dates = ["-days", "2", "-extfile", extension]
        _run(openssl, "x509", "-req", "-in", request, "-signkey", key, *dates, "-out", path)
    path.write_bytes(path.read_bytes() + key.read_bytes())
    return path


def _old(openssl: str, folder: Path, request: Path, key: Path, extension: Path, path: Path) -> None:
    """`openssl ca` alone sets a past date on every version."""
    (folder / "index.txt").write_text("")
    (folder / "serial").write_text("01\n")
    config = folder / "ca.cnf"
    config.write_text(
        f"[ca]\ndefault_ca=own\n[own]\ndatabase={folder}/index.txt\nserial={folder}/serial\nnew_certs_dir={folder}\n"
        "default_md=sha256\npolicy=any\n[any]\ncommonName=supplied\n"
    )
    dates = ["-startdate", "19960101000000Z", "-enddate", "19970101000000Z"]
    _run(
        openssl, "ca", "-batch", "-config", config, "-selfsign", "-keyfile", key, "-in", request, "-notext",
        "-extfile", extension, *dates, "-out", path,
    )  # fmt: skip


def _run(*words: object) -> None:
    subprocess.run([str(word) for word in words], check=True, capture_output=True, timeout=60)


def context(path: Path) -> ssl.SSLContext:
    """For a server that shows this certificate."""
    made = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    made.load_cert_chain(path)
    return made
