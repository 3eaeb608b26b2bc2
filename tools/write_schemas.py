"""Write the JSON schemas of every ``--json`` from their typed descriptions.

python tools/write_schemas.py           write
python tools/write_schemas.py --check   exit 1 if a file is stale
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import msgspec
from output_types import outputs

FOLDER = Path(__file__).parents[1] / "cli" / "loopodds_cli" / "schemas"
DRAFT = "https://json-schema.org/draft/2020-12/schema"


def schemas() -> dict[str, str]:
    """Text of every file, by its name."""
    told: dict[str, Any] = outputs()
    return {
        f"{name.replace(' ', '-')}.json": json.dumps(
            {"$schema": DRAFT, "title": f"loopodds {name} --json", **msgspec.json.schema(kind)},
            indent=1,
        )
        + "\n"
        for name, kind in told.items()
    }


def main() -> None:
    """Write or check."""
    fresh = schemas()
    stale = {file.name for file in FOLDER.glob("*.json")} != set(fresh)
    for name, text in fresh.items():
        file = FOLDER / name
        stale = stale or file.read_text(encoding="utf-8") != text
        if "--check" not in sys.argv[1:]:
            file.write_text(text, encoding="utf-8")
    sys.exit(stale and "--check" in sys.argv[1:])


if __name__ == "__main__":
    main()
