"""Whether a screen is for everyone: no small target, nothing cut off, no serious fault."""

from __future__ import annotations

from axe_playwright_python.sync_playwright import Axe
from phones import Phone

SMALL = """() => [...document.querySelectorAll(
    "button, .file, summary, input:not([type=file]), select")]
  .filter((node) => node.getClientRects().length)
  .map((node) => [node.textContent || node.id, node.getBoundingClientRect()])
  .filter(([, box]) => box.width < 48 || box.height < 48)
  .map(([text, box]) => `${text}: ${box.width} x ${box.height}`)"""
WIDE = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag2aaa", "wcag21aa", "wcag22aa", "best-practice"],
         "rules": {"color-contrast-enhanced": {"enabled": True}}}  # fmt: skip


def in_reach(phone: Phone, place: str) -> None:
    """A screen has no small target and nothing cut off."""
    assert phone.page.evaluate(SMALL) == [], place
    assert phone.page.evaluate(WIDE) <= 0, place


def looked_at(phone: Phone, place: str) -> None:
    """A screen has no serious fault of accessibility either."""
    in_reach(phone, place)
    # all of it at once: what the foot of the screen covers can be scrolled to
    size = phone.page.viewport_size or {"width": 390, "height": 844}
    whole = phone.page.evaluate("document.documentElement.scrollHeight")
    phone.page.set_viewport_size({**size, "height": max(size["height"], whole)})
    found = Axe().run(phone.page, options=RULES)
    phone.page.set_viewport_size(size)
    faults = [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in found.response["violations"]
              if v["impact"] in ("serious", "critical")]  # fmt: skip
    assert faults == [], f"{place}: {faults}"
    looked = {rule["id"] for rule in found.response["passes"]}
    assert {"color-contrast-enhanced", "button-name"} <= looked, place
