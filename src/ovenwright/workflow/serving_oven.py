"""The virtual oven served over real protocols, and the plan that records it."""

from __future__ import annotations

import json
import re
from importlib.resources import files
from pathlib import Path

from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.errors import StorageTrouble, UnknownName, UsageError
from ovenwright.virtual.scenario import Scenario
from ovenwright.virtual.serving.address import Address
from ovenwright.virtual.serving.frames import inputs_of, level_name
from ovenwright.virtual.serving.modbus_server import BATTERY, NO_READING, OPEN, REFERENCE, SIGNAL
from ovenwright.virtual.serving.mqtt_gateway import PREFIX
from ovenwright.virtual.serving.ready import scenario_named
from ovenwright.virtual.serving.serial_line import BAUD
from ovenwright.workflow.planning import checked_text

_PLANS = {
    "tin-bread": "ostrel-tin-bread",
    "tin-bread-sound": "ostrel-tin-bread",
    "tin-bread-fast": "ostrel-tin-bread",
    "survey": "ostrel-coatings-survey",
    "bracket-cure": "ostrel-bracket-cure",
    "touch-bench": "touch-bench",
    "touch-bench-swapped": "touch-bench",
    "touch-bench-faulty": "touch-bench",
    "ice-bath": "bath-bench",
    "boiling-bath": "bath-bench",
}


def plan_text_for(
    name: str,
    address: Address,
    library: ReferenceLibrary,
    *,
    speed: float = 1.0,
    password_env: str = "",
) -> str:
    """Return the text of a plan that records a scenario where it is served.

    Parameters
    ----------
    name : of the scenario
    address : where it is served; a channel is fed by one instrument only
    library : kinetics the plan's requirements may name
    speed : of serving; a Modbus instrument is asked that much more often
    password_env : variable with the password at the broker, where a user is given

    Raises
    ------
    UnknownName : if there is no such scenario
    UsageError : if a port is left to chance, so that no plan can name it
    """
    if name not in _PLANS:
        raise UnknownName("scenario", name, known=tuple(_PLANS))
    scenario = scenario_named(name)
    text = (files("ovenwright.data") / "demo" / f"{_PLANS[name]}.toml").read_text(encoding="utf-8")
    text = re.sub(r"(?m)^interval_s = .*$", f"interval_s = {scenario.interval_s!r}", text, count=1)
    whole = f"{text.rstrip()}\n\n{_table(address, scenario, speed, password_env)}\n"
    checked_text(whole, library, file=f"plan for {name}")
    return whole


def _table(address: Address, scenario: Scenario, speed: float, password_env: str) -> str:
    if address.scheme != "serial" and address.port == 0:
        raise UsageError(
            "a plan can't name a port that is left to chance",
            where=address.url,
            remedy="give the port a number",
        )
    if address.scheme == "modbus":
        return _modbus(address, scenario, speed)
    return (
        _serial(address, scenario)
        if address.scheme == "serial"
        else _mqtt(address, scenario, password_env)
    )


def _quoted(text: str) -> str:
    """Return a text as TOML writes it; its escapes are those of JSON."""
    return json.dumps(text, ensure_ascii=False)


def _keys(scenario: Scenario) -> str:
    return "\n".join(
        f'"{level_name(module)}/{number}" = "{channel}"'
        for module, channels in inputs_of(scenario).items()
        for number, channel in enumerate(channels, 1)
    )


def _mqtt(address: Address, scenario: Scenario, password_env: str) -> str:
    lines = [
        "# The virtual oven's gateway: one JSON message for each module and scan.",
        "[[instruments]]",
        'kind = "mqtt"',
        'name = "virtual oven"',
        f"host = {_quoted(address.host)}",
        f"port = {address.port}",
        f"topic = {_quoted((address.path or PREFIX) + '/{module}')}",
    ]
    if address.user:
        lines.append(f"user = {_quoted(address.user)}")
        if password_env:
            lines.append(f"password_env = {_quoted(password_env)}")
    if address.scheme == "mqtts":
        ca = f"ca_file = {_quoted(address.ca_file)}" if address.ca_file else ""
        lines.append(f"tls = {{ {ca} }}")
    return (
        "\n".join(lines)
        + f"""

[instruments.payload]
value = "inputs.{{channel}}"
time = "time"
unit_path = "unit"
reference = "junction"
sequence = "count"
late = "stored"
battery = "battery"
signal = "radio"
serial = "serial"

[instruments.channels]
{_keys(scenario)}"""
    )


def _modbus(address: Address, scenario: Scenario, speed: float) -> str:
    faults = f'[{{ code = {OPEN}, means = "open" }}, {{ code = {NO_READING}, means = "missing" }}]'
    rows = []
    for unit, (module, channels) in enumerate(inputs_of(scenario).items(), 1):

        def row(address: int, kind: str, more: str, unit: int = unit, module: str = module) -> str:
            return (
                f'  {{ address = {address}, type = "{kind}", function = "input", unit_id = {unit}, '
                f'module = "{level_name(module)}", {more} }},'
            )

        rows += [
            row(2 * i, "float32", f'channel = "{name}", faults = {faults}')
            for i, name in enumerate(channels)
        ]
        rows.append(row(REFERENCE, "float32", 'tells = "reference"'))
        rows.append(row(BATTERY, "uint16", 'tells = "battery", scale = 0.1'))
        rows.append(row(SIGNAL, "int16", 'tells = "signal", unit = "signal"'))
    order = '\nword_order = "little"' if address.little_words else ""
    # registers carry no stamps: what is read is stamped on arrival, so at another speed time shrinks
    return (
        "# The virtual oven's registers: every module is a unit, every input a float32.\n"
        "[[instruments]]\n"
        'kind = "modbus"\n'
        'name = "virtual oven"\n'
        f"host = {_quoted(address.host)}\n"
        f"port = {address.port}\n"
        f"interval_s = {scenario.interval_s / speed!r}{order}\n"
        "registers = [\n" + "\n".join(rows) + "\n]"
    )


def _serial(address: Address, scenario: Scenario) -> str:
    return f"""# The virtual oven's serial line: one line of text for each module and scan.
[[instruments]]
kind = "serial-text"
name = "virtual oven"
serial = {{ device = {_quoted(address.path)}, baud = {BAUD} }}

[instruments.text]
line = "{{time}};{{module}};{{sequence}};{{reference}};{{battery}};"
item = "{{channel}}={{value}}"
time_form = "iso"

[instruments.channels]
{_keys(scenario)}"""


def write_plan_beside(path: Path, text: str) -> None:
    """Write a plan to a new file; one that is there is left alone.

    Raises
    ------
    UsageError : if the file is there already
    StorageTrouble : if it can't be written
    """
    try:
        with path.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
    except FileExistsError as cause:
        raise UsageError(
            "this file is there already and was left alone",
            where=str(path),
            remedy="name another with --plan FILE",
        ) from cause
    except OSError as cause:
        raise StorageTrouble(
            f"the plan can't be written: {cause.strerror or cause}",
            where=str(path),
            remedy="check the folder and your rights to it",
        ) from cause
