"""The Gerber layer format: revision 2023.08 and what older revisions left in use.

Source: The Gerber Layer Format Specification 2023.08; 2016.01, 2013 and the RS-274X guide of 2001
for what is deprecated. Read: all commands, X2 attributes also in comments, deprecated image
parameters. Left out, always with a doubt: knockouts (KO), included files (IF), G00 and G10 to G12
of 2001, words that fit no revision. RS-274-D is refused.

    syntax      words, and the numbers of operations in bulk       commands    meaning of each different command
    attributes  names, values, numbering                           state       modal state at each operation
    macros      grammar and composition of aperture macros         apertures   standard templates and macros as shapes
    outlines    filling of contours                                arcs        circular moves
    regions     contours of region statements                      plotter     operations to objects
    blocks      blocks and repeats                                 drawing     the file from the inside out
    definitions macros and apertures as a file states them         old_image   deprecated parameters of the whole image
    checks      what is odd about a file                           bounds      how much a file may expand to
    reader      a whole file
"""

from parsers.gerber.attributes import file_attributes
from parsers.gerber.reader import looks_like_gerber, read_gerber

__all__ = ["file_attributes", "looks_like_gerber", "read_gerber"]
