"""Stage 1a: a picture as planes of local contrast, where thin things stand out alike."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frame import Frame

# Half-size pixels. The mean's box is wider than any rod seen from a tripod (a 13 mm shaft at
# 1.5 m is 5 px wide there) and the energy's box twice that.
MEAN_BOX_PX = 25
ENERGY_BOX_PX = 51
FLOORS = (3.0, 1.5, 1.5)  # grey levels: sensor noise and compression, not texture
CLIP = 3.0


def contrast_planes(frame: Frame) -> NDArray[np.float32]:
    """Three half-size planes (3, h/2, w/2): luma, red-green, blue-yellow.

    Each less its local mean, over its local rms, clipped at +-`CLIP`. The colour differences are
    R-G and B-(R+G)/2 written in ITU-R BT.601 chroma (u, v), so that no RGB picture is made.
    """
    size = (frame.u.shape[1], frame.u.shape[0])
    luma = cv2.resize(frame.y, size, interpolation=cv2.INTER_AREA).astype(np.float32)
    u = frame.u.astype(np.float32)
    v = frame.v.astype(np.float32)
    planes = (
        luma,
        cv2.addWeighted(v, 2.116, u, 0.344, 0.0),
        cv2.addWeighted(u, 1.944, v, -0.344, 0.0),
    )
    out = np.empty((3, size[1], size[0]), np.float32)
    for plane, floor, target in zip(planes, FLOORS, out, strict=True):
        centred = plane - cv2.blur(plane, (MEAN_BOX_PX, MEAN_BOX_PX))
        energy = cv2.blur(centred * centred, (ENERGY_BOX_PX, ENERGY_BOX_PX))
        rms = np.sqrt(np.maximum(energy, floor * floor))
        np.divide(centred, rms, out=target)
    return np.clip(out, -CLIP, CLIP, out=out)
