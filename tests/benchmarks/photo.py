"""How well photos are read: rendered ones, for there are no others. Nothing of it is real.

    python tests/benchmarks/photo.py --good 200 --wrong 10 --size

says how many lie within half a step of the scale, whether intervals and likelihoods hold what they
say, how many good photos are refused and how many wrong ones are not, and what a photo of twelve
megapixels costs.
"""

from __future__ import annotations

import argparse
import io
import sys
import time
from collections import Counter
from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from loopodds.knowledge.records import Knowledge
from loopodds.photo.links import links_of, photo_likelihoods
from loopodds.photo.liquids import Glass
from loopodds.photo.pictures import open_picture
from loopodds.photo.reading import GREEN_SEEN, read_picture
from photo_benches import ALIKE, WRONG, drawn_sample, green_of, scale_of
from photo_gardner import PATH_MM, gardner_liquids
from photo_held_out import Drawn, held_out, second
from photo_scenes import drawn, picture
from photo_shots import rendered

KNOWLEDGE = Knowledge()
PATH_ERROR = 0.2


def first_renderer(seed: int) -> Drawn:
    """A drawn sample in a usable photo."""
    words, liquid = drawn_sample(np.random.default_rng(seed + 50_000))
    return words, drawn(seed, liquid)


RENDERERS: Mapping[str, Callable[[int], Drawn]] = {
    "first": first_renderer, "second": second, "held-out": held_out
}  # fmt: skip


def good(count: int, first: int, renderer: str = "first") -> None:
    """Usable photos of drawn samples."""
    rows, refused, told = [], Counter(), {name: [] for name in links_of(KNOWLEDGE)}
    for seed in range(first, first + count):
        words, scene = RENDERERS[renderer](seed)
        liquid, rng = scene.liquid, np.random.default_rng(seed)
        glass = Glass(scene.inner_mm + rng.normal(0, PATH_ERROR), PATH_ERROR)
        reading = read_picture(open_picture(picture(scene)), glass)
        if not reading.usable:
            refused.update(r.reason for r in reading.refusals)
            refused["photos"] += 1
            continue
        found, true = reading.measured, scale_of(liquid)
        green = green_of(liquid)
        rows.append((true, found.scale, found.low, found.high, green, found.green,
                     found.green_doubt, scene.light, scene.inner_mm))  # fmt: skip
        for name, weights in photo_likelihoods(reading, KNOWLEDGE).items():
            shares = np.array([*weights.values()]) / sum(weights.values())
            told[name].append((shares, [*weights].index(words[name])))
    share = refused["photos"] / count
    print(f"good photos, {renderer} renderer: {count}, refused {share:.3f} {dict(refused)}")
    report(rows)
    for name, pairs in told.items():
        if pairs:
            calibrated(name, pairs)


def report(rows: list) -> None:
    """Scale and greenness."""
    numbers = np.array([row[:7] for row in rows], dtype=float)
    true, read, low, high = numbers[:, :4].T
    within = np.abs(read - true) <= 0.5
    held = (low <= true) & (true <= high)
    print(f"scale: within .5 {within.mean():.3f}, interval of 90 % holds {held.mean():.3f}, "
          f"mean width {np.mean(high - low):.2f}, bias {np.mean(read - true):+.2f}")  # fmt: skip
    on = true <= 8
    print(f"  on the scale, up to 8: within .5 {within[on].mean():.3f}, held {held[on].mean():.3f}")
    for start, end in ((0, 2), (2, 4), (4, 6), (6, 8), (8, 20)):
        some = (true >= start) & (true < end)
        if some.any():
            near, kept, off = (values[some].mean() for values in (within, held, read - true))
            told = f"within .5 {near:.2f}, held {kept:.2f}, bias {off:+.2f}"
            print(f"  {start} to {end}: {some.sum()} photos, {told}")
    ended = np.abs(np.minimum(read, 8) - np.minimum(true, 8)) <= 0.5
    kept = (np.minimum(low, 8) <= np.minimum(true, 8)) & (np.minimum(true, 8) <= high)
    print(f"  all that is darker than 8 taken for 8, where the scale ends: within .5 "
          f"{ended.mean():.3f}, held {kept.mean():.3f}")  # fmt: skip
    for light in sorted({row[7] for row in rows}):
        some = np.array([row[7] == light for row in rows])
        print(f"  {light}: within .5 {within[some].mean():.2f}, held {held[some].mean():.2f}")
    off = np.abs(numbers[:, 5] - numbers[:, 4])
    seen = numbers[:, 6] <= GREEN_SEEN
    there = f", there off by {np.median(off[seen]):.1f} (median)" if seen.any() else ""
    print(f"greenness: seen on {seen.mean():.2f}{there}")


