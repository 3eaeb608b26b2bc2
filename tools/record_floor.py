"""Record the safety marks of the shipped knowledge as the floor that no knowledge may fall below.

Run it after a test, service or stop was added or made stricter on purpose, and read what it prints:
whatever is less careful than the floor recorded so far is named, and nothing is written unless
``--lower`` says that it is meant.
"""

import json
import sys
from pathlib import Path

import loopodds.knowledge.floor as recorded
from loopodds.knowledge.records import Knowledge

TARGET = Path(recorded.__file__).with_name("floor.json")


def main() -> int:
    """Compare, and write unless the floor would sink unasked; the exit code."""
    shipped = Knowledge()
    sinking = list(recorded.floor_slips(shipped)) if TARGET.is_file() else []
    for slip in sinking:
        print(slip)
    if sinking and "--lower" not in sys.argv[1:]:
        print("not written: less careful than the floor; --lower if that is meant")
        return 1
    text = json.dumps(recorded.marks_of(shipped), indent=1, sort_keys=True, ensure_ascii=False)
    TARGET.write_text(f"{text}\n", encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
