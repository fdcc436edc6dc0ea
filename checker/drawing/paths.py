"""Lines as SVG path data."""

from __future__ import annotations

import numpy as np

from checker.drawing.scene import Lines


def path_data(lines: Lines, *, closed: bool) -> str:
    """SVG path data of lines, relative and in whole micrometres: compact, and exact to the
    drawing's grid.

    Examples
    --------
    >>> path_data(Lines(np.array([[0, 0], [5, 0], [5, -7], [9, 9]]), np.array([0, 3])), closed=False)
    'M0 0l5 0 0-7M9 9h0'
    """
    if not len(lines):
        return ""
    steps = np.diff(lines.points, axis=0, prepend=lines.points[:1])
    words = [f"{x} {y}" for x, y in steps.tolist()]
    ends = [*lines.starts.tolist()[1:], len(lines.points)]
    out = []
    tail = "z" if closed else ""
    firsts = lines.points[lines.starts].tolist()
    for (x, y), start, end in zip(firsts, lines.starts.tolist(), ends, strict=True):
        rest = " ".join(words[start + 1 : end]).replace(" -", "-")
        out.append(f"M{x} {y}l{rest}{tail}" if rest else f"M{x} {y}h0{tail}")
    return "".join(out)
