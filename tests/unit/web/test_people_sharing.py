"""Sharing on a network: refused without accounts, encrypted when asked, loud when not."""

import datetime as dt
import ipaddress
import json
import os
import ssl
import subprocess
import sys
from pathlib import Path
from urllib.request import urlopen

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec

from ovenwright.compose import build
from ovenwright.config import load
from ovenwright.domain.people import Role
from ovenwright.errors import UsageError
from ovenwright.web.serve_command import check_sharing, check_tls, listen
from ovenwright.web.site import Site
from ovenwright.workflow import people as keeping

PROGRAM = str(Path(sys.executable).with_name("ovenwright"))
OWNER = keeping.By("tests", Role.ENGINEER)
WORD = "four words make one"


def certificate(folder: Path, name: str) -> tuple[Path, Path]:
    key = ec.generate_private_key(ec.SECP256R1())
    title = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, name)])
    now = dt.datetime.now(dt.UTC)  # noqa: TID251 - a certificate is good for a time
    made = (
        x509.CertificateBuilder()
        .subject_name(title)
        .issuer_name(title)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - dt.timedelta(minutes=1))
        .not_valid_after(now + dt.timedelta(hours=1))
        .add_extension(
            x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False
        )
        .sign(key, hashes.SHA256())
    )
    cert, private = folder / f"{name}.crt", folder / f"{name}.key"
    cert.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    private.write_bytes(
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        )
    )
    return cert, private


def test_certificate_and_key_must_fit(tmp_path: Path) -> None:
    cert, key = certificate(tmp_path, "one")
    _, other = certificate(tmp_path, "two")
    assert check_tls(None, None) is False
    assert check_tls(cert, key) is True
    for wrong in ((cert, None), (None, key), (cert, other), (key, key), (cert, tmp_path / "none")):
        with pytest.raises(UsageError):
            check_tls(*wrong)


def test_a_key_with_a_password_is_refused_and_asks_nobody(tmp_path: Path) -> None:
    cert, key = certificate(tmp_path, "one")
    private = serialization.load_pem_private_key(key.read_bytes(), None)
    key.write_bytes(
        private.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.BestAvailableEncryption(b"x"),
        )
    )
    with pytest.raises(UsageError, match="can't be used"):
        check_tls(cert, key)


def test_sharing_needs_somebody_who_may_sign_in(site: Site) -> None:
    people = site.tools.people
    with pytest.raises(UsageError, match="nobody has an account"):
        check_sharing(people)
    keeping.add_account(people, OWNER, "erin", role="engineer", password=WORD, own=True)
    check_sharing(people)


@pytest.mark.parametrize("port", [-1, 65536])
def test_ports_that_are_none(port: int) -> None:
    with pytest.raises(UsageError, match="no port"):
        listen("127.0.0.1", port)


def serve(folder: Path, *words: str) -> subprocess.Popen[str]:
    env = {k: v for k, v in os.environ.items() if not k.startswith("OVENWRIGHT_")}
    return subprocess.Popen(
        [PROGRAM, "serve", "--port", "0", "--no-open", "--json", "--logbook", "book", *words],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=folder,
        env=env,
    )


def test_sharing_without_accounts_ends_before_it_begins(tmp_path: Path) -> None:
    done = serve(tmp_path, "--share", "127.0.0.1")
    out, said = done.communicate(timeout=60)
    assert done.returncode == 2
    assert json.loads(out)["where"] == "--share"
    assert "ovenwright people add" in said


@pytest.mark.slow
@pytest.mark.parametrize("secure", [True, False])
def test_shared_server_answers_with_nobody_in(tmp_path: Path, secure: bool) -> None:
    people = build(load({"logbook": str(tmp_path / "book")}, env={})).people
    keeping.add_account(people, OWNER, "erin", role="engineer", password=WORD, own=True)
    cert, key = certificate(tmp_path, "one")
    words = ("--tls-cert", str(cert), "--tls-key", str(key)) if secure else ()
    server = serve(tmp_path, "--share", "0.0.0.0", *words)  # noqa: S104 - what is tested
    try:
        assert server.stdout is not None
        told = json.loads(server.stdout.readline())["url"].replace("0.0.0.0", "127.0.0.1")  # noqa: S104
        trust = ssl.create_default_context(cafile=str(cert)) if secure else None
        with urlopen(f"{told}api/health", context=trust, timeout=30) as answer:  # noqa: S310
            assert answer.status == 200
            assert ("strict-transport-security" in answer.headers) is secure
        from urllib.error import HTTPError

        with pytest.raises(HTTPError) as refused:
            urlopen(f"{told}api/jobs", context=trust, timeout=30)  # noqa: S310
        assert refused.value.code == 401
        refused.value.close()
    finally:
        server.terminate()
        _, said = server.communicate(timeout=30)
    assert ("WARNING: shared without encryption" in said) is not secure
