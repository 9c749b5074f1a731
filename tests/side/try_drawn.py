"""How often drawn scenes with random vessels, flames and views are measured right: python tests/side/try_drawn.py

No test: a measure of what the tests' few scenes do not show. Each run draws the same scenes.
"""

from __future__ import annotations

import argparse

import numpy as np
from drawn import Drawing

from pooleye.side.measure import measure_side


def scene(seed: int) -> Drawing:
    """A random vessel, filling, flame, background and view; none of it from any photo."""
    rng = np.random.default_rng(seed)
    outer, height = rng.uniform(50, 110), rng.uniform(45, 130)
    wax = height - rng.uniform(8, min(45.0, 0.7 * height))
    flame = rng.uniform(14, 50)
    portrait = rng.random() < 0.5
    span = max(outer, height + flame)
    return Drawing(
        outer_mm=outer,
        height_mm=height,
        wall_mm=rng.uniform(1.5, 5.0),
        base_outer_mm=outer * rng.uniform(0.75, 1.0) if rng.random() < 0.4 else None,
        see_through=rng.random() < 0.6,
        wax_mm=wax,
        flame_mm=flame,
        foot_mm=wax + rng.uniform(1.5, 5.0),
        flame_width_mm=flame * rng.uniform(0.2, 0.3),
        flame_lean_deg=rng.uniform(-8, 8),
        flame_x_mm=rng.uniform(-0.1, 0.1) * outer,
        distance_mm=span * rng.uniform(2.6, 4.5),
        tilt_deg=rng.uniform(-1, 14),
        roll_deg=rng.uniform(-4, 4),
        size_px=(1200, 1600) if portrait else (1600, 1200),
        focal_35mm=26.0,
        background=tuple(int(code) for code in rng.integers(20, 170, 3)),  # type: ignore[arg-type]
        noise=rng.uniform(0.5, 3.0),
        seed=seed,
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--from", dest="start", type=int, default=1000)
    options = parser.parse_args()
    for known in (True, False):
        errors: dict[str, list[tuple[float, float]]] = {}
        declined = []
        for seed in range(options.start, options.start + options.count):
            drawing = scene(seed)
            headspace_mm = float(round(drawing.headspace_mm)) if known else None
            result = measure_side(drawing.photo(), drawing.vessel, headspace_mm=headspace_mm)
            if result.status == "declined":
                declined.append(f"{seed} {result.reason}")
            truths = {
                "flame_height": (drawing.flame_mm, 100 / drawing.flame_mm),
                "flame_width": (drawing.flame_width_mm, 100 / drawing.flame_width_mm),
                "flame_lean": (drawing.flame_lean_deg, 1.0),
                "wax_level": (drawing.wax_mm, 1.0),
            }
            for name, (truth, scale) in truths.items():
                found = result.quantities.get(name)
                if found is not None and (name != "wax_level" or drawing.see_through):
                    off = found.value - truth
                    errors.setdefault(name, []).append((abs(off) * scale, abs(off) / found.u))
                    if abs(off) > 3 * found.u:
                        print(f"  {seed}: {name} {found.value:.1f} for {truth:.1f}, u {found.u:.1f} {result.flags}")
        print(f"headspace {'given' if known else 'unknown'}: {options.count} scenes, declined {declined}")
        for name, pairs in errors.items():
            size, z = np.array(pairs).T
            print(
                f"  {name:13} n {len(size):3}  median {np.median(size):5.2f}  95 % {np.percentile(size, 95):6.2f}"
                f"  in 2u {np.mean(z <= 2):.2f}"
            )


if __name__ == "__main__":
    main()
