"""How often the rim is found, beside two ways that know nothing of vessels, on the same pictures at the same size.

    python3 -m venv /tmp/contrib && /tmp/contrib/bin/pip install opencv-contrib-python-headless
    python tests/benchmark_rims.py --contrib /tmp/contrib/bin/python

cv2.ximgproc.findEllipses (Jia et al., A Fast Ellipse Detector Using Projective Invariant Pruning, IEEE Trans. Image
Processing 26(8), 2017) is in opencv-contrib, which must not be installed beside OpenCV: it overwrites cv2. So it runs
in an environment of its own, and only pictures and ellipses pass between the two. A hit is a contour within 1 % or 2 %
of the true rim's diameter, all round.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import tempfile
from pathlib import Path

PHOTOS = Path(__file__).parent / "photos"
IN_OTHER_ENVIRONMENT = """
import json, sys, cv2
for path in sys.argv[1:]:
    found = cv2.ximgproc.findEllipses(cv2.imread(path))
    rows = [] if found is None else found.reshape(-1, 6).tolist()
    print(json.dumps(sorted(rows, key=lambda row: -row[4])[:10]), flush=True)
"""
WITHIN = (1.0, 2.0)  # percent of the diameter


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--contrib", required=True, help="a Python with opencv-contrib-python-headless")
    options = parser.parse_args()

    from pooleye.accuracy import read_annotated

    annotated = read_annotated(PHOTOS)
    shots = [shot for shot in annotated.shots if shot["view"] == "top" and shot["measurable"]]
    ways = {
        "pooleye, headspace given": [[found_by_pooleye(annotated, shot, "given")] for shot in shots],
        "pooleye, headspace unknown": [[found_by_pooleye(annotated, shot, "unknown")] for shot in shots],
        "findEllipses, its best": None,
        "findEllipses, best of ten": None,
        "threshold, largest contour": [[found_by_threshold(shot)] for shot in shots],
    }
    with tempfile.TemporaryDirectory() as folder:
        found = found_by_contrib(options.contrib, shots, Path(folder))
    ways["findEllipses, its best"] = [ellipses[:1] for ellipses in found]
    ways["findEllipses, best of ten"] = found
    tables = {
        "all candles": shots,
        "kept out of the network's training": [s for s in shots if s["candle"] in annotated.kept_out],
    }
    for title, part in tables.items():
        print(f"{title + f', {len(part)} photos':34}" + "".join(f"{f'within {limit:g} %':>14}" for limit in WITHIN))
        for way, answers in ways.items():
            off = [nearest_percent(s, found) for s, found in zip(shots, answers, strict=True) if s in part]
            rates = (sum(value <= limit for value in off) / len(off) for limit in WITHIN)
            print(f"  {way:32}" + "".join(f"{rate:>14.0%}" for rate in rates))


def nearest_percent(shot, ellipses) -> float:
    """Distance of the nearest of several ellipses (full-size pixels) from the true rim, in percent of its diameter."""
    import numpy as np

    from pooleye.optics.ellipse import Ellipse

    told = shot["rim_ellipse_px"]
    true = Ellipse(told["cx"], told["cy"], told["semi_major"], told["semi_minor"], float(np.radians(told["angle_deg"])))
    distances = [
        float(np.abs(true.orthogonal_residuals(ellipse.points(360))).max())
        for ellipse in ellipses
        if ellipse is not None
    ]
    return 100 * min(distances, default=float("inf")) / (true.a + true.b)


def found_by_pooleye(annotated, shot, headspace: str):
    import numpy as np

    from pooleye.accuracy import measure_shot
    from pooleye.optics.ellipse import Ellipse

    rim = measure_shot(annotated, shot, headspace, {}).outlines_px.rim
    if rim is None:
        return None
    return Ellipse(rim["cx"], rim["cy"], rim["semi_major"], rim["semi_minor"], float(np.radians(rim["angle_deg"])))


def found_by_threshold(shot):
    """Otsu's threshold, the largest outline that does not run along the picture's edge, an ellipse fitted to it."""
    import cv2
    import numpy as np

    from pooleye.optics.ellipse import Ellipse
    from pooleye.photo import load_photo

    photo = load_photo(PHOTOS / shot["file"])
    grey = cv2.GaussianBlur(cv2.cvtColor(photo.rgb, cv2.COLOR_RGB2GRAY), (0, 0), 2)
    _, mask = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    outlines, _ = cv2.findContours(mask, cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    h, w = grey.shape
    whole = [o for o in outlines if len(o) > 5 and o.min() > 0 and o[..., 0].max() < w - 1 and o[..., 1].max() < h - 1]
    if not whole:
        return None
    (cx, cy), (d1, d2), angle = cv2.fitEllipseDirect(max(whole, key=cv2.contourArea))
    turn = np.radians(angle if d1 >= d2 else angle + 90)
    return Ellipse(cx, cy, max(d1, d2) / 2, min(d1, d2) / 2, float(turn)).mapped(photo.scale_px)


def found_by_contrib(python: str, shots, folder: Path):
    """The ten ellipses of each photo that findEllipses holds for the best, best first.

    Its rows are x, y, semi-axes, score, angle (rad), as an ellipse drawn at 30° shows; its documentation names the last
    two the other way round.
    """
    import cv2

    from pooleye.optics.ellipse import Ellipse
    from pooleye.photo import load_photo

    scales, paths = [], []
    for shot in shots:
        photo = load_photo(PHOTOS / shot["file"])
        path = folder / f"{Path(shot['file']).stem}.png"
        cv2.imwrite(str(path), photo.rgb[..., ::-1])
        scales.append(photo.scale_px)
        paths.append(str(path))
    done = subprocess.run([python, "-c", IN_OTHER_ENVIRONMENT, *paths], check=True, capture_output=True, text=True)
    answers = [json.loads(line) for line in done.stdout.splitlines()]
    return [
        [
            Ellipse(x, y, max(a, b), min(a, b), turn if a >= b else turn + 1.5707963).mapped(scale)
            for x, y, a, b, _, turn in rows
            if min(a, b) > 0
        ]
        for rows, scale in zip(answers, scales, strict=True)
    ]


if __name__ == "__main__":
    main()
