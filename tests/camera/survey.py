"""How well the spots of many rendered photographs are measured.

PYTHONPATH=.:tests python tests/camera/survey.py --cases 300 --width 2000
"""

from __future__ import annotations

import argparse
import time

import numpy as np
from camera.rendered import photograph, random_scene

from raytrace.camera.finding import find_card
from raytrace.camera.spots import find_spot
from raytrace.exceptions import PictureError


def main():
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--cases", type=int, default=300)
    options.add_argument("--width", type=int, default=2000, help="pixels; 4000 is 12 megapixels")
    options.add_argument("--seed", type=int, default=0)
    options.add_argument("--samples", type=int, default=1, help="rays across a pixel")
    chosen = options.parse_args()
    off, sigma, seconds, unread, colours = [], [], [], [], 0
    for k in range(chosen.cases):
        rng = np.random.default_rng([chosen.seed, k])
        scene = random_scene(rng, width=chosen.width, samples=chosen.samples)
        picture = photograph(scene, f"case {k}")
        start = time.process_time()
        try:
            spot = find_spot(picture, find_card(picture, scene.layout))
        except PictureError as error:
            unread.append(str(error))
            continue
        seconds.append(time.process_time() - start)
        off.append(spot.place - scene.truth())
        sigma.append(spot.sigma)
        colours += spot.colour == scene.laser
        worst = float(np.max(np.abs(off[-1]) / spot.sigma))
        if np.hypot(*off[-1]) > 1e-3 or worst > 1.96:
            print(f"case {k}: {1e3 * np.hypot(*off[-1]):.2f} mm off, {worst:.1f} standard errors")
    far = 1e3 * np.hypot(*np.transpose(off))
    z = np.abs(off) / np.array(sigma)
    print(f"{len(off)} of {chosen.cases} read, the laser's colour right in {colours}")
    print(f"off, mm: median {np.median(far):.2f}, 95 % {np.quantile(far, 0.95):.2f}, "
          f"most {far.max():.2f}; within 1 mm {np.mean(far < 1.0):.3f}")  # fmt: skip
    print(f"95 % intervals hold {np.mean(z < 1.96):.3f}; root mean square "
          f"{np.sqrt(np.mean(z**2)):.2f} standard errors")  # fmt: skip
    print(f"{np.mean(seconds):.2f} s of processor for a picture")
    for line in unread:
        print(f"unread: {line[:120]}")


if __name__ == "__main__":
    main()
