"""``loopodds pack``: a case as evidence in one file, and whether such a file is what it was."""

from __future__ import annotations

import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from loopodds_cli.options import (
    CaseType,
    WritingCommand,
    common_options,
    file_option,
    output_option,
    prices_option,
    print_json,
)
from loopodds_cli.papers import paper_options, report_on

if TYPE_CHECKING:
    from loopodds import Packed

NOT_SOUND = 1


@click.command(cls=WritingCommand)
@click.argument("case", metavar="CASE", type=CaseType(), required=False)
@output_option("--out", "The pack to write (.zip).")
@file_option("--verify", "Say whether this pack is what it was when it was made.", exists=True)
@click.option(
    "--checksum",
    default="",
    help="With --verify: the checksum that was noted when the pack was made.",
)
@click.option(
    "--day",
    type=click.DateTime(["%Y-%m-%d"]),
    help="Day on the papers: of a case of the book that of its last entry, else today.",
)
@paper_options
@prices_option
@common_options
def command(
    case: str | None, out: str | None, verify: str | None, checksum: str, day: datetime | None,
    language: str, plate: str, workshop: str, address: str, prices: str | None,
    knowledge: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Pack a case with its papers as evidence, or verify a pack.

    A zip with the customer's page, the record, the case file, the photos, the log with its links
    and the version of the knowledge, and a manifest with the SHA-256 of each. The same case gives
    the same bytes. Note the checksum that is printed where the pack is not: with it anyone can
    tell later that nothing in the pack has changed. Exit code 1 if something has.

    \b
    Example:
      loopodds pack 3 --out case_3.zip
      loopodds pack --verify case_3.zip --checksum 5f0c...
    """
    if verify is not None:
        if case or out:
            raise click.UsageError("--verify goes alone: neither a case nor --out")
        _verify(verify, checksum.strip().lower(), as_json)
        return
    if case is None or out is None:
        raise click.UsageError("say which case and where to: CASE --out FILE, or --verify FILE")
    from loopodds import checksum_of, pack_of, write_whole

    text, at = _stated(case, day)
    source = text if case == "-" else case
    report, words = report_on(source, knowledge, prices, language, plate, workshop, address, at)
    packed = pack_of(report, text, words, [*report.photos_before, *report.photos_after])
    write_whole(Path(out), packed)
    if as_json:
        print_json({"out": out, "checksum": checksum_of(packed), "bytes": len(packed)})
    else:
        click.echo(f"{out}: {len(packed)} bytes\nchecksum of the whole: {checksum_of(packed)}")


def _stated(case: str, day: datetime | None) -> tuple[str, datetime]:
    """The case as a case file, and the moment that stands on its papers."""
    from loopodds import CaseBook, case_text, demo_text, replay

    at = (day or datetime.now(UTC)).replace(hour=0, minute=0, second=0, microsecond=0, tzinfo=UTC)
    if case == "-":
        return sys.stdin.read(), at
    if case.startswith("@"):
        return demo_text(case), at
    if case.isascii() and case.isdigit():
        with CaseBook(write=False) as book:
            events = book.events(int(case))
        last = datetime.fromisoformat(events[-1].time).astimezone(UTC)
        return case_text(replay(events)), at if day else last
    return Path(case).read_text(encoding="utf-8"), at


def _verify(path: str, checksum: str, as_json: bool) -> None:
    from loopodds import verify_pack

    found = verify_pack(path)
    other = bool(checksum) and checksum != found.checksum
    if as_json:
        print_json({**found.as_json(), "as_noted": None if not checksum else not other})
    else:
        _print_verified(path, found, checksum, other)
    if found.problems or other:
        sys.exit(NOT_SOUND)


def _print_verified(path: str, found: Packed, checksum: str, other: bool) -> None:
    from loopodds import printable

    for problem in found.problems:
        click.echo(printable(f"{path}: {problem}"))
    state = "is not what it was" if found.problems else "every file is as the manifest says"
    click.echo(f"{path}: {state} ({len(found.manifest.files)} files)")
    click.echo(f"checksum of the whole: {found.checksum}")
    if checksum:
        click.echo("not the one noted: another pack, or a changed one" if other else "as noted")
