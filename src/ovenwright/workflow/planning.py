"""The plan's verbs: write one from a preset, check it whole, describe its form."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ovenwright.analysis.requirements import check_requirement
from ovenwright.domain.kinetics import ReferenceLibrary
from ovenwright.domain.plan import Plan, Requirement
from ovenwright.errors import Fault, StorageTrouble, UsageError
from ovenwright.storage.plan_file import RequirementCheck, parse_plan, read_plan
from ovenwright.storage.presets import Preset, read_preset


def requirement_check(library: ReferenceLibrary) -> RequirementCheck:
    """Return the check of a requirement's measure, parameters and limits against a library."""

    def check(requirement: Requirement, plan: Plan) -> Sequence[Fault]:
        return check_requirement(requirement, plan, library)

    return check


def checked_plan(path: Path, library: ReferenceLibrary) -> Plan:
    """Read a plan file and check everything in it, its measures too.

    Raises
    ------
    PlanFaults : with every fault, each at its line with a remedy
    UsageError : if there is no such file
    """
    return read_plan(path, check_requirement=requirement_check(library))


def checked_text(text: str, library: ReferenceLibrary, *, file: str = "") -> Plan:
    """Do the same for a plan's text."""
    return parse_plan(text, file=file, check_requirement=requirement_check(library))


def new_plan(name: str, path: Path, *, force: bool = False) -> Preset:
    """Write a preset's plan to a file, comments and all; never over a file unless forced.

    Raises
    ------
    UnknownName : if there is no such preset
    UsageError : if the file is there already, or its folder is not
    StorageTrouble : if the disk refuses
    """
    preset = read_preset(name)
    write_plan_text(preset.text, path, force=force)
    return preset


def write_plan_text(text: str, path: Path, *, force: bool = False) -> None:
    """Write a plan's text to a file; raises as :func:`new_plan`."""
    try:
        with path.open("w" if force else "x", encoding="utf-8", newline="") as file:
            file.write(text)
    except FileExistsError as trouble:
        raise UsageError(
            "this file is there already and was left alone",
            where=str(path),
            remedy="name another with -o FILE, or overwrite it with --force",
        ) from trouble
    except (FileNotFoundError, IsADirectoryError, NotADirectoryError) as trouble:
        raise UsageError(
            "there is no such folder to write to",
            where=str(path),
            remedy="make the folder first, or name another file with -o FILE",
        ) from trouble
    except OSError as trouble:
        raise StorageTrouble(
            f"the plan can't be written ({trouble.strerror or trouble})",
            where=str(path),
            remedy="check the disk and the folder's permissions",
        ) from trouble
