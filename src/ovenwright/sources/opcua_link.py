"""How an OPC UA server is reached: address, security, user, and what no waiting can mend."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from asyncua import ua
from asyncua.client.client import Client
from asyncua.crypto import security_policies, uacrypto
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError, UaStatusCodeError
from cryptography import x509

from ovenwright.domain.sources.opcua import OpcUaSource
from ovenwright.errors import InstrumentTrouble
from ovenwright.sources.secrets import read_secret

APPLICATION_URI = "urn:ovenwright:recorder"

_MODES = {
    "sign": ua.MessageSecurityMode.Sign,
    "sign-and-encrypt": ua.MessageSecurityMode.SignAndEncrypt,
}
# refusals that stay refusals, however long one waits (OPC 10000-4, 7.39.2)
_REFUSED: dict[int, tuple[str, str]] = {
    StatusCodes.BadIdentityTokenRejected: (
        "the server does not accept this user or password",
        "check user and the variable that password_env names",
    ),
    StatusCodes.BadIdentityTokenInvalid: (
        "the server does not accept this way of logging in",
        "give user and password_env, or leave both out",
    ),
    StatusCodes.BadUserAccessDenied: (
        "this user may not do that on the server",
        "ask the server's keeper for the right to read",
    ),
    StatusCodes.BadSecurityChecksFailed: (
        "the server refuses this computer's certificate",
        "have the server's keeper trust the certificate_file",
    ),
    StatusCodes.BadCertificateUntrusted: (
        "the server does not trust this computer's certificate",
        "have the server's keeper trust the certificate_file",
    ),
    StatusCodes.BadCertificateInvalid: (
        "the server finds this computer's certificate not valid",
        "make a new one, see the how-to on OPC UA",
    ),
    StatusCodes.BadCertificateUriInvalid: (
        "the certificate's application URI is not the one this computer gives",
        "make a new certificate, see the how-to on OPC UA",
    ),
    StatusCodes.BadCertificateTimeInvalid: (
        "a certificate is outside the time it is valid for",
        "check both clocks, or make a new certificate",
    ),
    StatusCodes.BadSecurityPolicyRejected: (
        "the server does not offer this security policy",
        "choose another policy, or have the server's keeper allow it",
    ),
}

# the library tells of every lost link on its own; here notices do
logging.getLogger("asyncua").addHandler(logging.NullHandler())


async def made_client(plan: OpcUaSource, folder: Path) -> Client:
    """Return a client set up as the plan says, not yet connected.

    Raises
    ------
    InstrumentTrouble : if a file is missing, or a certificate can't be used
    UsageError : if the variable with a password is not set
    OSError, TimeoutError : if the server has to be asked for its certificate and can't be reached
    """
    client = Client(plan.url, timeout=plan.timeout_s, watchdog_intervall=plan.timeout_s)
    client.name = client.description = "Ovenwright recorder"
    client.application_uri = client.product_uri = APPLICATION_URI
    client.session_timeout = int(plan.keep_s * 1000)
    if plan.user:
        client.set_user(plan.user)
        if plan.password_env:
            client.set_password(read_secret(plan.password_env))
    if plan.security != "none":
        await _secure(client, plan, folder)
    return client


async def _secure(client: Client, plan: OpcUaSource, folder: Path) -> None:
    own, key = (_file(folder, name, plan.url) for name in (plan.certificate_file, plan.key_file))
    server = plan.server_certificate_file
    password = read_secret(plan.key_password_env) if plan.key_password_env else None
    try:
        client.application_uri = _application_uri(await uacrypto.load_certificate(own))
        await client.set_security(
            getattr(security_policies, f"SecurityPolicy{plan.policy}"),
            str(own),
            str(key),
            private_key_password=password,
            server_certificate=str(_file(folder, server, plan.url)) if server else None,
            mode=_MODES[plan.security],
        )
    except (ValueError, TypeError) as cause:
        raise InstrumentTrouble(
            f"certificate or key can't be used: {cause}",
            where=plan.url,
            remedy="expected DER or PEM, and the password of the key where it has one",
        ) from cause


def _file(folder: Path, name: str, where: str) -> Path:
    found = folder / Path(name).expanduser()
    if not found.is_file():
        raise InstrumentTrouble(
            f"there is no file {name}", where=where, remedy="check the path in the plan"
        )
    return found


def _application_uri(certificate: x509.Certificate) -> str:
    """Return the URI a certificate was made for; the server compares it with what we give."""
    try:
        names = certificate.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return APPLICATION_URI
    found = names.get_values_for_type(x509.UniformResourceIdentifier)
    return str(found[0]) if found else APPLICATION_URI


@contextmanager
def told_apart(where: str) -> Iterator[None]:
    """Turn what no waiting can mend into our own error; let the rest pass.

    Raises
    ------
    InstrumentTrouble : for refusals of user, right, certificate, policy
    """
    try:
        yield
    except UaStatusCodeError as cause:
        refused = _REFUSED.get(cause.code)
        if refused is None:
            raise
        raise InstrumentTrouble(refused[0], where=where, remedy=refused[1]) from cause
    except UaError as cause:
        text = str(cause)
        if "No matching endpoints" in text:
            raise InstrumentTrouble(
                "the server does not offer this security and policy",
                where=where,
                remedy='try another policy, or security = "none" on a network of your own',
            ) from cause
        if "certificate mismatch" in text:
            raise InstrumentTrouble(
                "the server shows another certificate than the plan's server_certificate_file",
                where=where,
                remedy="find out why before trusting it; then put the new certificate in the plan",
            ) from cause
        raise


LINK_TROUBLE = (OSError, TimeoutError, UaError)
"""What waiting may mend; ``ConnectionError`` and the library's time-outs are among them."""
