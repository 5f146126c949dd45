"""What `check --explain` tells a person: spreads by source, and what to improve (`budget.`)."""

from __future__ import annotations

import math

from server import words
from vision.budget import Budget, Source, Step
from vision.setup import Setup, View

TOLD = 3  # more remedies than these are a list, not advice
NARROWER = 0.9  # a spread that stays above this share of itself is not mentioned

_GOVERNED = ("offset_m", "yaw_rad", "roll_rad")


def report(budget: Budget, setup: Setup, speech: words.Speech) -> str:
    """Several lines: every "±" holds 19 times out of 20, and in a column their squares add up."""
    names = budget.quantities
    head = ["", *(words.fill(speech, f"budget.{name}") for name in names)]
    rows = [
        [words.source_text(source, speech)]
        + [_spread(budget.sigma(name, source), name, speech) for name in names]
        for source in Source
        if source is not Source.OTHER or budget.variance[:, -1].any()
    ]
    said_all = words.fill(speech, "budget.all")
    rows.append([said_all, *(_spread(budget.sigma(name), name, speech) for name in names)])
    width = [max(len(row[k]) for row in (head, *rows)) for k in range(len(head))]
    lines = [f"  {words.fill(speech, 'budget.title')}"]
    for row in (head, *rows):
        cells = [row[0].ljust(width[0])]
        cells += [cell.rjust(w) for cell, w in zip(row[1:], width[1:], strict=True)]
        lines.append(words.pointed("    " + "  ".join(cells).rstrip(), speech))
    if budget.misfit > 1.05:
        factor = f"{math.sqrt(budget.misfit):.1f}"
        lines.append(f"    {words.fill(speech, 'budget.misfit', factor=factor)}")
    if setup.view is View.FACE_ON:
        lines.append(f"    {words.fill(speech, 'budget.true-square')}")
    for number, step in enumerate(budget.steps[:TOLD], start=1):
        told = words.step_text(step, speech) + _gain(step, budget, speech)
        lines.append(f"  {words.fill(speech, 'budget.improve', n=str(number), what=told)}")
    return "\n".join(lines)


def _gain(step: Step, budget: Budget, speech: words.Speech) -> str:
    """What the remedy does to the spreads that decide about square."""
    told = []
    for name in _GOVERNED:
        before, after = budget.sigma(name), step.sigma[name]
        if after < NARROWER * before:
            was, then = (_spread(sigma, name, speech) for sigma in (before, after))
            what = words.fill(speech, f"budget.{name}")
            told.append(words.fill(speech, "budget.gain", what=what, was=was, then=then))
    return f" ({', '.join(told)})" if told else ""


def _spread(sigma: float, name: str, speech: words.Speech) -> str:
    spread = words.Z95 * sigma
    any_ = words.fill(speech, "budget.any")
    if name.endswith("_rad"):
        return f"{math.degrees(spread):.1f}°" if math.degrees(spread) <= 90 else any_
    if not spread <= 100:  # also when it is not a number
        return any_
    if speech.units == "inches":
        return f"{spread / words.INCH_M:.1f} {words.fill(speech, 'unit.in')}"
    return f"{spread * 100:.1f} cm"
