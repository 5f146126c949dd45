"""Which of many views to solve together: those that differ most."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from vision.sights import Sight


def spread_out(sights: Sequence[Sight], most: int) -> list[int]:
    """Indices, in order, of at most `most` sights that spread widest over what was seen.

    Farthest-point sampling (Gonzalez 1985) from the best found view, by how far the rods' ends lie
    apart in the picture.
    """
    if len(sights) <= most:
        return list(range(len(sights)))
    at = np.stack([sight.rods.ends_px.ravel() / max(sight.size) for sight in sights])
    chosen = [int(np.argmax([sight.rods.score for sight in sights]))]
    away = np.linalg.norm(at - at[chosen[0]], axis=1)
    while len(chosen) < most:
        chosen.append(int(away.argmax()))
        away = np.minimum(away, np.linalg.norm(at - at[chosen[-1]], axis=1))
    return sorted(chosen)
