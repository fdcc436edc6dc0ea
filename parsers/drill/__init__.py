"""Drill and rout files: NC programs for drilling machines (the format known as Excellon) and Gerber
drill layers.

An NC program is a sequence of lines, each a keyword with fields or a run of words (a letter and a
number):

    line      = keyword {"," field} | word {word} | ";" comment | "%"
    word      = ("N"|"G"|"M"|"T"|"C"|"F"|"S"|"B"|"H"|"Z"|"X"|"Y"|"I"|"J"|"A"|"R") number

Read: METRIC and INCH with LZ, TZ and a digit pattern, M71 and M72, FMAT, ICI, tool tables, G05 and
G81 drilling, G85 slots, routed slots (G00, M15, G01, G02, G03 with A or I and J, M16, M17), G90 and
G91, repeats (R), patterns (M25, M01, M02, M08), attributes in comments (`; #@! TF...`, `;TYPE=`,
`;FILE_FORMAT=`, `;FORMAT=`, tool comments with size, plating and quantity). Whatever else could
move or hide a hole (zero set, cutter compensation, canned text, mirrored patterns) is a doubt.
Feeds, speeds and operator messages have no image and are skipped.

A coordinate without a decimal point means nothing without unit, digits and zero suppression. What
the file does not state is settled from its data, by the format that puts the holes where holes are
expected, with a doubt; if none does, the file is refused.

Source: common practice, no source (no standard of the format was at hand); tests hold the worked
lines.
"""

from __future__ import annotations

from parsers.drill.formats import NumberFormat, read_parameters, told_format
from parsers.drill.layer import holes_of_image
from parsers.drill.program import Score, looks_like_drill, on_places, read_drill
from parsers.drill.result import Drilled

__all__ = [
    "Drilled",
    "NumberFormat",
    "Score",
    "holes_of_image",
    "looks_like_drill",
    "on_places",
    "read_drill",
    "read_parameters",
    "told_format",
]
