"""Which region claims which net, which copper is a pour, what floats, and what is a doubt."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import shapely

from checker.layout.layout import Layout
from checker.layout.regions import NetNames, floating_rows
from parsers.board import Net
from tests.boards import built_directly, case, layout_of

A = {"region": "a", "layer": "L2", "box": [0, 0, 10, 20]}
B = {"region": "b", "layer": "L2", "box": [12, 0, 30, 20]}


def layout(rules: Mapping[str, Any] | str | None = None, **board: Any) -> Layout:
    """A board of two regions with some more copper, seen through rules."""
    table = {"because": "", "expect": (), "pours": [A, B], **board}
    made = case("board", table | ({"rules": rules} if rules else {}))
    return layout_of(built_directly(made.sketch), made.rules)


def region_of(seen: Layout, net: str) -> str | None:
    """Name of the region that claims a net."""
    index = int(seen.region_of_net[[n.name for n in seen.board.nets].index(net)])
    return seen.regions[index].name if index >= 0 else None


def trace(net: str, x: float = 2.0, **more: Any) -> dict[str, Any]:
    """A short trace at some x, over a's pour unless moved."""
    return {"net": net, "layer": "L1", "width": 0.2, "points": [[x, 2], [x, 8]], **more}


def doubts(seen: Layout) -> list[str]:
    """What is in doubt."""
    return [doubt.what for doubt in seen.doubts]


# --------------------------------------------------------------------------------------------- nets


@pytest.mark.parametrize(
    ("pattern", "names", "found"),
    [
        ("PH_*", ["PH_1", "PH", "XPH_1", "PH_"], [0, 3]),
        ("D[0]", ["D[0]", "D0"], [0, 1]),  # as written, and as a set of characters
        ("gnd", ["GND", "gnd"], [1]),
        ("A?", ["A1", "A12", "A"], [0]),
        ("/X/{slash}*", ["/X/{slash}1", "/X/1"], [0]),
    ],
)
def test_patterns_match_whole_names_as_written(
    pattern: str, names: list[str], found: list[int]
) -> None:
    """Glob patterns match case by case; a name spelled like the pattern matches as well."""
    assert NetNames(names).matching([pattern]).tolist() == found


def test_matching_is_ascending_and_without_repetition() -> None:
    """Several patterns may match one net."""
    assert NetNames(["b", "a", "ab"]).matching(["a*", "ab", "b"]).tolist() == [0, 1, 2]


def test_references_come_before_patterns() -> None:
    """A reference net stays with its region though another region's pattern matches it."""
    seen = layout({"region": {"a": {"nets": ["GND_B", "SIG"]}}}, draws=[trace("SIG")])
    assert region_of(seen, "GND_B") == "b"
    assert region_of(seen, "SIG") == "a"
    assert doubts(seen) == []


def test_explicit_patterns_come_before_the_star() -> None:
    """`*` takes whatever no other region claims, wherever it stands."""
    rules = {"region": {"a": {"nets": ["*"]}, "b": {"nets": ["B_*"]}}}
    seen = layout(rules, draws=[trace("B_1", 15), trace("X")])
    assert (region_of(seen, "B_1"), region_of(seen, "X")) == ("b", "a")


def test_a_net_that_two_regions_claim_is_a_doubt() -> None:
    """It goes to the first and says so."""
    rules = {"region": {"a": {"nets": ["X*"]}, "b": {"nets": ["X1"]}}}
    seen = layout(rules, draws=[trace("X1")])
    assert region_of(seen, "X1") == "a"
    assert doubts(seen) == ['net "X1" is claimed by regions a and b']
    assert seen.doubts[0].place.element == "region.b.nets"


def test_a_tie_may_share_a_net_of_two_regions() -> None:
    """A net that the tie names is no doubt."""
    rules = {
        "region": {"a": {"nets": ["X*"]}, "b": {"nets": ["X1"]}},
        "tie": [{"between": ["a", "b"], "nets": ["X1"]}],
    }
    seen = layout(rules, draws=[trace("X1")])
    assert doubts(seen) == []
    assert seen.is_shared([n.name for n in seen.board.nets].index("X1"), 0, 1)


