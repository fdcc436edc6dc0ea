"""Proposes a rules file from the data alone: regions, isolators, ties and layers; every guess
states its evidence.

The netlist tells galvanic domains (`domains`), copper and names tell their references (`regions`),
what stands between them becomes barriers and ties (`borders`), `text` writes it down. On boards
without net names the largest pieces of copper become regions by place (`nameless`).
"""

from __future__ import annotations

from checker.app.draft import keep, nameless, text
from checker.app.draft.borders import Tie, barriers, ties
from checker.app.draft.domains import ACROSS
from checker.app.draft.parts import Part
from checker.app.draft.regions import EARTH, Survey
from checker.rules import known_limits
from parsers.board import Board

__all__ = ["amended", "draft"]


def draft(board: Board) -> str:
    """Text of a rules file for a board; it runs as it is, and stays incomplete until it has been edited."""
    return _proposed(board) + text.layers_text(board)


def _proposed(board: Board) -> str:
    pour = known_limits()["pour"].default
    if not any(net.name and not net.single for net in board.nets):
        return nameless.drafted(board, pour)
    survey = Survey(board, pour)
    return _with_names(survey) if survey.regions else _without_ground(survey)


def amended(board: Board, old: str) -> str:
    """Text of an edited rules file (`old`) with what a draft of this board adds; nothing that it says is changed."""
    return keep.amended(old, _proposed(board), [net.name for net in board.nets])


def _without_ground(survey: Survey) -> str:
    return text.header(survey.board) + text.nothing()


def _with_names(survey: Survey) -> str:
    earth = next((region for region in survey.regions if region.kind == EARTH), None)
    joined = ties(survey)
    _leave_shared(joined)
    blocks = [text.header(survey.board)]
    blocks += [text.region_text(survey, region) for region in survey.regions]
    blocks += [text.barrier_text(survey, barrier, earth) for barrier in barriers(survey)]
    blocks += [text.tie_text(survey, tie) for tie in joined]
    blocks += [
        text.through_text(survey),
        text.stitching_text(_stitching(survey, joined)),
    ]
    return "".join(blocks)


def _leave_shared(joined: list[Tie]) -> None:
    """Nets that a tie with the home region shares are named there alone: `*` claims them."""
    for tie in joined:
        for region in tie.regions:
            if any(other.home for other in tie.regions) and not region.home:
                region.nets -= set(tie.nets)


def _stitching(survey: Survey, joined: list[Tie]) -> list[Part]:
    """Small capacitors that hand return current over between the carriers of one region, or the
    references of a tie.
    """
    carriers = [region.carriers for region in survey.regions]
    own = [
        part
        for part in survey.parts
        if _hands_over(part) and any(set(part.distinct) <= c for c in carriers)
    ]
    across = [part for tie in joined if tie.parts or tie.places for part in tie.capacitors]
    return sorted(
        {part.refdes: part for part in (*own, *across) if _hands_over(part)}.values(), key=_refdes
    )


def _hands_over(part: Part) -> bool:
    """Whether a part has the pins of a small capacitor: two, near each other."""
    if part.connector or len(part.nets) != 2 or len(part.distinct) != 2:
        return False
    return part.gap(part.distinct[:1], part.distinct[1:]) < ACROSS


def _refdes(part: Part) -> str:
    return part.refdes
