"""Reading speed of an IPC-2581 file, as a ratio to a bare walk over its elements that reads
nothing.

Run with `pytest tests/bench -m bench -s`. The file is like an exporter's: indented, a Set per net,
each trace leg and each pad a feature of its own with references to dictionaries, pours of 150
corners, drills, parts and a netlist.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from lxml import etree

from parsers.assembly.connectivity import connect
from parsers.board import Board, Hints
from parsers.ipc2581 import read_ipc2581

HEAD = """<?xml version="1.0" encoding="UTF-8"?>
<IPC-2581 revision="C" xmlns="http://webstds.ipc.org/2581">
 <Content roleRef="owner">
  <FunctionMode mode="FABRICATION"/>
  <DictionaryLineDesc units="MILLIMETER">
   <EntryLineDesc id="ROUND_0.15"><LineDesc lineEnd="ROUND" lineWidth="0.15"/></EntryLineDesc>
   <EntryLineDesc id="ROUND_0.25"><LineDesc lineEnd="ROUND" lineWidth="0.25"/></EntryLineDesc>
  </DictionaryLineDesc>
  <DictionaryStandard units="MILLIMETER">
   <EntryStandard id="VIA"><Circle diameter="0.6"/></EntryStandard>
   <EntryStandard id="RECT"><RectCenter width="1.1" height="0.3"/></EntryStandard>
   <EntryStandard id="OVAL"><Oval width="1.6" height="0.8"/></EntryStandard>
   <EntryStandard id="ROUNDED"><RectRound width="1.2" height="0.6" radius="0.1" upperRight="true" upperLeft="true"
    lowerLeft="true" lowerRight="true"/></EntryStandard>
  </DictionaryStandard>
 </Content>
 <Ecad name="board">
  <CadHeader units="MILLIMETER"/>
  <CadData>
   <Layer name="TOP" layerFunction="SIGNAL" side="TOP" polarity="POSITIVE"/>
   <Layer name="BOTTOM" layerFunction="SIGNAL" side="BOTTOM" polarity="POSITIVE"/>
   <Layer name="DRILL" layerFunction="DRILL" side="ALL" polarity="POSITIVE"/>
   <Step name="board" type="BOARD">
    <Datum x="0" y="0"/>
"""
TAIL = """   </Step>
  </CadData>
 </Ecad>
