"""`ovenwright people`: accounts, tokens, the trail of changes, signatures."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ovenwright.config import Settings

if TYPE_CHECKING:
    from ovenwright.domain.people import Account, Change
    from ovenwright.workflow.people import By

ROLES = ("viewer", "operator", "engineer")
MEANINGS = ("carried out", "reviewed", "approved", "declined")
_PASSWORD = "the password is asked for, or read from standard input; never given as a word"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the verb's words and their arguments."""
    words = parser.add_subparsers(dest="word", metavar="WORD", required=True, title="words")
    add = words.add_parser("add", help="give somebody an account", description=_PASSWORD)
    add.add_argument("name", metavar="NAME", help="the name to sign in with")
    add.add_argument("--role", required=True, choices=ROLES, help="what the person may do")
    add.add_argument("--full-name", default="", metavar="TEXT", help="the name signatures show")
    add.add_argument("--own", action="store_true", help="the password is the person's own already")
    words.add_parser("list", help="list the accounts and tokens")
    for word, about in (
        ("disable", "put an account out of use"),
        ("enable", "put it in use again"),
    ):
        words.add_parser(word, help=about).add_argument("name", metavar="NAME", help="whose")
    role = words.add_parser("role", help="give somebody another role")
    role.add_argument("name", metavar="NAME", help="whose")
    role.add_argument("role", metavar="ROLE", choices=ROLES, help=", ".join(ROLES))
    password = words.add_parser("password", help="set a new password", description=_PASSWORD)
    password.add_argument("name", metavar="NAME", help="whose")
    password.add_argument("--own", action="store_true", help="it is the person's own already")
    token = words.add_parser("token", help="make a bearer token for a script; shown once")
    token.add_argument("name", metavar="NAME", help="the account it belongs to")
    token.add_argument("--role", required=True, choices=ROLES, help="the most it may do")
    token.add_argument("--label", default="", metavar="TEXT", help="what it is for")
    revoke = words.add_parser("revoke", help="put a token out of use")
    revoke.add_argument("token", metavar="TOKEN", help="its id, see: ovenwright people list")
    for word in ("add", "disable", "enable", "role", "password", "token", "revoke"):
        words.choices[word].add_argument("--why", default="", metavar="TEXT", help="the reason")
    trail = words.add_parser("trail", help="show who changed what, when and why")
    trail.add_argument("--text", default="", metavar="WORDS", help="only lines with these words")
    trail.add_argument("--who", default="", metavar="NAME", help="only changes by this person")
    trail.add_argument("--limit", type=int, default=50, metavar="N", help="so many (default: 50)")
    check = words.add_parser("check", help="prove that the trail and all signatures still hold")
    check.add_argument(
        "--head",
        default="",
        metavar="HASH",
        help="the last hash written down once; it must be there",
    )
    signed = words.add_parser("signatures", help="list signatures and whether they hold")
    signed.add_argument("run_ref", nargs="?", default="", metavar="RUN", help="only under this run")
    sign = words.add_parser("sign", help="sign a result", description=_PASSWORD)
    sign.add_argument("run_ref", metavar="RUN", help="run id, a unique beginning of it, or 'last'")
    sign.add_argument("--name", required=True, metavar="NAME", help="who signs")
    sign.add_argument("--meaning", required=True, choices=MEANINGS, help="what it says")
    sign.add_argument("--judgement", default="", metavar="RECORD", help="which (default: the last)")
    sign.add_argument("--why", default="", metavar="TEXT", help="a remark")
    for one in words.choices.values():
        one.add_argument("--logbook", metavar="DIR", default=argparse.SUPPRESS, help="the logbook")
        one.add_argument(
            "--json", action="store_true", default=argparse.SUPPRESS, help="answer in JSON"
        )


def run(args: argparse.Namespace, settings: Settings) -> int:
    """Do what the word says."""
    table: dict[str, Callable[[argparse.Namespace, Settings], int]] = {
        "add": _add,
        "list": _list,
        "disable": _use,
        "enable": _use,
        "role": _role,
        "password": _password,
        "token": _token,
        "revoke": _revoke,
        "trail": _trail,
        "check": _check,
        "signatures": _signatures,
        "sign": _sign,
    }
    return table[args.word](args, settings)


def _me() -> By:
    import getpass

    from ovenwright.workflow.people import at_this_machine

    try:
        return at_this_machine(getpass.getuser())
    except (OSError, KeyError):  # a system without user names
        return at_this_machine("")


def _read_password(prompt: str, *, twice: bool) -> str:
    from getpass import getpass

    from ovenwright.errors import UsageError

    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    word = getpass(f"{prompt}: ")
    if twice and getpass("once more: ") != word:
        raise UsageError("the two passwords differ", remedy="type the same one twice")
    return word


