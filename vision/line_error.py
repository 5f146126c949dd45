"""Stage 1e, fourth part: how far a measured line may be off its rod, told by how the rod looks.

What no averaging along a rod removes (a lit side, its bend, its taper, its shadow) grows with how
wide it looks; how much of it there is shows in how alike the rod is to itself, to what the networks
know and to the ground. Both sigmas are log-linear in these numbers, fitted by maximum likelihood
under Student's t of five degrees of freedom (Lange, Little and Taylor 1989, "Robust statistical
modeling using the t distribution") to lines of path-traced rods; `python -m tests.bench.train
lines` writes them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from vision.kernel import kernel
from vision.look import LOOK
from vision.net import CLIP

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class LineError:
    """Logs of the two sigmas over the rod's width: of the line's shift, and of its turn.

    `mean`, `spread` (len(LOOK),); `slope` (len(LOOK), 2); `level` (2,), and between which values
    they stay, `least` and `most` (2,): those of rods that it has learnt from.
    """

    mean: Array
    spread: Array
    slope: Array
    level: Array
    least: Array
    most: Array

    def sigmas_px(self, look: Array | None, width_px: float) -> tuple[float, float]:
        """Sigmas of the line's shift, and of its turn at 1/sqrt(12) of the length from its middle.

        `look` (len(LOOK),), None for a rod that was not looked at: it may be as bad as any.
        """
        if look is None:
            shift, turn = (np.exp(self.most) * width_px).tolist()
            return shift, turn
        return _sigmas(
            look, width_px, self.mean, self.spread, self.slope, self.level, self.least, self.most
        )


@kernel
def _sigmas(
    look: Array,
    width_px: float,
    mean: Array,
    spread: Array,
    slope: Array,
    level: Array,
    least: Array,
    most: Array,
) -> tuple[float, float]:
    logs = level.copy()
    for k in range(len(look)):
        point = min(max((look[k] - mean[k]) / spread[k], -CLIP), CLIP)
        for which in range(2):
            logs[which] += point * slope[k, which]
    for which in range(2):
        logs[which] = min(max(logs[which], least[which]), most[which])
    return width_px * np.exp(logs[0]), width_px * np.exp(logs[1])


def line_error_of(each: str, both: str) -> LineError:
    """From its tables: of each number its mean, spread and slopes; of both sigmas the rest."""
    mean, spread, *slope = np.array(each.split(), np.float64).reshape(len(LOOK), 4).T
    level, least, most = np.array(both.split(), np.float64).reshape(3, 2)
    return LineError(mean, spread, np.stack(slope, axis=1), level, least, most)