def test_a_net_that_no_region_claims_is_a_doubt() -> None:
    """Each by its own name, so that each can be accepted by itself."""
    seen = layout({"region": {"a": {"nets": []}}}, draws=[trace("X"), trace("Y", 4)])
    assert doubts(seen) == ['net "X" belongs to no region', 'net "Y" belongs to no region']


@pytest.mark.parametrize(
    ("rules", "what", "element"),
    [
        ({"region": {"b": {"nets": ["SIGG*"]}}}, 'no net matches "SIGG*"', "region.b.nets"),
        ({"region": {"b": {"planes": ["VP"]}}}, 'no net matches "VP"', "region.b.planes"),
        ({"nets": {"slow": ["LED_*"]}}, 'no net matches "LED_*"', "nets.slow"),
        ({"nets": {"noisy": ["SW"]}}, 'no net matches "SW"', "nets.noisy"),
        ({"nets": {"pairs": [["SIG", "SIG_N"]]}}, 'no net matches "SIG_N"', "nets.pairs"),
        ({"nets": {"edge_ns": {"CLK": 1.0}}}, 'no net matches "CLK"', "nets.edge_ns"),
        ({"nets": {"stitching": ["C9"]}}, 'part "C9" is not on the board', "nets.stitching"),
        (
            {"tie": [{"between": ["a", "b"], "at": "R9"}]},
            'part "R9" is not on the board',
            "tie[0].at",
        ),
        ({"tie": [{"between": ["a", "b"], "nets": ["Q"]}]}, 'no net matches "Q"', "tie[0].nets"),
        (
            {"barrier": [{"between": ["a", "b"], "isolators": ["U9"], "working_voltage": 50}]},
            'part "U9" is not on the board',
            "barrier[0].isolators",
        ),
        (
            {"barrier": [{"between": ["a", "b"], "earthed": ["PE"], "working_voltage": 50}]},
            'no net matches "PE"',
            "barrier[0].earthed",
        ),
        (
            {"hardware": [{"at": [3, 3], "diameter": 6, "side": "both", "net": "PE"}]},
            'no net matches "PE"',
            "hardware[0].net",
        ),
        (
            {"stackup": {"reference": {"L1": ["L7"]}}},
            'layer "L7" is not on the board',
            "stackup.reference.L1",
        ),
    ],
)
def test_what_matches_nothing_is_a_doubt_with_its_key(
    rules: dict[str, Any], what: str, element: str
) -> None:
    """A pattern without net, a part or a layer that is not there: told with the key that asks for
    it.
    """
    seen = layout(rules, draws=[trace("SIG")])
    assert (what, element) in [(doubt.what, doubt.place.element) for doubt in seen.doubts]


@pytest.mark.parametrize(
    "named",
    [
        {"barrier": [{"between": ["a", "b"], "earthed": ["PE"], "working_voltage": 50}]},
        {"spacing": [{"between": [["SIG"], ["PE"]], "working_voltage": 50, "table": "t.csv"}]},
        {"region": {"b": {"nets": ["P?"]}}},
    ],
)
def test_a_net_that_only_hardware_has_is_known_where_the_rules_name_it(
    named: dict[str, Any],
) -> None:
    """A chassis screw's net need not be on the board; one that nothing else names may be
    misspelt.
    """
    screw = {"hardware": [{"at": [3, 3], "diameter": 6, "side": "both", "net": "PE"}]}
    seen = layout({**named, **screw}, draws=[trace("SIG")])
    assert not [doubt.what for doubt in seen.doubts if "P" in doubt.what]


def test_a_doubt_offers_the_nearest_spelling() -> None:
    """The nearest known name is proposed."""
    seen = layout({"nets": {"slow": ["LED_STATSU"]}}, draws=[trace("LED_STATUS")])
    assert 'did you mean "LED_STATUS"?' in seen.doubts[0].why


