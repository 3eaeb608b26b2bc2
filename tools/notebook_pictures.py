"""Run the notebooks and keep one picture of each for the README.

Run from the top of the checkout: ``python tools/notebook_pictures.py``. The picture is what the
cell tagged ``picture`` draws; it is written to ``notebooks/pictures/NOTEBOOK.png``.
"""

from __future__ import annotations

import base64
from pathlib import Path

import nbformat
from nbclient import NotebookClient

FOLDER = Path(__file__).parent.parent / "notebooks"
SECONDS_A_CELL = 120


def picture_of(path: Path) -> bytes:
    """PNG drawn by the tagged cell of a notebook.

    Raises
    ------
    LookupError
        If no cell is tagged, or it draws nothing.
    """
    notebook = nbformat.read(path, as_version=4)
    where = {"metadata": {"path": str(path.parent)}}
    NotebookClient(
        notebook, timeout=SECONDS_A_CELL, kernel_name="python3", resources=where
    ).execute()
    for cell in notebook.cells:
        if "picture" in cell.metadata.get("tags", []):
            for output in cell.outputs:
                if "image/png" in output.get("data", {}):
                    return base64.b64decode(output["data"]["image/png"])
    raise LookupError(f"{path.name}: no cell tagged 'picture' draws anything")


def main() -> None:
    """Write every picture and say how large it is."""
    folder = FOLDER / "pictures"
    folder.mkdir(exist_ok=True)
    for path in sorted(FOLDER.glob("*.ipynb")):
        content = picture_of(path)
        target = folder / f"{path.stem}.png"
        target.write_bytes(content)
        print(f"{target.relative_to(FOLDER.parent)}: {len(content) / 1000:.0f} kB")


if __name__ == "__main__":
    main()
