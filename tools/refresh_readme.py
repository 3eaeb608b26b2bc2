"""Rewrite the outputs in README.md: every ``$ loopodds …`` line of a console block is run.

python tools/refresh_readme.py           rewrite
python tools/refresh_readme.py --check   exit 1 if an output is stale
"""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

README = Path(__file__).parents[1] / "README.md"
BLOCK = re.compile(r"```console\n(.*?)```", re.DOTALL)


def run(line: str) -> str:
    """Output of one command line as a pipe would get it."""
    words = shlex.split(line)
    entry = "import sys; from loopodds_cli.main import main; sys.argv[0] = 'loopodds'; main()"
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, "-c", entry, *words[1:]],
            capture_output=True,
            text=True,
            check=False,
            cwd=folder,
        )
    return done.stdout + done.stderr


def refreshed(text: str) -> str:
    """The same text with every console block run anew."""

    def block(match: re.Match[str]) -> str:
        commands = [line[2:] for line in match[1].splitlines() if line.startswith("$ ")]
        parts = [f"$ {command}\n{run(command).rstrip()}\n" for command in commands]
        return "```console\n" + "".join(parts) + "```"

    return BLOCK.sub(block, text)


def main() -> None:
    """Rewrite or check."""
    text = README.read_text(encoding="utf-8")
    fresh = refreshed(text)
    if "--check" in sys.argv[1:]:
        sys.exit(fresh != text)
    README.write_text(fresh, encoding="utf-8")


if __name__ == "__main__":
    main()
