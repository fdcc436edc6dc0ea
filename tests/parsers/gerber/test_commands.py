"""Meaning of single commands: The Gerber Layer Format Specification 2023.08, chapters 4, 5 and
8.
"""

from __future__ import annotations

import pytest

from parsers.gerber.commands import BODY, IGNORED, UNKNOWN, Command, Format, read_command

MEANINGS = {
    "": Command(IGNORED),
    "G04 a comment, TF.Part,Single": Command(IGNORED),
    "G4": Command(IGNORED),
    "G04 #@! TF.Part,Single": Command("TF.Part", ("Single",)),
    "G04#@!TO.N,A,B": Command("TO.N", ("A", "B")),
    "FSLAX46Y46": Command("FS", (Format(4, 6),)),
    "FSTAX24Y24": Command("FS", (Format(2, 4, trailing=True),)),
    "FSLIX23Y23": Command("FS", (Format(2, 3, incremental=True),)),
    "FSAX24Y24": Command("FS", (Format(2, 4),)),
    "FSLAN2X24Y24": Command("FS", (Format(2, 4),)),
    "FSDAX24Y24": Command(UNKNOWN),
    "FSLAX24Y25": Command(UNKNOWN),
    "MOMM": Command("MO", ("MM",)),
    "MOIN": Command("MO", ("IN",)),
    "MOCM": Command(UNKNOWN),
    "ADD10C,0.5": Command("AD", (10, "C", (0.5,))),
    "ADD0010C,.5X0.25": Command("AD", (10, "C", (0.5, 0.25))),
    "ADD11Donut_1,1X-2X+3.": Command("AD", (11, "Donut_1", (1.0, -2.0, 3.0))),
    "ADD12M": Command("AD", (12, "M", ())),
    "ADD12M,": Command("AD", (12, "M", ())),
    "ADD10C,0.5.5": Command(UNKNOWN),
    "ADD10C,1e9": Command(UNKNOWN),
    "ADC,0.5": Command(UNKNOWN),
    "AMPART": Command("AM", ("PART",)),
    "AM": Command(UNKNOWN),
    "ABD12": Command("AB", (12,)),
    "AB": Command("AB", (None,)),
    "SRX3Y2I5.0J4": Command("SR", (3, 2, 5.0, 4.0)),
    "SR": Command("SR", (1, 1, 0.0, 0.0)),
    "SRX3": Command("SR", (3, 1, 0.0, 0.0)),
    "SRX0Y2I1J1": Command("SR", (0, 2, 1.0, 1.0)),
    "SRX-1Y2": Command(UNKNOWN),
    "LPD": Command("LP", (True,)),
    "LPC": Command("LP", (False,)),
    "LPX": Command(UNKNOWN),
    "LMN": Command("LM", ("N",)),
    "LMXY": Command("LM", ("XY",)),
    "LMYX": Command(UNKNOWN),
    "LR-45.5": Command("LR", (-45.5,)),
    "LR": Command(UNKNOWN),
    "LS0.8": Command("LS", (0.8,)),
    "LS0": Command(UNKNOWN),
    "LS-1": Command(UNKNOWN),
    "TF.FileFunction,Copper,L1,Top": Command("TF.FileFunction", ("Copper", "L1", "Top")),
    "TA.AperFunction,SMDPad,CuDef": Command("TA.AperFunction", ("SMDPad", "CuDef")),
    "TO.N,": Command("TO.N", ("",)),
    "TO.N": Command(UNKNOWN),
    "TO.P,U1": Command(UNKNOWN),
    r"TO.N,3V3\u002Cmain": Command("TO.N", ("3V3,main",)),
    r"TO.N,\U0001F50B": Command("TO.N", ("\U0001f50b",)),
    r"TO.N,\uD800": Command("TO.N", (r"\uD800",)),
    "TD": Command("TD"),
    "TD.N": Command("TD.N"),
    "TD.N,x": Command(UNKNOWN),
    "TO": Command(UNKNOWN),
    "G36": Command("G36"),
    "g037": Command("G37"),
    "G75": Command("G75"),
    "M02": Command("M02"),
    "M00": Command("M02"),
    "M01": Command(IGNORED),
    "G54": Command(IGNORED),
    "G10": Command(UNKNOWN),
    "G99": Command(UNKNOWN),
    "INboard": Command(IGNORED),
    "LNlayer": Command(IGNORED),
    "IPPOS": Command("IP", (True,)),
    "IPNEG": Command("IP", (False,)),
    "IR90": Command("IR", (90,)),
    "IR45": Command(UNKNOWN),
    "MIA1B0": Command("MI", (1.0, 0.0)),
    "MIA2": Command(UNKNOWN),
    "SFA2": Command("SF", (2.0, 1.0)),
    "SFA0B0": Command(UNKNOWN),
    "OFB.5": Command("OF", (0.0, 0.5)),
    "ASAYBX": Command("AS", (True,)),
    "1,1,0.5,0,0": Command(BODY),
    "$4=$1x0.75": Command(BODY),
    "KOCX0Y0I1J1": Command(UNKNOWN),
    "IFfile.gbr": Command(UNKNOWN),
    "WHAT": Command(UNKNOWN),
}


@pytest.mark.parametrize("text", MEANINGS)
def test_meaning(text: str) -> None:
    """Each command means what the specification says; what it does not know is unknown, never
    ignored.
    """
    assert read_command(text) == MEANINGS[text]
