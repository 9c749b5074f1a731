"""Was the photo taken from above or from the side?

From above a vessel shows its round mouth; from the side two walls and a base. The network that looks for mouths is
asked first: it is sure of nearly every mouth seen from above. Where it is neither sure nor sure that there is none,
the vessel's outline from the side is looked for as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pooleye.measurement import View

if TYPE_CHECKING:
    from pooleye.measuring import Vessel
    from pooleye.photo import Photo

# Limits set on rendered photos: the mouths of vessels seen from above had 0.93 to 0.98; what was taken for a mouth in
# pictures from the side 0.54 to 0.92.
SURE, DOUBTFUL = 0.94, 0.85
ROUND = 0.6  # shorter over longer axis of a mouth seen from above
FROM_SIDE_SCORE = 2.6  # of the outline: chance finds in pictures from above have up to 2.6


def viewpoint_of(photo: Photo, vessel: Vessel) -> tuple[View, tuple[str, ...]]:
    """ "top" or "side", and the flag view-uncertain where the picture does not tell clearly."""
    from pooleye.top.locate import find_mouths

    mouths = [mouth for mouth in find_mouths(photo.rgb) if mouth.ellipse.b >= ROUND * mouth.ellipse.a]
    sure = max((mouth.sure for mouth in mouths), default=0.0)
    if sure >= SURE:
        return "top", ()
    if sure < DOUBTFUL:
        return "side", ()
    return ("side" if _stands_there(photo, vessel) else "top"), ("view-uncertain",)


def _stands_there(photo: Photo, vessel: Vessel) -> bool:
    from pooleye.flags import Declined
    from pooleye.side.measure import seen_scene

    try:
        scene, _ = seen_scene(photo, vessel, None)
    except Declined:
        return False
    return scene.located.score >= FROM_SIDE_SCORE
