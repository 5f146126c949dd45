"""The drawings of docs/geometry.md, with the lengths that the formula gives.

python docs/drawings.py
"""

from __future__ import annotations

import math
from pathlib import Path

FOLDER = Path(__file__).parent / "drawings"
CM = 1.6  # units of the drawing for each centimetre


def _svg(width: float, height: float, title: str, *parts: str) -> str:
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" '
        f'width="{width:.0f}" font-family="sans-serif" font-size="15" role="img">'
    )
    paper = '<rect width="100%" height="100%" fill="#fffdf4"/>'
    return "\n".join([head, f"<title>{title}</title>", paper, *parts, "</svg>", ""])


def _line(x1: float, y1: float, x2: float, y2: float, *, wide: float = 2, dash: str = "") -> str:
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="#0c0c0c" '
        f'stroke-width="{wide}"{dashes}/>'
    )


def _dot(x: float, y: float, *, full: bool = True) -> str:
    fill = "#0c0c0c" if full else "none"
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="6" fill="{fill}" stroke="#0c0c0c"/>'


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{words}</text>'


def parallax(title: str, plane: str, thing: str, e_cm: float, d_cm: float, b_cm: float) -> str:
    """The lens e to the right, the plane D away, a thing b nearer, drawn s = -e b / (D - b)."""
    s_cm = -e_cm * b_cm / (d_cm - b_cm)
    x0, y0 = 300.0, 60.0  # the true place on the plane
    lens = (x0 + e_cm * CM, y0 + d_cm * CM)
    ball = (x0, y0 + b_cm * CM)
    seen = (x0 + s_cm * CM, y0)
    return _svg(
        620,
        y0 + d_cm * CM + 50,
        title,
        _line(60, y0, 560, y0, wide=5),
        _text(60, y0 - 34, plane),
        _line(x0, y0, x0, lens[1], dash="6 6"),
        _line(*lens, *seen),
        _dot(*ball),
        _text(ball[0] + 14, ball[1] + 5, thing),
        _dot(*seen, full=False),
        _text(seen[0] - 4, y0 - 12, f"drawn here: s = {abs(s_cm):.1f} cm", "end"),
        _dot(*lens),
        _text(lens[0] + 14, lens[1] + 5, "lens"),
        _line(x0, lens[1], *lens),
        _text((x0 + lens[0]) / 2, lens[1] + 22, f"e = {e_cm:.0f} cm", "middle"),
        _text(x0 - 14 + s_cm * CM * 0.6, y0 + b_cm * CM / 2 + 5, f"b = {b_cm:.0f} cm", "end"),
        _text(x0 - 10, y0 + d_cm * CM * 0.7, f"D = {d_cm:.0f} cm", "end"),
    )


def laid(error_deg: float, d_cm: float) -> str:
    """A T whose stem leans by so much, drawn three times as strongly as written."""
    beside_cm = d_cm * math.tan(math.radians(error_deg))
    x0, y0, far = 300.0, 70.0, 340.0
    lean = far * math.tan(math.radians(3 * error_deg))
    stem = 0.4
    return _svg(
        620,
        y0 + far + 60,
        "A T that is not quite square",
        _line(160, y0, 440, y0, wide=7),
        _text(160, y0 - 18, "target rod"),
        _line(x0, y0, x0, y0 + far, dash="6 6"),
        _text(x0 - 10, y0 + far * 0.8, "true square line", "end"),
        _line(x0, y0, x0 + lean * stem, y0 + far * stem, wide=7),
        _line(x0 + lean * stem, y0 + far * stem, x0 + lean, y0 + far, dash="2 5"),
        _text(x0 + lean * stem + 16, y0 + far * stem, f"stem, {error_deg:.0f} degrees off"),
        _dot(x0 + lean, y0 + far),
        _text(x0 + lean + 14, y0 + far + 5, "lens, square to the stem"),
        _line(x0, y0 + far, x0 + lean, y0 + far),
        _text(x0 + lean / 2, y0 + far + 26, f"{beside_cm:.0f} cm at {d_cm / 100:.1f} m", "middle"),
    )


def drawings() -> dict[str, str]:
    """All of them, by file name."""
    return {
        "face-on.svg": parallax(
            "Face-on, from above", "plane of chest and hands", "ball", 50, 350, 38
        ),
        "down-the-line.svg": parallax(
            "Down the line, from above", "plane of the hands", "club head, shaft level", 50, 350, 94
        ),
        "laid.svg": laid(3, 340),
    }


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, text in drawings().items():
        (FOLDER / name).write_text(text, encoding="utf-8")
