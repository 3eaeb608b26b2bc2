"""What every command prints with ``--json``: JSON Schema (draft 2020-12), one file an output.

The files are written from the typed descriptions beside them by ``tools/write_schemas.py``. Keys
are only ever added, so that a schema allows keys that it does not name.
"""

from __future__ import annotations

from importlib import resources

SAME = {
    "case": (
        "open", "saw", "read", "doubt", "withdraw", "undo", "redo", "done", "decide", "repaired",
        "close", "show", "import",
    ),
}  # fmt: skip
"""Commands of the case book that all print the same."""


def schema_names() -> list[str]:
    """Every output that has a schema, as ``assess`` or ``case history``."""
    folder = resources.files(__name__)
    files = (file.name for file in folder.iterdir() if file.name.endswith(".json"))
    return sorted(name.removesuffix(".json").replace("-", " ") for name in files)


def schema_name(words: str) -> str:
    """The output that a command prints, as ``case`` for ``case saw``."""
    group, _, command = words.partition(" ")
    return group if command in SAME.get(group, ()) else words


def schema_text(words: str) -> str:
    """The schema of what a command prints.

    Raises:
        UnknownName: with the nearest name.
    """
    from loopodds import unknown_name

    name = schema_name(" ".join(words.split()))
    if name not in schema_names():
        raise unknown_name("output", words, schema_names())
    file = resources.files(__name__).joinpath(f"{name.replace(' ', '-')}.json")
    return file.read_text(encoding="utf-8")
