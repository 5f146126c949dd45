"""A QR code drawn with half blocks, so that it fits a terminal of 80 columns and 24 lines."""

from __future__ import annotations

import segno

QUIET = 2  # modules of margin; the standard asks for 4, phones read 2


def terminal(text: str) -> str:
    """The code as lines of text, dark on light whatever the terminal's colours."""
    code = segno.make(text, error="l", micro=False, boost_error=False)
    rows = [list(row) for row in code.matrix_iter(border=QUIET)]
    if len(rows) % 2:
        rows.append([0] * len(rows[0]))
    lines = []
    for top, bottom in zip(rows[::2], rows[1::2], strict=True):
        cells = "".join(_CELLS[bool(a), bool(b)] for a, b in zip(top, bottom, strict=True))
        # Black on white, set outright: on a dark terminal the default would be inverted.
        lines.append(f"\x1b[38;5;16;48;5;231m{cells}\x1b[0m")
    return "\n".join(lines)


_CELLS = {(False, False): " ", (True, False): "▀", (False, True): "▄", (True, True): "█"}
