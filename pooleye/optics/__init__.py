"""Geometry and colour of one photograph: camera, ellipses, circle pose, planes of the vessel, outlines, colour.

Conventions, everywhere in this package:

- pixels: x to the right, y down, centre of the top-left pixel = (0, 0), upright photo (EXIF orientation applied);
- camera frame, mm: x right, y down, z forward, origin at the lens;
- angles carry ``_rad`` or ``_deg`` in their name; in pictures they grow from +x towards +y, clockwise as seen;
- heavy libraries (SciPy, OpenCV, scikit-image) are imported inside the functions that need them.
"""