def test_a_region_without_any_pour_is_a_doubt() -> None:
    """Nothing can be judged against a reference that is not there."""
    seen = layout(
        {"region": {"c": {"reference": ["GND_C"], "nets": []}}}, draws=[trace("GND_C", 40)]
    )
    assert doubts(seen) == ["region c has no pour"]


@pytest.mark.parametrize(
    ("named", "told"), [(["L1"], True), ([], True), (["L2"], False), (["L1", "L2"], False)]
)
def test_a_stated_reference_without_pours_is_a_doubt(named: list[str], told: bool) -> None:
    """Both pours are on L2: a layer that refers to L1 or to nothing could hide every crossing."""
    seen = layout({"stackup": {"reference": {"L1": named}}}, draws=[trace("SIG")])
    assert doubts(seen) == (["the stated reference of L1 has no pour"] if told else [])


def test_a_net_of_the_star_inside_another_territory_is_a_doubt() -> None:
    """Over b alone and claimed by nobody but `*`: probably b's. Half over a, or named, it is
    none.
    """
    rules = {"region": {"a": {"nets": ["*", "NAMED"]}, "b": {"nets": []}}}
    across = {"net": "ACROSS", "layer": "L1", "width": 0.2, "points": [[5, 15], [20, 15]]}
    seen = layout(rules, draws=[trace("STRAY", 20), trace("NAMED", 22), trace("HOME"), across])
    assert doubts(seen) == ['net "STRAY" lies wholly inside the territory of region b']


# ----------------------------------------------------------------------------------------- floating


def pad(
    net: str, x: float, refdes: str | None = None, pin: str | None = None, **more: Any
) -> dict[str, Any]:
    """A land at (x, 5)."""
    named = {
        key: value for key, value in {"refdes": refdes, "pin": pin}.items() if value is not None
    }
    return {"net": net, "layer": "L1", "at": [x, 5], "size": 1, **named, **more}


@pytest.mark.parametrize(
    ("pads", "vias", "floats"),
    [
        ([pad("X", 2, "U1", "1")], [], True),  # one pin
        ([pad("X", 2, "U1", "1"), pad("X", 4, "R1", "1")], [], False),
        ([pad("X", 2, "U1", "1"), pad("X", 4, "U1", "2")], [], False),  # two pins of one part
        (
            [pad("X", 2, "J1", "1", layer="L1"), pad("X", 2, "J1", "1", layer="L2")],
            [],
            True,
        ),  # one drilled pin
        ([pad("X", 2, "U1", "1")], [{"net": "X", "at": [4, 5]}], True),  # a via is no pad
        # two tabs of one pin: apart, they are one pin that goes nowhere
        ([pad("X", 2, "U1", "1"), pad("X", 4, "U1", "1")], [], True),
        ([pad("X", 2)], [], True),  # a land without part
        ([pad("X", 2), pad("X", 4)], [], False),
        ([pad("X", 2, "U1", "1"), pad("X", 4)], [], False),  # a test land
        (
            [],
            [{"net": "X", "at": [4, 5]}],
            False,
        ),  # no pad at all: nobody says that it goes nowhere
    ],
)
def test_a_net_with_exactly_one_pad_floats(pads: list[Any], vias: list[Any], floats: bool) -> None:
    """Floating nets belong to no region, and are no doubt."""
    seen = layout(pads=pads, vias=vias)
    net = [n.name for n in seen.board.nets].index("X")
    assert bool(seen.floating[net]) is floats
    assert region_of(seen, "X") == (None if floats else "a")
    assert doubts(seen) == []


def test_two_lands_of_one_pin_that_a_track_joins_go_somewhere() -> None:
    """As the tabs of a shield: one track is enough."""
    track = {"net": "X", "layer": "L1", "width": 0.2, "points": [[2, 5], [4, 5]]}
    seen = layout(pads=[pad("X", 2, "U1", "1"), pad("X", 4, "U1", "1")], draws=[track])
    net = [n.name for n in seen.board.nets].index("X")
    assert not seen.floating[net]