def calibrated(name: str, pairs: list) -> None:
    """Shares said beside shares that came true, and the log score beside that of knowing."""
    shares, words = np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs])
    hit = np.eye(shares.shape[1])[words]
    print(f"{name}: log score {np.log(shares[range(len(words)), words]).mean():.3f} nats, "
          f"likeliest word right {np.mean(shares.argmax(1) == words):.3f}, "
          f"said of it {shares.max(1).mean():.3f}")  # fmt: skip
    for low, high in ((0, 0.1), (0.1, 0.3), (0.3, 0.5), (0.5, 0.7), (0.7, 0.9), (0.9, 1.01)):
        some = (shares >= low) & (shares < high)
        if some.any():
            said, came = shares[some].mean(), hit[some].mean()
            doubt = np.sqrt(said * (1 - said) / some.sum())
            print(f"  said {said:.3f}, came true {came:.3f} (+- {doubt:.3f}), {some.sum()} words")


def wrong(count: int, first: int) -> None:
    """Scenes that are no evidence."""
    total = caught = 0
    for what, make in {**WRONG, **ALIKE}.items():
        reasons, refused = Counter(), 0
        for seed in range(first, first + count):
            glass = Glass(drawn_inner(seed), PATH_ERROR)
            reading = read_picture(open_picture(make(seed)), glass)
            refused += not reading.usable
            reasons.update(r.reason for r in reading.refusals)
        print(f"{what}: {refused} of {count} refused {dict(reasons)}")
        if what in WRONG:
            total, caught = total + count, caught + refused
    print(f"wrong scenes: {caught / total:.3f} of {total} refused")


def drawn_inner(seed: int) -> float:
    """Inner diameter that a drawn scene has."""
    from photo_colours import Liquid

    return drawn(seed, Liquid()).inner_mm


def size() -> None:
    """Time and memory of twelve megapixels, in a process of its own."""
    import subprocess

    from PIL import Image

    scene = drawn(4, drawn_sample(np.random.default_rng(4))[1])
    photo = Image.open(io.BytesIO(picture(scene))).resize((4000, 3000))
    for kind, options in (("JPEG", {"quality": 92}), ("PNG", {"compress_level": 1})):
        out = io.BytesIO()
        photo.save(out, kind, **options)
        path = Path(f"/tmp/photo_size.{kind.lower()}")
        path.write_bytes(out.getvalue())
        code = (
            "import sys, time; from pathlib import Path\n"
            "from loopodds.photo.pictures import open_picture\n"
            "from loopodds.photo.reading import read_picture\n"
            "from loopodds.photo.liquids import Glass\n"
            "def once():\n"
            "    t, c = time.perf_counter(), time.process_time()\n"
            "    r = read_picture(open_picture(Path(sys.argv[1]).read_bytes()), Glass(14.0, .2))\n"
            "    return time.perf_counter() - t, time.process_time() - c\n"
            "a, b = once(), once()\n"
            # of this program alone: what the caller had held counts in getrusage
            "s = Path('/proc/self/status').read_text()\n"
            "m = int(s.split('VmHWM:')[1].split()[0]) / 1024\n"
            "print(f'first {a[0]:.2f} s ({a[1]:.2f} of processor), again {b[0]:.2f} s "
            "({b[1]:.2f}), {m:.0f} MB')\n"
        )
        done = subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True
        )
        print(f"12 megapixels, {kind}, {path.stat().st_size / 1e6:.1f} MB: {done.stdout.strip()}")
        path.unlink()


def gardners() -> None:
    """The 18 colours through the whole chain by daylight, as liquids of a fitted spectrum."""
    off = []
    for number, liquid in enumerate(gardner_liquids(), start=1):
        content = rendered(liquid=liquid, inner_mm=PATH_MM)
        reading = read_picture(open_picture(content), Glass(PATH_MM, 0.05))
        off.append(abs(reading.measured.gardner - number))
        print(f"gardner {number}: {reading.measured.gardner:.2f}")
    near = sum(step <= 0.5 for step in off)
    print(f"gardner: {near} of 18 within half a step, the worst off by {max(off):.2f}")


def main() -> None:
    """What is asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--good", type=int, default=0)
    parser.add_argument("--renderer", choices=RENDERERS, default="first", help="Of good photos.")
    parser.add_argument("--wrong", type=int, default=0)
    parser.add_argument("--first", type=int, default=0, help="Seed of the first photo.")
    parser.add_argument("--gardner", action="store_true")
    parser.add_argument("--size", action="store_true")
    given = parser.parse_args()
    start = time.time()
    if given.size:
        size()
    if given.gardner:
        gardners()
    if given.good:
        good(given.good, given.first, given.renderer)
    if given.wrong:
        wrong(given.wrong, given.first)
    print(f"{time.time() - start:.0f} s; all photos are rendered, none is real")


if __name__ == "__main__":
    main()
