"""Was the photo taken from above or from the side?

From above a vessel shows its round mouth with wax in it; from the side two walls and a base. The network that looks
for mouths is asked first: it is sure of nearly every mouth seen from above, and sees none in nearly every picture from
the side. In between, the close look tells: what seems a mouth in a picture from the side holds hardly any wax. So
it does where the network is sure, but the one that looks from the side sees a vessel beside that mouth and no other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pooleye.measurement import View

if TYPE_CHECKING:
    from pooleye.optics.ellipse import Ellipse
    from pooleye.photo import Photo, RgbImage

# Limits set on rendered photos, 113 from above and 26 from the side: the mouths of vessels seen from above had 0.89 and
# more, what was taken for a mouth in pictures from the side up to 0.90, later ones 0.98; of the first at least 0.62 was
# wax, of the second at most 0.28.
SURE, DOUBTFUL = 0.95, 0.7
ROUND = 0.6  # shorter over longer axis of a mouth seen from above
WAX_FROM_ABOVE, WAX_FROM_SIDE = 0.5, 0.4
BESIDE, OTHER_MOUTH = 1.0, 1.5
"""Over the mouth's area: more of a vessel lies beside what is no mouth, and less of mouths is seen by the network that
looks from the side. Of 317 pictures from above those with so much beside the mouth and little wax in it had 1.67."""


def viewpoint_of(photo: Photo) -> tuple[View, tuple[str, ...]]:
    """ "top" or "side", and the flag view-uncertain where the picture does not tell clearly."""
    from pooleye.flags import Declined
    from pooleye.top.locate import find_mouths
    from pooleye.top.rim import mouth_edge

    mouths = [mouth for mouth in find_mouths(photo.rgb) if mouth.ellipse.b >= ROUND * mouth.ellipse.a]
    best = max(mouths, key=lambda mouth: mouth.sure, default=None)
    if best is None or best.sure < DOUBTFUL:
        return "side", ()
    if best.sure >= SURE and not _stands_beside(photo.rgb, best.ellipse):
        return "top", ()
    try:
        share = mouth_edge(photo.rgb, best).close.wax_share
    except Declined:
        return ("top" if best.sure >= SURE else "side"), ("view-uncertain",)
    doubt = ("view-uncertain",) if WAX_FROM_SIDE < share < WAX_FROM_ABOVE else ()
    return ("top" if share > (WAX_FROM_SIDE + WAX_FROM_ABOVE) / 2 else "side"), doubt


def _stands_beside(rgb: RgbImage, mouth: Ellipse) -> bool:
    """Whether the network that looks from the side sees a vessel that lies beside this mouth for the most part."""
    import cv2
    import numpy as np

    from pooleye.side.maps import Maps
    from pooleye.side.silhouette import region_of

    maps = Maps.of(rgb)
    region = region_of(maps)
    if region is None:
        return False
    outline = np.round((mouth.points(60) + 0.5) * maps.scale - 0.5).astype(np.int32)
    filled = cv2.fillPoly(np.zeros(region.mask.shape, np.uint8), [outline], 1)
    within = np.asarray(cv2.dilate(filled, np.ones((5, 5), np.uint8))) > 0
    area = max(int(within.sum()), 1)
    beside, mouths = int((region.mask & ~within).sum()), int((maps.mouth > 0).sum())
    return beside > BESIDE * area and mouths < OTHER_MOUTH * area