def _facts(one: Account) -> dict[str, Any]:
    return {
        "name": one.name,
        "full_name": one.full_name,
        "role": one.role.title,
        "enabled": one.enabled,
        "must_change_password": one.must_change,
    }


def _tell(args: argparse.Namespace, one: Account, words: str) -> int:
    from ovenwright.cli.show import emit_json, say

    if args.json:
        emit_json(_facts(one))
    else:
        say(words)
    return 0


def _add(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.compose import build
    from ovenwright.workflow.people import add_account, known_form

    people = build(settings).people
    known_form(args.name)  # told before a password is asked for
    made = add_account(
        people,
        _me(),
        args.name,
        role=args.role,
        password=_read_password(f"password of {args.name}", twice=True),
        full_name=args.full_name,
        own=args.own,
        why=args.why,
    )
    later = "" if made.must_change is False else " The password is changed at the first sign-in."
    return _tell(args, made, f"{made.name} may sign in as {made.role.title}.{later}")


def _list(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say, show_table
    from ovenwright.compose import build

    people = build(settings).people
    accounts, passes = people.accounts(), people.passes()
    if args.json:
        emit_json(
            {
                "accounts": [_facts(a) for a in accounts],
                "tokens": [
                    {"id": p.id, "name": p.name, "role": p.role.title, "label": p.label,
                     "revoked": p.revoked}
                    for p in passes
                ],
            }
        )  # fmt: skip
        return 0
    if not accounts:
        say("Nobody has an account: whoever sits at this machine may do everything.")
        say("Make one: ovenwright people add NAME --role engineer --own")
        return 0
    show_table(
        "Accounts",
        ("name", "full name", "role", ""),
        [
            (a.name, a.full_name, a.role.title, _state(a))
            for a in accounts
        ],
    )  # fmt: skip
    if passes:
        show_table(
            "Tokens",
            ("id", "account", "role", "for", ""),
            [(p.id, p.name, p.role.title, p.label, "revoked" if p.revoked else "") for p in passes],
        )
    return 0


def _state(one: Account) -> str:
    if not one.enabled:
        return "out of use"
    return "has to choose a password" if one.must_change else ""


def _use(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.compose import build
    from ovenwright.workflow.people import change_account

    enabled = args.word == "enable"
    people = build(settings).people
    done = change_account(people, _me(), args.name, enabled=enabled, why=args.why)
    return _tell(args, done, f"{done.name} is {'in use' if enabled else 'out of use'}.")


def _role(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.compose import build
    from ovenwright.workflow.people import change_account

    people = build(settings).people
    done = change_account(people, _me(), args.name, role=args.role, why=args.why)
    return _tell(args, done, f"{done.name} is {done.role.title}.")


def _password(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.compose import build
    from ovenwright.errors import UnknownName
    from ovenwright.workflow.people import known_form, set_password

    people, name = build(settings).people, known_form(args.name)
    if people.account(name) is None:
        raise UnknownName("account", name, known=[a.name for a in people.accounts()])
    word = _read_password(f"new password of {name}", twice=True)
    done = set_password(people, _me(), name, word, own=args.own, why=args.why)
    return _tell(args, done, f"The new password of {name} is set; open sessions were ended.")


def _token(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say
    from ovenwright.compose import build
    from ovenwright.workflow.people import make_pass

    people = build(settings).people
    one, held = make_pass(people, _me(), args.name, role=args.role, label=args.label, why=args.why)
    if args.json:
        emit_json({"id": one.id, "name": one.name, "role": one.role.title, "token": held})
        return 0
    say(f"Token {one.id} of {one.name}, shown this once:")
    print(held)
    say("Scripts send it as a header: Authorization: Bearer …")
    return 0


def _revoke(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say
    from ovenwright.compose import build
    from ovenwright.workflow.people import revoke_pass

    one = revoke_pass(build(settings).people, _me(), args.token, why=args.why)
    if args.json:
        emit_json({"id": one.id, "name": one.name, "revoked": one.revoked})
    else:
        say(f"Token {one.id} of {one.name} no longer works.")
    return 0


def _trail(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say, show_table
    from ovenwright.compose import build
    from ovenwright.errors import OutOfRange

    if args.limit < 1:
        raise OutOfRange("limit", got=args.limit, expected="1 or more", where="--limit")
    found = build(settings).people.trail(who=args.who, text=args.text, limit=args.limit)
    if args.json:
        emit_json({"lines": [_line(c) for c in found]})
    elif not found:
        say("No such line.")
    else:
        show_table(
            "Changes, the newest first",
            ("no.", "when (UTC)", "who", "what", "why"),
            [
                (
                    str(c.number),
                    _line(c)["time"][:19].replace("T", " "),
                    c.who,
                    f"{c.what}: {c.subject}",
                    c.why,
                )
                for c in found
            ],
            right=(0,),
        )
    return 0


def _line(one: Change) -> dict[str, Any]:
    from ovenwright.storage.run_facts import iso_from_ns

    return {
        "number": one.number,
        "time": iso_from_ns(one.at_ns),
        "who": one.who,
        "role": one.role,
        "what": one.what,
        "subject": one.subject,
        "why": one.why,
        "place": one.place,
        "previous": one.previous,
        "hash": one.hash,
    }


def _check(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say
    from ovenwright.compose import build
    from ovenwright.workflow.people import prove_trail
    from ovenwright.workflow.signing import signatures_of

    tools = build(settings)
    proof = prove_trail(tools.people, head=args.head)
    signed = signatures_of(tools.people, tools.logbook)
    broken = [s for s in signed if s.broken]
    if args.json:
        emit_json(
            {
                "intact": proof.intact,
                "lines": proof.state.lines,
                "head": proof.state.head,
                "known_head": proof.known_head,
                "trouble": proof.state.trouble,
                "signatures": len(signed),
                "broken": [{"number": s.signature.number, "why": s.broken} for s in broken],
            }
        )
    else:
        if not proof.state.intact:
            say(f"NOT INTACT: {proof.state.trouble}.")
        elif not proof.known_head:
            say("NOT INTACT: that hash is not in the trail; lines were cut off or replaced.")
        else:
            say(f"The trail is intact: {proof.state.lines} lines.")
            say(
                f"Write down its last hash to prove later that none was cut off: {proof.state.head}"
            )
        for one in broken:
            say(f"BROKEN: signature {one.signature.number} by {one.signature.name}: {one.broken}.")
        say(f"{len(signed) - len(broken)} of {len(signed)} signatures hold.")
    return 0 if proof.intact and not broken else 4


def _signatures(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say, show_table
    from ovenwright.compose import build
    from ovenwright.storage.run_facts import iso_from_ns
    from ovenwright.workflow.signing import signatures_of

    tools = build(settings)
    run_id = _run_id(tools.logbook.path_of(args.run_ref)) if args.run_ref else ""
    found = signatures_of(tools.people, tools.logbook, run_id)
    if args.json:
        emit_json(
            {
                "signatures": [
                    {
                        "number": s.signature.number,
                        "time": iso_from_ns(s.signature.at_ns),
                        "name": s.signature.name,
                        "full_name": s.signature.full_name,
                        "meaning": s.signature.meaning,
                        "why": s.signature.why,
                        "run": s.signature.run_id,
                        "judgement": s.signature.judgement,
                        "verdict": s.signature.verdict,
                        "holds": not s.broken,
                        "broken": s.broken,
                    }
                    for s in found
                ]
            }
        )
    elif not found:
        say("No result was signed.")
    else:
        show_table(
            "Signatures, the newest first",
            ("when (UTC)", "who", "says", "run", "holds"),
            [
                (
                    iso_from_ns(s.signature.at_ns)[:16].replace("T", " "),
                    s.signature.full_name,
                    s.signature.meaning,
                    s.signature.run_id,
                    f"BROKEN: {s.broken}" if s.broken else "yes",
                )
                for s in found
            ],
        )
    return 0


def _run_id(path: Path) -> str:
    from ovenwright.storage.sealed import SUFFIX

    return path.name.removesuffix(SUFFIX)


def _sign(args: argparse.Namespace, settings: Settings) -> int:
    from ovenwright.cli.show import emit_json, say
    from ovenwright.compose import build
    from ovenwright.domain.people import Meaning
    from ovenwright.errors import UnknownName, UsageError
    from ovenwright.workflow.people import By, known_form
    from ovenwright.workflow.signing import Refused, sign

    tools, name = build(settings), known_form(args.name)
    account = tools.people.account(name)
    if account is None:
        raise UnknownName("account", name, known=[a.name for a in tools.people.accounts()])
    if account.must_change:
        raise UsageError(
            "the password was chosen by somebody else",
            where=name,
            remedy="sign in and choose your own first",
        )
    came = sign(
        tools.people,
        tools.logbook,
        By(account.name, account.role, "command line"),
        _run_id(tools.logbook.path_of(args.run_ref)),
        password=_read_password(f"password of {name}", twice=False),
        meaning=Meaning(args.meaning),
        why=args.why,
        judgement=args.judgement,
    )
    if isinstance(came, Refused):
        wait = f"; wait {came.wait_s:.0f} s before the next attempt" if came.wait_s else ""
        raise UsageError(
            f"too many attempts failed{wait}"
            if wait
            else "name and password do not belong together",
            where=name,
            remedy="nothing was signed",
        )
    if args.json:
        emit_json({"number": came.number, "run": came.run_id, "hash": came.hash})
    else:
        say(f"{came.full_name} signed {came.run_id} as {came.meaning}.")
    return 0
