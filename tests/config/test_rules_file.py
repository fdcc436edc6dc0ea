"""The rules file: what is understood, and what each mistake is answered with."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from checker.config.rules_file import (
    Current,
    Hardware,
    NamedNet,
    PinName,
    Rules,
    RulesFileError,
    Tie,
    line_of_keys,
    parse_rules,
    read_rules,
)

LIMITS = {"hole": 1.5, "pour": 5.0}
RULE_IDS = ("gap-crossing", "clearance")
WHOLE = """\
schema = 1
title  = "Dosing controller, rev C"
[region.system]
reference = ["GND_SYS"]
nets      = ["*"]
[region.probe]
reference = ["GND_PROBE"]
nets      = [
  "PH_*", # pH = acidity
  "EC_*",
]
quiet     = true
planes    = ["VP_3V3"]
area      = [[0, 0], [40, 0], [40, 60], [0, 60]]
[[barrier]]
between          = ["system", "probe"]
isolators        = ["U3", "OK1", "T1"]
straddling       = ["J9"]
earthed          = ["PE"]
hazardous        = "system"
isolator_pf      = { U3 = 2.0 }
working_voltage  = 250
clearance_voltage = 2500
insulation       = "reinforced"
pollution_degree = 2
material_group   = "IIIa"
x_reduction      = false
table            = "spacing.csv"
[[spacing]]
between = [["AC_L"], ["AC_N", "PE"]]
working_voltage = 230
table = "spacing.csv"
[[tie]]
between = ["system", "probe"]
at    = "R40"
nets  = ["SPI_*"]
reach = 2.5
ohms = 0.05
[[hardware]]
at = [3.5, 3.5]
diameter = 7.0
side = "both"
net = "PE"
[[hardware]]
outline = [[1, 1], [9, 1], [9, 5]]
side = "top"
[tolerance]
etch = 0.02
[stackup]
thickness = 1.6
dielectric = [0.2, 1.1, 0.2]
copper = [0.035, 0.018, 0.018, 0.035]
plating = 0.02
er = 4.3
reference = { L1 = ["L2"], L4 = ["L3"] }
[net.HV_PLUS]
at = [[12.5, 40.0, "L1"], [3, 4, "L12"]]
[outline]
points = [[0, 0], [100, 0], [100, 80]]
[files]
"board.gtl" = "L1"
[nets]
noisy = ["SW_*"]
slow  = ["LED_*"]
pairs = [["D_P", "D_N"]]
stitching = ["C70", "C71"]
edge_ns = { "SPI_*" = 2.0 }
[[current]]
name = "boost ripple"
net = "VBAT"
from = "U2.5"
to = "U7.1"
back = ["U7.2", "U2.3"]
dc = 0.2
ripple = 0.05
frequency = 1e6
[[quiet_input]]
net = "PH_IN"
from = "J4.1"
to = "U8.3"
ground = ["J4.2", "U8.2"]
full_scale = 2.5
bits = 16
share = 0.5
field_device = "earthed"
common_mode = 12
[limits]
hole = 1.25
[[waiver]]
rule = "gap-crossing"
net  = "SHIELD"
near = [12.5, 40.0]
reason = "chassis bond, reviewed"
until  = 2027-03-31
[[accepted_doubt]]
what   = "no netlist for layer L3"
reason = "legacy board, compared by hand"
"""
SCALE = "full_scale = 2.5\nbits = 16\nshare = 0.5\n"  # what stands instead of allowed


def parse(text: str) -> Rules:
    return parse_rules(text, "r.toml", LIMITS, RULE_IDS)


def test_every_key_of_the_contract_is_read() -> None:
    rules = parse(WHOLE)
    assert [r.name for r in rules.regions] == ["system", "probe"]
    assert rules.regions[1].nets == ("PH_*", "EC_*")
    assert rules.regions[1].area[2] == (40.0, 60.0)
    assert rules.barriers[0].between == (("system",), ("probe",))
    assert rules.barriers[0].hazardous == 0
    assert rules.barriers[0].isolator_pf == {"U3": 2.0}
    assert rules.barriers[0].insulation.clearance_voltage == 2500
    assert rules.barriers[0].insulation.assumed == ()
    assert set(rules.spacings[0].insulation.assumed) == {
        "insulation",
        "pollution_degree",
        "material_group",
    }
    assert rules.tolerance.assumed == ("registration", "routing")
    assert rules.spacings[0].between == (("AC_L",), ("AC_N", "PE"))
    assert rules.ties == (Tie(("system", "probe"), "R40", ("SPI_*",), 2.5, 0.05),)
    sink = Hardware(side="top", outline=((1, 1), (9, 1), (9, 5)))
    assert rules.hardware == (Hardware((3.5, 3.5), 7.0, "both", "PE"), sink)
    assert rules.stackup.reference == {"L1": ("L2",), "L4": ("L3",)}
    back = (PinName("U7", "2"), PinName("U2", "3"))
    assert rules.currents == (
        Current(
            "boost ripple", "VBAT", PinName("U2", "5"), PinName("U7", "1"), back, 0.2, 0.05, 1e6
        ),
    )
    quiet = rules.quiet_inputs[0]
    assert (str(quiet.start), str(quiet.ground[1])) == ("J4.1", "U8.2")
    assert quiet.allowed == pytest.approx(2.5 / 65536 * 0.5)  # one step of 16 bits, halved
    assert (quiet.field_device, quiet.common_mode) == ("earthed", 12.0)
    assert rules.stackup.copper == (0.035, 0.018, 0.018, 0.035)
    assert (rules.stackup.plating, rules.stackup.er) == (0.02, 4.3)
    assert rules.named_nets == (NamedNet("HV_PLUS", ((12.5, 40.0, "L1"), (3.0, 4.0, "L12"))),)
    assert rules.outline == ((0.0, 0.0), (100.0, 0.0), (100.0, 80.0))
    assert rules.files == {"board.gtl": "L1"}
    assert rules.nets.edge_ns == {"SPI_*": 2.0}
    assert rules.waivers[0].until == date(2027, 3, 31)


def test_a_side_may_be_several_regions_and_a_region_may_have_no_copper_of_reference() -> None:
    text = WHOLE.replace('["system", "probe"]\nisol', '[["system", "pump"], "probe"]\nisol')
    rules = parse(
        text.replace('hazardous        = "system"', 'hazardous = "probe"')
        + "[region.pump]\nreference = []\n"
    )
    assert rules.barriers[0].between == (("system", "pump"), ("probe",))
    assert rules.barriers[0].regions == ("system", "pump", "probe")
    assert rules.barriers[0].hazardous == 1
    assert rules.barriers[0].separates("probe", "pump")
    assert not rules.barriers[0].separates("system", "pump")
    assert rules.regions[2].reference == ()


def test_limits_that_the_file_does_not_name_keep_their_default() -> None:
    assert parse(WHOLE).limits == {"hole": 1.25, "pour": 5.0}


def test_places_name_the_line_of_a_key_behind_a_list_of_several_lines() -> None:
    rules = parse(WHOLE)
    lines = WHOLE.splitlines()
    assert lines[rules.line_of["region.probe.quiet"] - 1].startswith("quiet")
    assert lines[rules.line_of["barrier[0].table"] - 1].startswith("table")
    assert (
        str(rules.place("waiver[0].near"))
        == f"r.toml:{lines.index('near = [12.5, 40.0]') + 1} (waiver[0].near)"
    )


@pytest.mark.parametrize(
    ("old", "new", "line_start", "said"),
    [
        ("quiet ", "quite ", "quite", 'no such key here; did you mean "quiet"?'),
        ("hole = 1.25", "hol = 1.25", "hol", 'no such key here; did you mean "hole"?'),
        ("[tolerance]", "[tolerances]", "[tolerances]", 'did you mean "tolerance"?'),
        (
            '["system", "probe"]\nisol',
            '["system", "prob"]\nisol',
            "between",
            'no region "prob"; did you mean "probe"?',
        ),
        ("2027-03-31", '"soon"', "until", "must be a date such as 2027-03-31, not 'soon'"),
        ('rule = "gap-crossing"', 'rule = "gap-crosing"', "rule", 'did you mean "gap-crossing"?'),
        (
            "working_voltage  = 250",
            "working_voltage  = 0",
            "working_voltage",
            "must be a number above 0 and below 1e12, not 0",
        ),
        ("x_reduction      = false", "altitude = 3000", "altitude", "no correction is built in"),
        ("x_reduction      = false", "frequency = 3000", "frequency", "no correction is built in"),
        ('"U2.5"', '"U2"', "from", 'must be part.pin such as "U2.5", not "U2"'),
        ('"U2.5"', '"U2."', "from", "must be part.pin"),
        ('["U7.2", "U2.3"]', '["U7.2"]', "back", "must be a list of two pins"),
        ('["U7.2", "U2.3"]', '["U7.2", "U2"]', "back", 'spelled part.pin such as "U2.5", not "U2"'),
        ('["U7.2", "U2.3"]', '["U7.2", "U7.2"]', "back", 'two different pins, not "U7.2" twice'),
        ("dc = 0.2\nripple = 0.05\n", "", "[[current]]", "give dc, or ripple and frequency"),
        ("frequency = 1e6\n", "", "[[current]]", "required with ripple"),
        ("ripple = 0.05\n", "", "frequency", "stands without ripple"),
        ("ripple = 0.05", "ripple = -0.05", "ripple", "must be a number of at least 0"),
        ("dc = 0.2", "dc = inf", "dc", "must be a number of at least 0"),
        *(
            (SCALE, f"allowed = {value}\n", "allowed", "must be a number above 0 and below 1e12")
            for value in ("0", "-1e-5", "nan", '"19 uV"')
        ),
        (SCALE, "", "[[quiet_input]]", "allowed: is missing"),
        ("full_scale = 2.5\n", "", "[[quiet_input]]", "full_scale: is required with bits"),
        ("bits = 16", "bits = 16\nallowed = 1e-5", "full_scale", "stands beside allowed"),
        ("bits = 16", "bits = 0", "bits", "must be a whole number from 1 to 32"),
        (
            '"earthed"\n',
            '"grounded"\n',
            "field_device",
            "must be one of 'floating', 'earthed', 'unknown'",
        ),
        ("{ U3 = 2.0 }", "{ U4 = 2.0 }", "isolator_pf", "is none of the isolators of this barrier"),
        ("ohms = 0.05", "ohms = -1", "ohms", "must be a number of at least 0"),
        ("etch = 0.02", "etch = -1", "etch", "must be a number of at least 0"),
        ("etch = 0.02", "etch = nan", "etch", "must be a number of at least 0"),
        ("etch = 0.02", "etch = true", "etch", "must be a number of at least 0"),
        ('"reinforced"', '"double"', "insulation", "must be one of 'none', 'functional', 'basic'"),
        ('"reinforced"', '"none"', "table", "asks for no distances"),
        (
            'hazardous        = "system"',
            'hazardous = "sytem"',
            "hazardous",
            "one side of between, not 'sytem'; did you",
        ),
        (
            'hazardous        = "system"',
            'hazardous = ["system", "probe"]',
            "hazardous",
            "must name one side of between",
        ),
        (
            '["system", "probe"]\nisol',
            '[["system", "probe"], "probe"]\nisol',
            "between",
            "names a region twice",
        ),
        ('["system", "probe"]\nisol', '["system"]\nisol', "between", "must be a list of two sides"),
        (
            '["system", "probe"]\nisol',
            '[["system", []], "probe"]\nisol',
            "between",
            "must be a list of two sides",
        ),
        ("{ U3 = 2.0 }", "{ U3 = -2.0 }", "isolator_pf", "must be a number of at least 0"),
        ("[9, 1], [9, 5]]", "[9, 1]]", "outline", "must be a list of at least three corners"),
        (
            "[[1, 1], [9, 1], [9, 5]]",
            "[[1, 1], [9, 9], [9, 1], [1, 9]]",
            "outline",
            "crosses or touches itself",
        ),
        ('side = "top"', "diameter = 3", "outline", "stands instead of at and diameter"),
        (
            "pollution_degree = 2",
            "pollution_degree = 4",
            "pollution_degree",
            "must be one of 1, 2, 3",
        ),
        ("[[tie]]", "[tie]", "[tie]", "write [[tie]] with two brackets"),
        ('[["D_P", "D_N"]]', '["D_P", "D_N"]', "pairs", "must be a list of pairs"),
        ('reason = "chassis bond, reviewed"\n', "", "[[waiver]]", "is missing or empty"),
        (
            'reason = "chassis bond, reviewed"',
            'resaon = "x"',
            "[[waiver]]",
            "'resaon' stands here, did you mean it?",
        ),
        ('nets      = ["*"]', 'nets      = "*"', "nets", "must be a list of texts"),
        (
            '"EC_*",\n',
            '"*",\n',
            "nets      = [",
            'only one region may claim "*"; system does already',
        ),
        (
            "[net.HV_PLUS]\nat",
            "[net.HV_PLUS]\nto",
            "[net.",
            "is missing; name places on the copper such as at = [[12.5",
        ),
        (
            '[3, 4, "L12"]',
            '[3, 4, "TOP"]',
            "at",
            "must be a list of places with their layer such as",
        ),
        ('[3, 4, "L12"]', '[3, "L12"]', "at", "must be a list of places with their layer such as"),
        ("[net.HV_PLUS]", '[net.""]', "[net.", "a net needs a name: write [net.NAME]"),
        (
            "points = [[0, 0], [100, 0], [100, 80]]",
            "points = [[0, 0]]",
            "points",
            "must be a list of at least three",
        ),
        ("copper = [0.035", "copper = [0", "copper", "must be a list of thicknesses in mm"),
        ("plating = 0.02", "plating = 0", "plating", "must be a number above 0"),
        ("er = 4.3", "er = 1e308", "er", "must be a number above 0 and below 1e12, not 1e"),
        ("er = 4.3", "er = nan", "er", "must be a number above 0"),
        ("at = [3.5, 3.5]", "at = [3.5]", "at", "must be a place such as [12.5, 40.0]"),
    ],
)
def test_a_mistake_is_named_with_its_line(old: str, new: str, line_start: str, said: str) -> None:
    assert old in WHOLE
    text = WHOLE.replace(old, new, 1)
    with pytest.raises(RulesFileError) as caught:
        parse(text)
    message = str(caught.value)
    assert said in message
    assert "\n" not in message
    place = caught.value.place
    assert place.line is not None
    assert text.splitlines()[place.line - 1].startswith(line_start)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "begin the file with: schema = 1"),
        ("schema = 2\n", "this version reads schema 1"),
        ("schema = 1\n", "declares no region"),
        (
            'schema = 1\n[region.a]\nnets = ["*"]\n',
            "region.a.reference: is missing; write reference = []",
        ),
        ("schema = \n", "r.toml:1: is no valid TOML"),
    ],
)
def test_a_file_that_says_too_little_is_refused(text: str, said: str) -> None:
    with pytest.raises(RulesFileError, match=re.escape(said)):
        parse(text)


@given(st.text(max_size=200))
def test_no_text_causes_anything_but_a_rules_file_error(text: str) -> None:
    # no region is declared, whatever else the text says
    with pytest.raises(RulesFileError, match=r"^r\.toml"):
        parse("schema = 1\n" + text)


@given(st.integers(0, len(WHOLE)))
def test_a_truncated_file_is_refused_or_a_shorter_file(cut: int) -> None:
    try:
        rules = parse(WHOLE[:cut])
    except RulesFileError:
        return
    assert rules.regions


def test_lines_are_found_in_spite_of_strings_that_look_like_keys() -> None:
    text = 'a = """\nb = 1\n"""\nc = [ # [ \n "d = 2",\n]\n[t]\n"e.f" = 1\n'
    assert line_of_keys(text) == {"a": 1, "c": 4, "t": 7, "t.e.f": 8}


def test_a_missing_file_is_one_line(tmp_path: Path) -> None:
    with pytest.raises(RulesFileError, match=r"none\.toml: cannot read it: No such file"):
        read_rules(tmp_path / "none.toml", LIMITS)


def test_a_file_in_another_encoding_is_refused(tmp_path: Path) -> None:
    (tmp_path / "r.toml").write_bytes(b'title = "\xff\xfe"')
    with pytest.raises(RulesFileError, match="UTF-8"):
        read_rules(tmp_path / "r.toml", LIMITS)