def test_pins_stated_not_connected_float() -> None:
    """Each N/C pin is a net of its own that belongs to no region, an isolator's too."""
    rules = {"barrier": [{"between": ["a", "b"], "isolators": ["U1"], "working_voltage": 50}]}
    seen = layout(rules, pads=[pad("N/C", 2, "U1", "1"), pad("N/C", 4, "U1", "2")])
    assert [n for n in seen.board.nets if n.single]
    assert seen.floating.sum() == 2
    assert not (seen.row_region[seen.pads_of("U1")] >= 0).any()


def test_a_reference_net_never_floats() -> None:
    """Even with one pad."""
    seen = layout(pads=[pad("GND_A", 2, "U1", "1")])
    assert region_of(seen, "GND_A") == "a"


@pytest.mark.parametrize(
    "function", ["CopperBalancing", "NonConductor", "Border", "FiducialPad,Local"]
)
def test_thieving_text_and_fiducials_belong_to_no_region(function: str) -> None:
    """Whatever net they carry, unless it is a reference."""
    seen = layout(
        draws=[trace("X"), trace("X", 5)],
        pads=[
            {"net": "X", "layer": "L1", "at": [8, 5], "size": 1, "function": function},
            {"net": "GND_A", "layer": "L1", "at": [9, 15], "size": 1, "function": function},
        ],
    )
    assert floating_rows(seen.board).sum() == 2
    rows = np.flatnonzero(floating_rows(seen.board))
    assert sorted(seen.row_region[rows].tolist()) == [-1, 0]


# -------------------------------------------------------------------------------------------- pours


def shapes(seen: Layout) -> list[tuple[str, float]]:
    """Region and area of each pour."""
    return [(seen.regions[p.region].name, round(p.shape.area, 3)) for p in seen.pours]


def hole(x0: float, y0: float, x1: float, y1: float) -> list[list[float]]:
    """A rectangular hole."""
    return [[x0, y0], [x1, y0], [x1, y1], [x0, y1]]


@pytest.mark.parametrize(
    ("void", "filled"),
    [
        (hole(4, 4, 5, 5), True),  # diagonal 1.414
        (hole(4, 4, 5.1, 5.1), False),  # diagonal 1.556
        (hole(4, 4, 4.2, 5.4), True),  # 1.414
        (hole(4, 4, 4.1, 14), False),  # a long narrow slot is no antipad
    ],
)
def test_holes_whose_longest_extent_is_below_the_limit_are_filled(
    void: list[Any], filled: bool
) -> None:
    """limits.hole is 1.5 mm."""
    area = (void[1][0] - void[0][0]) * (void[2][1] - void[1][1])
    seen = layout(pours=[{**A, "holes": [void]}, B])
    assert shapes(seen)[0] == ("a", round(200 - (0 if filled else area), 3))
    assert seen.pours[0].copper.area == pytest.approx(200 - area)


@pytest.mark.parametrize(
    ("size", "void", "filled"),
    [
        (
            2.0,
            hole(2.6, 2.6, 7.4, 7.4),
            False,
        ),  # the corner is 2.4 * 1.414 - 1 = 2.39 from the copper
        (2.0, hole(3.5, 3.5, 6.5, 6.5), True),  # the corner is 1.5 * 1.414 - 1 = 1.12 from it
        (4.0, hole(2.7, 2.7, 7.3, 7.3), True),  # 2.3 * 1.414 - 2 = 1.25
        (2.0, hole(3.5, 4.5, 9.9, 5.5), False),  # a slot that runs off to one side
    ],
)
def test_holes_close_around_drilled_pads_are_filled(
    size: float, void: list[Any], filled: bool
) -> None:
    """A hole that reaches less than 1.5 mm beyond the copper of the pads that it surrounds is an
    antipad.
    """
    land = {"net": "X", "layer": "L2", "at": [5, 5], "size": size}
    drilled = [{"net": "X", "at": [5, 5], "diameter": 0.8}]
    area = (void[1][0] - void[0][0]) * (void[2][1] - void[1][1])
    seen = layout(pours=[{**A, "holes": [void]}, B], pads=[land], holes=drilled)
    assert shapes(seen)[0][1] == pytest.approx(200 - (0 if filled else area))
    without = layout(pours=[{**A, "holes": [void]}, B], pads=[land])  # not drilled: no antipad
    assert shapes(without)[0][1] == pytest.approx(200 - area)


