"""How fast the page at the car works one car out with the processor slowed (headless chromium).

python tests/benchmarks/page_speed.py --count 200 --slowed 4
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from pathlib import Path

import numpy as np
from loopodds.base.arrays import FloatArray
from loopodds.bay.carried import as_text, carried
from loopodds.diagnosis.model import Model
from loopodds_cli.bay.single_file import page as whole_page
from playwright.sync_api import Page, sync_playwright

sys.path.insert(0, str(Path(__file__).parents[1]))
from drawn_cases import drawn_cases

TIMED = """([text, anew]) => JSON.parse(text).map((sections) => {
  if (anew) Object.assign(bay, {tree: new Tree(bay.data), scales: new Scales(bay.data)});
  const begun = performance.now();
  const found = bay.scales.evidence(sections), read = performance.now();
  bay.tree.believe(found.contexts, found.evidence);
  return [performance.now() - begun, read - begun];
})"""
TAPPED = """(count) => Array.from({length: count}, (_, i) => {
  const car = bay.car(), begun = performance.now();
  bay.record(car, "cooling", ["good", "weak", "none"][i % 3]);
  return performance.now() - begun;
})"""


ONE = """(text) => {
  const found = bay.scales.evidence(JSON.parse(text));
  bay.tree.believe(found.contexts, found.evidence);
}"""


def told(what: str, took: FloatArray) -> None:
    """Median, the slowest of twenty and the slowest of all [ms]."""
    middle, high = np.quantile(took, [0.5, 0.95])
    print(f"{what}: median {middle:.1f}, 95 % {high:.1f}, slowest {took.max():.1f} ms")


def measure(page: Page, texts: str, count: int, slowed: float) -> None:
    """Every car with nothing kept from another, the best of three times, then as they come."""
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": slowed})
    first = np.array(page.evaluate(TIMED, [texts, False]))
    alone = np.min([page.evaluate(TIMED, [texts, True]) for _ in range(3)], axis=0)
    again = np.array(page.evaluate(TIMED, [texts, False]))
    told("one car after another", first[:, 0])
    told("nothing kept, best of three", alone[:, 0])
    told("  of this its evidence", alone[:, 1])
    told("seen before", again[:, 0])
    page.evaluate("bay.begin('van')")
    page.wait_for_timeout(500)
    told("one tap with its screen", np.array(page.evaluate(TAPPED, count)))


def fresh(page: Page, cars: list[str], slowed: float) -> FloatArray:
    """Processor time of each car on a page that has met none [ms, times ``slowed`` as on a phone].

    It hangs little on what else the machine does, and holds a fraction of a millisecond of asking.
    """
    session = page.context.new_cdp_session(page)
    session.send("Performance.enable", {"timeDomain": "threadTicks"})

    def spent() -> float:
        metrics = session.send("Performance.getMetrics")["metrics"]
        return next(float(one["value"]) for one in metrics if one["name"] == "TaskDuration")

    took = []
    for car in cars:
        before = spent()
        page.evaluate(ONE, car)
        took.append(1000.0 * slowed * (spent() - before))
    return np.array(took)


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--slowed", type=float, default=4.0)
    parser.add_argument("--seed", type=int, default=3)
    asked = parser.parse_args()
    model = Model()
    cars = [case for case, _ in drawn_cases(model, asked.count, asked.seed)]
    texts = json.dumps(cars)
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as driver:
        file = Path(folder) / "bay.html"
        file.write_text(whole_page(as_text(carried(model)), server=False, paired=False), "utf-8")
        browser = driver.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-gpu"]
        )
        pages = []
        for _ in range(3):
            page = browser.new_page()
            page.goto(file.as_uri())
            page.wait_for_timeout(3000)
            pages.append(fresh(page, [json.dumps(car) for car in cars], asked.slowed))
            page.close()
        told("processor time, fresh page", np.concatenate(pages))
        told("  the first ten cars of it", np.concatenate([took[:10] for took in pages]))
        page = browser.new_page()
        page.goto(file.as_uri())
        page.wait_for_timeout(2000)
        measure(page, texts, min(asked.count, 40), asked.slowed)
        browser.close()


if __name__ == "__main__":
    main()
