"""All that the page at the car carries: the tree, the scales, the rules and the words, packed."""

from __future__ import annotations

import gzip
from base64 import b64encode

import numpy as np

from loopodds.bay.form import form_data
from loopodds.bay.packing import Packer
from loopodds.bay.remarks import remarks_data
from loopodds.bay.repairs import repairs_data
from loopodds.bay.rules import rules_data
from loopodds.bay.scales import scales_data
from loopodds.bay.tree import tree_data
from loopodds.decision.prices import Prices, shipped_prices
from loopodds.diagnosis.model import Model


def carried(model: Model, prices: Prices | None = None) -> bytes:
    """The binary of one knowledge in one workshop; prices are the shipped ones when left out.

    The same knowledge and prices give the same bytes.

    Raises:
        KnowledgeError: if the knowledge lacks what a page needs.
    """
    knowledge, packer = model.knowledge, Packer()
    return packer.packed(
        {
            "tree": tree_data(model, packer),
            "scales": scales_data(knowledge, packer),
            "rules": rules_data(knowledge, prices or shipped_prices(knowledge)),
            "repairs": repairs_data(knowledge),
            "remarks": remarks_data(knowledge),
            "form": form_data(knowledge),
        }
    )


def as_text(binary: bytes) -> str:
    """A binary as text that can stand in a page.

    Bytes of the same place in each eight are put together, because those of doubles are alike, then
    compressed (gzip) and written in base 64.
    """
    planes = np.frombuffer(binary, np.uint8).reshape(-1, 8).T
    return b64encode(gzip.compress(planes.tobytes(), mtime=0)).decode("ascii")