@pytest.mark.parametrize("drilled", [True, False])
def test_the_voids_between_thermal_spokes_are_antipads(drilled: bool) -> None:
    """A ring of 0.5 mm around a drilled land of 3 mm, cut by four spokes: each quarter is longer
    than 1.5 mm.
    """
    ring = shapely.Point(5, 5).buffer(2.0).exterior.coords[:-1]
    spokes = [
        {"net": "GND_A", "layer": "L2", "width": 0.4, "points": [[2.5, 5], [7.5, 5]]},
        {"net": "GND_A", "layer": "L2", "width": 0.4, "points": [[5, 2.5], [5, 7.5]]},
    ]
    land = {"net": "GND_A", "layer": "L2", "at": [5, 5], "size": 3}
    holes = [{"net": "GND_A", "at": [5, 5], "diameter": 1.5}] if drilled else []
    seen = layout(
        pours=[{**A, "holes": [[list(p) for p in ring]]}, B], draws=spokes, pads=[land], holes=holes
    )
    assert len(seen.pours[0].copper.interiors) == 4
    assert len(seen.pours[0].shape.interiors) == (0 if drilled else 4)


def test_a_slot_that_ends_at_a_drilled_land_is_no_antipad() -> None:
    """It reaches too far, and the land is but a small part of its edge."""
    # 1.4 mm long, its end inside the land of 1.2 mm
    slot = {**A, "holes": [hole(5.5, 4.8, 6.9, 5.2)]}
    land = {"net": "GND_A", "layer": "L2", "at": [5, 5], "size": 1.2}
    long_ = {**A, "holes": [hole(5.5, 4.8, 9, 5.2)]}
    for void, filled in ((slot, True), (long_, False)):
        seen = layout(
            pours=[void, B], pads=[land], holes=[{"net": "GND_A", "at": [5, 5], "diameter": 0.6}]
        )
        assert (len(seen.pours[0].shape.interiors) == 0) is filled


def test_a_barrel_without_land_makes_an_antipad_too() -> None:
    """Inner layers often have no land: the wall of the plated hole is its copper; an unplated hole
    has none.
    """
    void = hole(4, 4, 6, 6)  # corner 1.414 - 0.4 from the wall
    plated = layout(
        pours=[{**A, "holes": [void]}, B], holes=[{"net": "X", "at": [5, 5], "diameter": 0.8}]
    )
    unplated = layout(
        pours=[{**A, "holes": [void]}, B], holes=[{"at": [5, 5], "diameter": 0.8, "plated": False}]
    )
    assert shapes(plated)[0] == ("a", 200)
    assert shapes(unplated)[0] == ("a", 196)


@pytest.mark.parametrize(
    ("box", "pours"),
    [([40, 0, 45, 5], 1), ([40, 0, 44.9, 50], 0), ([40, 0, 45, 4.9], 0), ([40, 0, 60, 5], 1)],
)
def test_a_pour_holds_a_disc_of_five_millimetres(box: list[float], pours: int) -> None:
    """Lone lands and tracks are no pours."""
    seen = layout(
        pours=[A, B, {"net": "GND_C", "layer": "L1", "box": box}], rules={"region": {"c": REGION_C}}
    )
    assert len([p for p in seen.pours if seen.regions[p.region].name == "c"]) == pours


REGION_C = {"reference": ["GND_C"], "nets": []}


def test_overlapping_and_touching_copper_is_one_pour() -> None:
    """Areas, strokes and lands of the reference; hairlines below 0.001 mm are contact."""
    more = [{**A, "box": [10.0008, 0, 11, 20]}, {**A, "box": [-3, -3, 1, 1]}]
    seen = layout(pours=[A, B, *more], draws=[trace("GND_A", 5)])
    assert [name for name, _ in shapes(seen)] == ["a", "b"]
    assert shapes(seen)[0][1] == pytest.approx(200 + 20 + 16 - 1, abs=0.05)


