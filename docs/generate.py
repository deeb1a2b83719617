"""Write the pages of docs/reference that are made from declarations in the code.

Run: python docs/generate.py            writes the pages
     python docs/generate.py --check    only says which pages are out of date (exit 1)
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path

from ovenwright.analysis.reference import measures_page
from ovenwright.cli.main import VERBS, build_parser
from ovenwright.conditioning.reference import health_page
from ovenwright.config import ENV_PREFIX, TABLE
from ovenwright.domain.plan import Plan
from ovenwright.storage.reference_data import read_reference_library

FOLDER = Path(__file__).parent / "reference"
MADE = "<!-- made by docs/generate.py: do not edit by hand -->\n\n"


def command_line_page() -> str:
    """Return every verb's own help."""
    out = ["# Command line\n\n"]
    for verb in VERBS:
        parser = build_parser(verb.name, width=88)
        subs = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
        out.append(
            f"## ovenwright {verb.name}\n\n```text\n{subs.choices[verb.name].format_help()}```\n\n"
        )
    return "".join(out)


def settings_page() -> str:
    """Return the settings table."""
    out = [
        "# Settings\n\nA flag beats the environment, the environment beats the file `ovenwright.toml` "
        f"in the current folder (or the file that `{ENV_PREFIX}CONFIG` names).\n\n"
        "| setting | flag | environment | default | what it is |\n| --- | --- | --- | --- | --- |\n"
    ]
    for row in TABLE:
        flag = f"--{row.name.replace('_', '-')}"
        default = "" if row.default is None else f"`{row.default}`"
        out.append(
            f"| `{row.name}` | `{flag}` | `{ENV_PREFIX}{row.name.upper()}` | {default} | {row.help} |\n"
        )
    return "".join(out)


def plan_page() -> str:
    """Return every key of a plan, from its schema."""
    schema = Plan.model_json_schema()
    out = [
        "# Plan\n\nKeys of a plan file. `ovenwright plan schema` prints this as JSON Schema for editors.\n\n"
    ]
    models = {"Plan": schema, **schema.get("$defs", {})}
    for name, model in models.items():
        keys = model.get("properties")
        if not keys:
            if "enum" in model:
                values = ", ".join(f"`{v}`" for v in model["enum"])
                out.append(f"## {name}\n\n{model.get('description', '')}\n\nOne of {values}.\n\n")
            continue
        out.append(f"## {name}\n\n{model.get('description', '')}\n\n")
        out.append("| key | kind | needed | what it is |\n| --- | --- | --- | --- |\n")
        needed = set(model.get("required", ()))
        for key, facts in keys.items():
            words = " ".join(str(facts.get("description", "")).split())
            out.append(
                f"| `{key}` | {_kind(facts)} | {'yes' if key in needed else _default(facts)} | {words} |\n"
            )
        out.append("\n")
    return "".join(out)


def _kind(facts: dict[str, object]) -> str:
    if "$ref" in facts:
        return f"[{str(facts['$ref']).rsplit('/', 1)[-1]}](#{str(facts['$ref']).rsplit('/', 1)[-1].lower()})"
    if "anyOf" in facts or "oneOf" in facts:
        parts = facts.get("anyOf") or facts.get("oneOf")
        assert isinstance(parts, list)  # noqa: S101
        return " or ".join(_kind(p) for p in parts if p.get("type") != "null")
    if facts.get("type") == "array":
        items = facts.get("items")
        return f"list of {_kind(items)}" if isinstance(items, dict) else "list"
    return str(facts.get("type") or facts.get("const") or "value")


def _default(facts: dict[str, object]) -> str:
    default = facts.get("default")
    if default is None or isinstance(default, (dict, list)) or default == "":
        return ""
    return f"`{default}`"


def kinetics_page() -> str:
    """Return the shipped kinetics and time-temperature tables with their sources."""
    library = read_reference_library()
    out = [
        "# Kinetics and tables\n\nShipped data that food-safety verdicts rest on. Every set must be "
        "validated for your product. Add your own with the `kinetics` setting.\n\n"
        "| id | agent | matrix | model | numbers | valid, °C | source | evidence |\n"
        "| --- | --- | --- | --- | --- | --- | --- | --- |\n"
    ]
    for k in library.kinetics.values():
        numbers = []
        for label, value, unit in (
            ("D", k.d_s, "s"), ("at", k.reference_c, "°C"), ("z", k.z_k, "K"), ("δ", k.delta_s, "s"),
            ("p", k.p, ""), ("k0", k.k0_per_s, "1/s"), ("Ea", k.activation_j_mol, "J/mol"),
        ):  # fmt: skip
            if value is not None:
                numbers.append(f"{label} {value:g} {unit}".strip())
        valid = f"{k.valid_c[0]:g} to {k.valid_c[1]:g}" if k.valid_c else ""
        out.append(
            f"| `{k.id}` | {k.agent} | {k.matrix} | {k.model.value} | {', '.join(numbers)} | {valid} "
            f"| {k.source} | {k.evidence} |\n"
        )
    out.append("\n## Time-temperature tables\n\n")
    for table in library.tables.values():
        rows = ", ".join(f"{r.temp_c:g} °C {r.time_s:g} s" for r in table.rows)
        out.append(
            f"- `{table.id}`: {table.title}. {rows}. Source: {table.source} ({table.evidence}).\n"
        )
    return "".join(out)


PAGES: dict[str, Callable[[], str]] = {
    "command-line.md": command_line_page,
    "settings.md": settings_page,
    "plan.md": plan_page,
    "measures.md": measures_page,
    "health-checks.md": health_page,
    "kinetics.md": kinetics_page,
}


def main() -> int:
    """Write the pages, or say which are out of date."""
    check = "--check" in sys.argv[1:]
    stale = []
    for name, make in PAGES.items():
        text = MADE + make().rstrip() + "\n"
        path = FOLDER / name
        if path.is_file() and path.read_text(encoding="utf-8") == text:
            continue
        stale.append(name)
        if not check:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8")
    for name in stale:
        print(("out of date: " if check else "wrote ") + name)
    return 1 if check and stale else 0


if __name__ == "__main__":
    sys.exit(main())
