"""Look at every screen of every shipped case at several widths, and print what is wrong.

What the same commands print as JSON is held against the published schemas, too.

python tests/benchmarks/screens.py [--width 80 --width 60] [--out FOLDER]
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from pathlib import Path

from click.testing import CliRunner
from loopodds import demo_cases
from loopodds_cli.main import main

sys.path.insert(0, str(Path(__file__).parents[1]))

from published_schemas import faults as schema_faults
from shared_screens import HEAD, faults_of, raw_names, ribbons

OTHERS = ("explain", "gauges", "connect")


def look(width: int, folder: Path | None) -> int:
    """Faults of all screens at a width, each printed."""
    os.environ["COLUMNS"], count = str(width), 0
    for case in demo_cases():
        for command in (*HEAD, *OTHERS):
            text = CliRunner().invoke(main, [command, case]).output
            if folder is not None:
                (folder / f"{command}_{case[1:]}_{width}.txt").write_text(text, encoding="utf-8")
            if command in HEAD:
                found = faults_of(command, case, text, width)
            else:
                found = [*ribbons(text.splitlines()), *raw_names(text, case)]
            if width == 80:
                told = json.loads(CliRunner().invoke(main, [command, case, "--json"]).stdout)
                found += schema_faults(command, told)
            for fault in found:
                print(f"{command} {case} at {width}: {fault}")
            count += len(found)
    return count


if __name__ == "__main__":
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--width", type=int, action="append")
    options.add_argument("--out", type=Path)
    given = options.parse_args()
    if given.out is not None:
        given.out.mkdir(parents=True, exist_ok=True)
    faults = sum(look(width, given.out) for width in given.width or (80, 60))
    print(f"{faults} faults")
