"""A server that speaks OPC UA, as a plan describes it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from ovenwright.domain.sources.described import DescribedSource, KeyPath
from ovenwright.domain.strict import PositiveFloat, Strict

OpcUaUnit = Literal["degC", "degF", "K", "mV", "ohm", "signal"]


class OpcUaNode(Strict):
    """One variable of the server and the channel it feeds."""

    node: Annotated[str, Field(pattern=r"^(ns=\d+;|nsu=[^;]+;)?[isgb]=.+$")]
    """Node as the standard writes it: ``ns=2;s=Oven3.Core1``, or ``nsu=`` with the namespace's own URI."""
    channel: str = Field(min_length=1)
    """The plan's channel this variable feeds."""
    unit: OpcUaUnit | None = None
    """Unit of the value; left out, the server's own engineering unit counts, else degC."""
    module: str = ""
    """The gateway or input block, where several share one server."""
    reference_node: Annotated[str, Field(pattern=r"^((ns=\d+;|nsu=[^;]+;)?[isgb]=.+)?$")] = ""
    """Variable with the reference-junction temperature in °C, for a value in millivolts."""
    index: Annotated[int, Field(ge=0, le=65_535)] | None = None
    """Place in the list, where the variable holds a list of values."""


class OpcUaSource(DescribedSource):
    """Variables of a server that speaks OPC UA."""

    kind: Literal["opcua"]
    """"opcua": variables of an OPC UA server."""
    url: Annotated[str, Field(pattern=r"^opc\.tcp://[^@\s]+$")]
    """Address of the server, such as ``opc.tcp://192.168.1.20:4840``; never with a password in it."""
    security: Literal["none", "sign", "sign-and-encrypt"] = "none"
    """Protection of the link; "none" lets anyone on the network read and change what passes."""
    policy: Literal[
        "Basic256Sha256",
        "Aes128_Sha256_RsaOaep",
        "Aes256_Sha256_RsaPss",
        "Aes128Sha256RsaOaep",
        "Aes256Sha256RsaPss",
    ] = "Basic256Sha256"
    """Security policy, by the name the standard gives it, with its underscores or without; used unless ``security`` is "none"."""
    certificate_file: str = ""
    """This computer's own certificate, DER or PEM; the server's keeper has to trust it."""
    key_file: str = ""
    """Private key of that certificate, DER or PEM."""
    key_password_env: str = ""
    """Environment variable with the password of the key file; never the password itself."""
    server_certificate_file: str = ""
    """Certificate the server must show; left out, the one it shows at each connection is taken."""
    user: str = ""
    """User name at the server; left out, the session is anonymous."""
    password_env: str = ""
    """Environment variable with the password; never the password itself."""
    time: Literal["source", "server", "received"] = "source"
    """Which time stamps a reading: the sensor's side, the server's, or the moment it came here."""
    publish_s: PositiveFloat = 0.25
    """How often the server sends what it has gathered."""
    sample_s: Annotated[float, Field(ge=0, allow_inf_nan=False)] = 0.0
    """How often the server looks at a variable; 0 is as fast as it can."""
    keep: Annotated[int, Field(ge=1, le=100_000)] = 4_000
    """Readings the server is asked to keep for each variable while the link is down."""
    keep_s: Annotated[float, Field(ge=10, le=86_400)] = 600.0
    """How long the server is asked to keep the session while the link is down."""
    timeout_s: PositiveFloat = 5.0
    """Longest wait for an answer."""
    late_after_s: PositiveFloat = 5.0
    """A reading older than this when it comes counts as delivered late."""
    module: str = ""
    """Name of the module, where the nodes name none."""
    nodes: tuple[OpcUaNode, ...] = Field(min_length=1)
    """The variables to read, one table each."""

    @model_validator(mode="after")
    def _keys_for_security(self) -> OpcUaSource:
        if self.security != "none" and not (self.certificate_file and self.key_file):
            raise ValueError(
                f"security {self.security!r} needs certificate_file and key_file of this computer"
            )
        if self.password_env and not self.user:
            raise ValueError("password_env needs user")
        return self

    def fed(self) -> tuple[tuple[KeyPath, str], ...]:
        """Return the plan's channels this server feeds, each with the key that says so."""
        return tuple((("nodes", i, "channel"), n.channel) for i, n in enumerate(self.nodes))
