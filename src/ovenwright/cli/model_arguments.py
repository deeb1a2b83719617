"""Arguments that the verbs of the product model share."""

from __future__ import annotations

import argparse
from pathlib import Path

KIND_WORDS = ("any", "moist", "dry", "risen", "dense", "metal")


def add_channels(parser: argparse.ArgumentParser, *, surroundings: str) -> None:
    """Declare which channels are meant; ``surroundings`` is the help for what heats them."""
    for flag, words in (
        ("--core", "channels in the product (default: those of role core)"),
        ("--surroundings", surroundings),
    ):
        parser.add_argument(
            flag, nargs="+", action="extend", default=[], metavar="NAME", help=words
        )


def add_kind(parser: argparse.ArgumentParser) -> None:
    """Declare what the product is, and the seed of the draws."""
    parser.add_argument(
        "--kind",
        default="any",
        choices=KIND_WORDS,
        help="what the product is, where the plan does not say (default: any)",
    )
    parser.add_argument(
        "--seed", type=int, default=1, metavar="N", help="of the draws (default: 1)"
    )


def add_product(parser: argparse.ArgumentParser) -> None:
    """Declare the product record that may be used."""
    parser.add_argument(
        "--product",
        default="",
        metavar="FILE",
        help="product record of earlier runs, a file or a name in the logbook, see: fit",
    )


def add_report(parser: argparse.ArgumentParser) -> None:
    """Declare the page that may be written."""
    parser.add_argument(
        "--report",
        type=Path,
        metavar="FILE",
        help="also write it as a page with pictures: .html, .pdf, or .svg for the first picture",
    )