</IPC-2581>
"""


def file_of(size: int) -> str:
    """Write a file of about `size` bytes, always the same."""
    rng = np.random.default_rng(20)
    side = float(np.sqrt(size / 1000)) * 2.5
    nets, features, drills, written, net = [], [], [], 0, 0
    while written < size:
        net += 1
        x, y = rng.uniform(0, side, 2)
        pins = [f"U{rng.integers(1, 2000)}.{net}-{i}" for i in range(3)]
        part = [
            f'     <Set net="NET{net}">',
            *_trace(rng, x, y),
            "     </Set>",
            *_pads(rng, net, pins, x, y),
        ]
        if rng.random() < 0.1:
            part += [f'     <Set net="NET{net}">', *_pour(rng, x, y), "     </Set>"]
        drills.append(_drill(net, x, y))
        nets.append(_logical_net(net, pins))
        features.append("\n".join(part))
        written += len(features[-1]) + len(drills[-1]) + len(nets[-1])
    half = len(features) // 2
    body = ["\n".join(nets)]
    for name, sets in (("TOP", features[:half]), ("BOTTOM", features[half:]), ("DRILL", drills)):
        body += [f'    <LayerFeature layerRef="{name}">', *sets, "    </LayerFeature>"]
    return HEAD + "\n".join(body) + "\n" + TAIL


def _trace(rng: np.random.Generator, x: float, y: float) -> list[str]:
    rows = []
    for dx, dy in rng.uniform(-2, 2, (int(rng.integers(8, 40)), 2)).tolist():
        rows.append(
            "      <Features>\n"
            f'       <Line startX="{x:.4f}" startY="{y:.4f}" endX="{x + dx:.4f}"'
            f' endY="{y + dy:.4f}">\n'
            f'        <LineDescRef id="ROUND_0.{"15" if dx > 0 else "25"}"/>\n'
            "       </Line>\n      </Features>"
        )
        x, y = x + dx, y + dy
    return rows


def _pads(rng: np.random.Generator, net: int, pins: list[str], x: float, y: float) -> list[str]:
    rows = [f'     <Set net="NET{net}" padUsage="TERMINATION">']
    for pin in pins:
        part, _, number = pin.partition(".")
        x, y = x + 1.27, y + 0.635
        shape = ("VIA", "RECT", "OVAL", "ROUNDED")[int(rng.integers(4))]
        rows.append(
            '      <Pad padstackDefRef="P">\n       <Xform'
            f' rotation="{90 * int(rng.integers(4))}.0"/>\n       <Location x="{x:.4f}"'
            f' y="{y:.4f}"/>\n       <StandardPrimitiveRef id="{shape}"/>\n       <PinRef'
            f' componentRef="{part}" pin="{number}"/>\n      </Pad>'
        )
    return [*rows, "     </Set>"]


def _pour(rng: np.random.Generator, x: float, y: float) -> list[str]:
    angles = np.linspace(0, 2 * np.pi, 151)
    reach = rng.uniform(2, 5, 151)
    corners = np.column_stack((x + reach * np.cos(angles), y + reach * np.sin(angles))).tolist()
    steps = "\n".join(
        f'         <PolyStepSegment x="{cx:.4f}" y="{cy:.4f}"/>' for cx, cy in corners[1:-1]
    )
    begin = f'x="{corners[0][0]:.4f}" y="{corners[0][1]:.4f}"'
    rows = (
        "      <Features>\n       <Contour>\n        <Polygon>\n         <PolyBegin"
        f" {begin}/>\n{steps}\n         <PolyStepSegment {begin}/>\n        </Polygon>\n      "
        " </Contour>\n      </Features>"
    )
    return [rows]


def _drill(net: int, x: float, y: float) -> str:
    return (
        f'     <Set net="NET{net}">\n      <Hole name="H{net}" diameter="0.3" platingStatus="VIA"'
        f' plusTol="0" minusTol="0" x="{x:.4f}" y="{y:.4f}"/>\n     </Set>'
    )


def _logical_net(net: int, pins: list[str]) -> str:
    rows = "\n".join(
        '     <PinRef componentRef="{}" pin="{}"/>'.format(*pin.split(".")) for pin in pins
    )
    return f'    <LogicalNet name="NET{net}">\n{rows}\n    </LogicalNet>'


def walk(path: Path) -> int:
    """Go over all elements and read nothing."""
    count = 0
    for _, element in etree.iterparse(str(path)):
        element.clear()
        count += 1
    return count


def best(times: int, work: Callable[[], Any]) -> float:
    """Shortest of some run times, s of processor time: other work on the machine does not count."""
    runs = []
    for _ in range(times):
        start = time.process_time()
        work()
        runs.append(time.process_time() - start)
    return min(runs)


@pytest.mark.bench
@pytest.mark.parametrize("size", [2_000_000, 20_000_000])
def test_reading_a_whole_file(size: int, tmp_path: Path) -> None:
    """Reading into exact copper with nets, parts and holes takes at most 4 times a bare walk over
    the same file.

    Joining the copper into pieces is the same work for every format; it is measured apart.
    """
    path = tmp_path / "board.xml"
    path.write_text(file_of(size))
    read: list[Board] = []
    bare = best(3, lambda: walk(path))
    whole = best(2, lambda: read.append(read_ipc2581(path, Hints())))
    board = read[-1]
    joining = best(2, lambda: connect(board.copper, board.holes, board.nets, len(board.layers)))
    megabytes = path.stat().st_size / 1e6
    ratio = (whole - joining) / bare
    print(
        f"\n{megabytes:.1f} MB, {len(board.copper)} objects: bare walk {megabytes / bare:.1f} MB/s,"
        f" reading {megabytes / (whole - joining):.1f} MB/s, {ratio:.2f} times the walk;"
        f" with joining {megabytes / whole:.1f} MB/s, {whole / bare:.2f} times"
    )
    assert board.doubts == ()
    assert ratio <= 4
