"""Reader of IPC-2581 files, revisions A, B, B1 and C.

stream          guarded XML, one element at a time
document        raw tables of the whole file; features draws shapes into a sketch
dictionaries    line and fill descriptions and shapes by id
layers          order of copper layers, stackup, spans
placement, curves, shapes, resolve      raw sketches to exact copper
nets, components, openings, outline     what belongs to the copper
assembly        all of it to a Board
"""

from parsers.ipc2581.assembly import read_ipc2581

__all__ = ["read_ipc2581"]
