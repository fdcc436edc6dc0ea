"""The page of a fleet: boards by verdict, findings by rule over the years, doubts by cause, slowest
boards.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from html import escape

from checker.app.fleet.task import LOST, UNCHECKED, UNREADABLE, Row
from checker.drawing import palette
from checker.results.outcome import CAUTION

MOST = 15  # rows of the tables of causes and of slow boards
ORDER = ("fail", "incomplete", UNREADABLE, LOST, UNCHECKED, "pass")
STYLE = f"""
body {{ font: 15px/1.45 system-ui, sans-serif; color: {palette.INK}; max-width: 72em;
       margin: 2em auto; padding: 0 1em }}
table {{ border-collapse: collapse; margin: .5em 0 2em }}
th, td {{ border-bottom: 1px solid #ccc; padding: .25em .8em; text-align: left; vertical-align: top }}
td.n, th.n {{ text-align: right; font-variant-numeric: tabular-nums }}
.wide {{ overflow-x: auto }}
.caution {{ border-left: 4px solid {palette.VERMILLION}; padding: .5em 1em; background: {palette.BOARD} }}
"""


def as_page(rows: Sequence[Row]) -> bytes:
    """One HTML file without script or network; the same rows give the same bytes."""
    parts = [
        (
            f"<h1>{len(rows)} boards</h1><p class=caution><strong>Caution.</strong>"
            f" {escape(CAUTION)}</p>"
        ),
        _section("Boards by verdict", ("verdict", "boards"), _verdicts(rows)),
        _section("Findings by rule and year", *_by_year(rows)),
        _section("Doubts by cause", ("cause", "boards", "doubts"), _causes(rows)),
        _section("Slowest boards", ("board", "processor s"), _slowest(rows)),
        _section(
            "All boards",
            ("board", "verdict", "dated", "places", "errors", "warnings", "doubts", "trouble"),
            _all(rows),
        ),
    ]
    head = (
        "<!doctype html><html lang=en><meta"
        f" charset=utf-8><title>Fleet</title><style>{STYLE}</style>"
    )
    meta = '<meta name=viewport content="width=device-width, initial-scale=1">'
    return (head + meta + "\n".join(parts) + "</html>\n").encode()


def _verdicts(rows: Sequence[Row]) -> list[tuple[object, ...]]:
    count = Counter(row.verdict for row in rows)
    return [(verdict, count[verdict]) for verdict in ORDER if count[verdict]]


def _by_year(rows: Sequence[Row]) -> tuple[tuple[str, ...], list[tuple[object, ...]]]:
    years = sorted({row.dated[:4] or "undated" for row in rows})
    total: dict[str, Counter[str]] = defaultdict(Counter)
    for row in rows:
        for rule, number in row.findings.items():
            total[rule][row.dated[:4] or "undated"] += number
    boards = Counter(row.dated[:4] or "undated" for row in rows)
    lines: list[tuple[object, ...]] = [
        (rule, *(total[rule][year] for year in years)) for rule in sorted(total)
    ]
    return ("rule", *years), [("(boards)", *(boards[year] for year in years)), *lines]


def _causes(rows: Sequence[Row]) -> list[tuple[object, ...]]:
    doubts = Counter(cause for row in rows for cause in row.doubts)
    boards = Counter(cause for row in rows for cause in set(row.doubts))
    worst = sorted(doubts, key=lambda cause: (-boards[cause], -doubts[cause], cause))
    more = len(worst) - MOST
    lines: list[tuple[object, ...]] = [
        (cause, boards[cause], doubts[cause]) for cause in worst[:MOST]
    ]
    return [*lines, (f"and {more} more causes", "", "")] if more > 0 else lines


def _slowest(rows: Sequence[Row]) -> list[tuple[object, ...]]:
    return [
        (row.name, f"{row.seconds:.2f}")
        for row in sorted(rows, key=lambda r: (-r.seconds, r.name))[:MOST]
    ]


def _all(rows: Sequence[Row]) -> list[tuple[object, ...]]:
    worst = sorted(
        rows, key=lambda row: (ORDER.index(row.verdict), -row.levels.get("error", 0), row.name)
    )
    return [
        (
            *(row.name, row.verdict, row.dated or "undated", row.groups),
            *(row.levels.get("error", 0), row.levels.get("warning", 0), len(row.doubts), row.error),
        )
        for row in worst
    ]


def _section(title: str, heads: Sequence[str], lines: Iterable[Sequence[object]]) -> str:
    lines = list(lines)
    if not lines:
        return f"<h2>{escape(title)}</h2><p>No entry.</p>"
    numeric = [
        all(isinstance(line[n], int) or _is_number(line[n]) for line in lines)
        for n in range(len(heads))
    ]
    top = "".join(
        _cell("th", head, is_number) for head, is_number in zip(heads, numeric, strict=True)
    )
    body = "".join(
        f"<tr>{''.join(_cell('td', value, is_number) for value, is_number in zip(line, numeric, strict=True))}</tr>"
        for line in lines
    )
    return f"<h2>{escape(title)}</h2><div class=wide><table><tr>{top}</tr>{body}</table></div>"


def _cell(kind: str, value: object, is_number: bool) -> str:
    return f"<{kind}{' class=n' if is_number else ''}>{escape(str(value))}</{kind}>"


def _is_number(value: object) -> bool:
    return isinstance(value, str) and value.replace(".", "", 1).isdigit()