def test_the_area_of_a_region_limits_its_pours() -> None:
    """Copper outside is none of the region's; what falls apart inside is several pours."""
    rules = {"region": {"a": {"area": [[0, 0], [10, 0], [10, 6], [0, 6]]}}}
    assert shapes(layout(rules))[0] == ("a", 60)
    u = {
        **A,
        "box": None,
        "points": [[0, 0], [20, 0], [20, 20], [14, 20], [14, 2], [6, 2], [6, 20], [0, 20]],
    }
    u = {key: value for key, value in u.items() if value is not None}
    rules = {"region": {"a": {"area": [[0, 8], [30, 8], [30, 30], [0, 30]]}}}
    seen = layout(rules, pours=[u, {**B, "box": [40, 0, 50, 20]}])
    assert [(name, area) for name, area in shapes(seen) if name == "a"] == [("a", 72), ("a", 72)]


def test_a_region_without_reference_has_its_area_for_territory() -> None:
    """Territory: pours from above, or the area."""
    rules = {
        "region": {
            "c": {"reference": [], "nets": [], "area": [[40, 0], [50, 0], [50, 20], [40, 20]]}
        }
    }
    seen = layout(rules)
    assert seen.territory(2).area == pytest.approx(200)
    assert doubts(seen) == ["region c has no copper"]


def test_planes_are_pours_but_no_territory() -> None:
    """Supply planes carry return current; they are not the region's reference."""
    plane = {"net": "VP", "layer": "L1", "box": [-20, 0, -5, 20]}
    seen = layout({"region": {"a": {"planes": ["VP"]}}}, pours=[A, B, plane])
    assert [(p.layer, p.plane) for p in seen.pours if p.region == 0] == [(0, True), (1, False)]
    assert seen.territory(0).area == pytest.approx(200)


def test_pours_are_numbered_by_region_layer_and_place() -> None:
    """The order does not depend on the order of the files."""
    pieces = [{**A, "box": [20, 30, 28, 38]}, {**A, "box": [0, 30, 8, 38]}, {**A, "layer": "L1"}]
    seen = layout(
        pours=[B, *pieces, A], rules={"region": {"b": {"nets": ["*"]}, "a": {"nets": []}}}
    )
    assert [(p.region, p.layer, p.piece, p.shape.bounds[0]) for p in seen.pours] == [
        (0, 1, 0, 12),
        (1, 0, 0, 0),
        (1, 1, 0, 0),
        (1, 1, 1, 0),
        (1, 1, 2, 20),
    ]


def test_the_land_of_another_reference_in_a_filled_antipad_stays_its_own() -> None:
    """A mounting land of 6 mm of b in a's pour: the antipad is filled, but not under the land."""
    void = hole(2, 2, 8, 8)
    land = {"net": "GND_B", "layer": "L2", "at": [5, 5], "size": 5.6}
    seen = layout(
        pours=[{**A, "holes": [void]}, B],
        pads=[land],
        holes=[{"net": "GND_B", "at": [5, 5], "diameter": 3}],
    )
    of_a, of_b = seen.pours[0], next(p for p in seen.pours if p.region == 1 and p.shape.area < 30)
    assert of_a.shape.area == pytest.approx(200 - np.pi * 2.8**2, abs=0.02)
    assert not shapely.overlaps(of_a.shape, of_b.shape)


def test_names_of_single_nets_are_not_claimed() -> None:
    """A pattern that matches N/C claims nothing."""
    made = case("board", {"because": "", "expect": (), "pours": [A, B], "draws": [trace("X")]})
    board = built_directly(made.sketch)
    nets = tuple(Net(n.name, single=n.name == "X") for n in board.nets)
    seen = layout_of(replace(board, nets=nets), made.rules)
    assert region_of(seen, "X") is None
