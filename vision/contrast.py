"""Stage 1a: a picture as planes of local contrast, where thin things stand out alike."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frame import Frame

FLOORS = (3.0, 1.5, 1.5)  # grey levels: sensor noise and compression, not texture
CLIP = 3.0
HALF, QUARTER = 2, 4  # the frame's size over the planes'
# The mean's box is wider than any rod seen from a tripod (a 13 mm shaft at 1.5 m is 5 px wide at
# half size), the energy's box twice that; odd, in pixels of the planes.
BOXES = {HALF: (25, 51), QUARTER: (13, 25)}


def contrast_planes(frame: Frame, reduction: int = HALF) -> NDArray[np.float32]:
    """Three planes (3, h / reduction, w / reduction): luma, red-green, blue-yellow.

    Each less its local mean, over its local rms, clipped at +-`CLIP`. The colour differences are
    R-G and B-(R+G)/2 written in ITU-R BT.601 chroma (u, v), so that no RGB picture is made.
    """
    rows, columns = frame.u.shape
    size = (columns * HALF // reduction, rows * HALF // reduction)
    mean_box, energy_box = BOXES[reduction]
    luma = frame.y
    for step in ((columns, rows), size) if reduction == QUARTER else (size,):
        # by halves, which OpenCV is quickest at
        luma = np.asarray(cv2.resize(luma, step, interpolation=cv2.INTER_AREA), np.uint8)
    luma = luma.astype(np.float32)
    u, v = (
        plane if reduction == HALF else cv2.resize(plane, size, interpolation=cv2.INTER_AREA)
        for plane in (frame.u, frame.v)
    )
    u, v = u.astype(np.float32), v.astype(np.float32)
    planes = (
        luma,
        cv2.addWeighted(v, 2.116, u, 0.344, 0.0),
        cv2.addWeighted(u, 1.944, v, -0.344, 0.0),
    )
    out = np.empty((3, size[1], size[0]), np.float32)
    for plane, floor, target in zip(planes, FLOORS, out, strict=True):
        centred = cv2.subtract(plane, cv2.blur(plane, (mean_box, mean_box)))
        energy = cv2.sqrBoxFilter(centred, cv2.CV_32F, (energy_box, energy_box))
        np.divide(centred, np.sqrt(np.maximum(energy, floor * floor)), out=target)
    return np.clip(out, -CLIP, CLIP, out=out)
