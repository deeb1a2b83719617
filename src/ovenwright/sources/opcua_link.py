"""How an OPC UA server is reached: address, security, user, and what no waiting can mend."""

from __future__ import annotations

import logging
import struct
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from asyncua import ua
from asyncua.client.client import Client
from asyncua.common.node import Node
from asyncua.crypto import security_policies, uacrypto
from asyncua.ua.attribute_ids import AttributeIds
from asyncua.ua.status_codes import StatusCodes
from asyncua.ua.uaerrors import UaError, UaStatusCodeError
from cryptography import x509
from cryptography.hazmat.primitives.serialization import Encoding

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
        "the server denies this user or password what is asked",
        "check user and the variable that password_env names; the user needs the right to read",
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
    StatusCodes.BadSecurityModeRejected: (
        "the server does not offer this kind of protection",
        'give security = "sign-and-encrypt" with a certificate, or another kind that it offers',
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
    pinned = _file(folder, server, plan.url) if server else None
    try:
        if pinned is not None:
            await _compare(client, plan, pinned)
        client.application_uri = _application_uri(await uacrypto.load_certificate(own))
        await client.set_security(
            getattr(security_policies, f"SecurityPolicy{plan.policy.replace('_', '')}"),
            str(own),
            str(key),
            private_key_password=password,
            server_certificate=None if pinned is None else str(pinned),
            mode=_MODES[plan.security],
        )
    except (ValueError, TypeError) as cause:
        raise InstrumentTrouble(
            f"certificate or key can't be used: {cause}",
            where=plan.url,
            remedy="expected DER or PEM, and the password of the key where it has one",
        ) from cause


async def _compare(client: Client, plan: OpcUaSource, pinned: Path) -> None:
    """Hold the certificate the server shows against the one the plan names.

    Raises
    ------
    InstrumentTrouble : if it is another
    """
    wanted = (await uacrypto.load_certificate(pinned)).public_bytes(Encoding.DER)
    offers = await client.connect_and_get_server_endpoints()
    # a chain begins with the server's own
    shown = [o.ServerCertificate for o in offers if o.SecurityMode == _MODES[plan.security]]
    if shown and not any(s is not None and s.startswith(wanted) for s in shown):
        raise InstrumentTrouble(
            "the server shows another certificate than the plan's server_certificate_file",
            where=plan.url,
            remedy="find out why before trusting it; then put the new certificate in the plan",
        )


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
        raise


def watch_request(
    node: Node, *, handle: int, sample_s: float, keep: int, filtered: bool = True
) -> ua.MonitoredItemCreateRequest:
    """Return the request to watch a value.

    Parameters
    ----------
    node : the variable
    handle : our own number for it, unlike any other of the subscription
    sample_s : how often the server is to look, 0 as fast as it can
    keep : values the server is to keep until they are sent
    filtered : count a new timestamp as news even where the value is the same: a steady channel must
        not look like a dead one
    """
    asked = ua.MonitoringParameters()
    asked.ClientHandle = ua.UInt32(handle)
    asked.SamplingInterval = ua.Double(sample_s * 1000.0)
    asked.QueueSize = ua.UInt32(keep)
    asked.DiscardOldest = True
    if filtered:
        asked.Filter = ua.DataChangeFilter(Trigger=ua.DataChangeTrigger.StatusValueTimestamp)
    wish = ua.MonitoredItemCreateRequest()
    wish.ItemToMonitor.NodeId = node.nodeid
    wish.ItemToMonitor.AttributeId = AttributeIds.Value
    wish.MonitoringMode = ua.MonitoringMode.Reporting
    wish.RequestedParameters = asked
    return wish


# the library asserts, and struct complains, where a server breaks off or answers with an error it
# does not expect at that point: a refused certificate ends so with some servers
LINK_TROUBLE = (OSError, TimeoutError, UaError, AssertionError, struct.error)
"""What waiting may mend; ``ConnectionError`` and the library's time-outs are among them."""


def why(cause: BaseException, plan: OpcUaSource, *, greeted: bool) -> str:
    """Return the cause of a failed connection in a few words, with a hint where there is one."""
    if isinstance(cause, ConnectionRefusedError):
        return "nothing listens there"
    if isinstance(cause, TimeoutError):
        text = "no answer in time"
    else:
        text = " ".join(str(cause).split())[:160] or "it broke off"
    if plan.security != "none" and not greeted:
        return f"{text}; has the server's keeper trusted {Path(plan.certificate_file).name}?"
    return text
