"""Rewrite the outputs shown in README.md and in the help topics: every ``$ loopodds …`` line runs.

The answer that ``loopodds doctor`` compares with and the manual page are made anew, too.

python tools/refresh_docs.py           rewrite
python tools/refresh_docs.py --check   exit 1 if an output is stale
"""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
import tempfile
from pathlib import Path

from loopodds_cli.health import answer, answer_file, self_check

ROOT = Path(__file__).parents[1]
PAGES = (ROOT / "README.md", *sorted((ROOT / "cli" / "loopodds_cli" / "help").glob("*.md")))
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
    stale = not self_check().well
    if stale and "--check" not in sys.argv[1:]:
        answer_file().write_text(json.dumps(answer(), indent=1) + "\n", encoding="utf-8")
    page = ROOT / "cli" / "loopodds_cli" / "loopodds.1"
    fresh = run("loopodds help --man")
    stale = stale or not page.exists() or page.read_text(encoding="utf-8") != fresh
    if "--check" not in sys.argv[1:]:
        page.write_text(fresh, encoding="utf-8")
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        fresh = refreshed(text)
        stale = stale or fresh != text
        if "--check" not in sys.argv[1:]:
            page.write_text(fresh, encoding="utf-8")
    sys.exit(stale and "--check" in sys.argv[1:])


if __name__ == "__main__":
    main()
