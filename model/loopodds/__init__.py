"""Exact fault probabilities for a sealed car air-conditioning loop.

The names that programs need stand here, each loaded from its module when it is first used, so
that ``import loopodds`` itself costs nothing.

Examples
--------
>>> import loopodds as lo
>>> case = lo.read_case('[findings]\\nsample_bubbles = "persisting"')
>>> result = lo.assess(case)
>>> result.conditions[0].name, result.tests[0].test, result.plan.services
('moisture', 'interview', ('advise_and_recheck',))
>>> result.explain("moisture").shares.shares[0].name
'sample_bubbles'
>>> result.what_if("-sample_bubbles").variations[0].verdict
'undercharge'
>>> result.to_frame().loc["moisture", "title"]
'Water in the loop'
"""

from importlib import import_module

_HOMES: dict[str, str] = {}
"""Module of each name, once it has been read."""


def _homes() -> dict[str, str]:
    """Module of each name, from the stub beside this file: each is written down once."""
    if not _HOMES:
        stub = __spec__.loader.get_data(f"{__file__}i").decode()
        for block in stub.split("\nfrom ")[1:]:
            module, names = block.split("\n\n")[0].split(" import ")
            for name in names.strip("()\n ").split(","):
                if name.strip():
                    _HOMES[name.split(" as ")[0].strip()] = module
    return _HOMES


def __getattr__(name: str) -> object:
    if name == "__all__":
        value: object = ["__version__", *_homes()]
    elif name == "__version__":
        from importlib.metadata import version

        value = version(__name__)
    elif name in _homes():
        value = getattr(import_module(_homes()[name]), name)
    else:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), "__version__", *_homes()})
