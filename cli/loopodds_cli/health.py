"""What ``loopodds doctor`` looks at: each check says in words what it found, and if it is well.

A check that cannot be made is not well; it never keeps the others from being made.
"""

from __future__ import annotations

import json
import os
import platform
import re
import shutil
from collections.abc import Callable
from importlib import metadata, resources
from pathlib import Path
from typing import Any, NamedTuple

from loopodds import LoopoddsError

ANSWER = "self_check.json"
SELF_CHECK_CASE = "@wet_loop"
STANDS = 1e-9
"""Difference up to which a probability is the stored one, on another machine too."""
LEAST_FREE_BYTES = 200_000_000
"""Below this a book or a report may not be written whole: common practice, no source."""


class Check(NamedTuple):
    """One thing that was looked at."""

    name: str
    well: bool
    says: str
    details: dict[str, str] = {}  # noqa: RUF012  (never changed)


def checks(book: str | None, knowledge: str | None) -> list[Check]:
    """Every check, in the order in which one thing leans on another."""
    looks: tuple[tuple[str, Callable[[], Check]], ...] = (
        ("libraries", _libraries),
        ("knowledge", lambda: _knowledge(knowledge)),
        ("case book", lambda: _book(book)),
        ("disk", lambda: _disk(book)),
        ("self-check", self_check),
    )
    return [_made(name, look) for name, look in looks]


def _made(name: str, look: Callable[[], Check]) -> Check:
    try:
        return look()
    except (LoopoddsError, OSError, ImportError) as error:
        return Check(name, False, str(error))


def _libraries() -> Check:
    """Versions of Python and of each library that is always needed."""
    needed = [re.split(r"[^\w.-]", line)[0] for line in metadata.requires("loopodds") or ()
              if "extra ==" not in line]  # fmt: skip
    found = {"python": platform.python_version(), "loopodds": metadata.version("loopodds")}
    missing = []
    for name in needed:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            missing.append(name)
    if missing:
        return Check("libraries", False, f"not installed: {', '.join(missing)}", found)
    return Check("libraries", True, f"all {len(needed)} are there", found)


def _knowledge(folder: str | None) -> Check:
    """Whether the knowledge in force passes its checks, and which version it is."""
    from loopodds import Knowledge, lint

    errors = [problem for problem in lint(folder) if not problem.warning]
    if errors:
        more = f"; {len(errors)} problems, `loopodds network --check` names all"
        return Check("knowledge", False, f"{errors[0]}{more}")
    digest = Knowledge(folder).digest
    return Check("knowledge", True, f"version {digest}, passes its checks", {"digest": digest})


def _book(given: str | None) -> Check:
    """Whether there is a case book, and its file and chain are sound."""
    from loopodds import CaseBook, book_path, walk

    path = book_path(given)
    if not path.exists():
        return Check("case book", True, f"none yet; the first case begins one at {path}")
    with CaseBook(path, write=False) as book:
        damage, walked = book.damage(), walk(book)
    found = [*damage, *walked.findings, *(f"case {n}: {p}" for n, p in walked.problems.items())]
    if found:
        advice = "`loopodds case check` says what is sound"
        return Check("case book", False, f"{path}: {'; '.join(found)}; {advice}")
    cases = len(walked.sound)
    says = f"{path}: {cases} cases, {walked.events} events, file and chain sound"
    return Check("case book", True, says, {"path": str(path), "last_link": walked.last})


def _disk(given: str | None) -> Check:
    """Whether the book's folder, or the one in which it will be made, can be written to."""
    from loopodds import book_path

    folder = next(p for p in book_path(given).absolute().parents if p.is_dir())
    free = shutil.disk_usage(folder).free
    says = f"{free / 1e9:.1f} GB free at {folder}"
    if not os.access(folder, os.W_OK):
        return Check("disk", False, f"{folder} cannot be written to")
    if free < LEAST_FREE_BYTES:
        least = f"{LEAST_FREE_BYTES / 1e9:.1f} GB"
        return Check("disk", False, f"{says}; under {least} a book may not be written whole")
    return Check("disk", True, says)


def self_check() -> Check:
    """Whether a shipped case gives the answer that was stored with this version."""
    stored, now = json.loads(answer_file().read_text(encoding="utf-8")), answer()
    if stored["knowledge"] != now["knowledge"]:
        says = (f"the shipped knowledge is {now['knowledge']}, the stored answer is of "
                f"{stored['knowledge']}: files were changed, or the install is mixed")  # fmt: skip
        return Check("self-check", False, says)
    then, today = stored["probabilities"], now["probabilities"]
    if then.keys() != today.keys():
        return Check("self-check", False, "other conditions are answered than those stored")
    largest = max(abs(today[name] - p) for name, p in then.items())
    says = f"{stored['case']}: {len(then)} probabilities, largest difference {largest:.1e}"
    return Check("self-check", largest <= STANDS, says)


def answer_file() -> Path:
    """Where the stored answer lies."""
    return Path(str(resources.files("loopodds_cli").joinpath(ANSWER)))


def answer() -> dict[str, Any]:
    """What the shipped knowledge says of the case of the self-check, worked out now."""
    from loopodds import Knowledge, assess, read_case

    knowledge = Knowledge()
    told = assess(read_case(SELF_CHECK_CASE, knowledge)).as_json()
    probabilities = {one["name"]: one["probability"] for one in told["conditions"]}
    return {
        "case": SELF_CHECK_CASE,
        "knowledge": knowledge.digest,
        "probabilities": {"sound": told["p_sound"], **probabilities},
    }
