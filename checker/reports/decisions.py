"""Text to paste into a rules file: a waiver for a finding, an acceptance for a doubt, the reason
left to be filled in.

A reason that is left empty is refused when the rules file is read, so that nothing is waived
unseen.
"""

from __future__ import annotations

import json
import re

from checker.findings import Finding, Group
from checker.results.outcome import Doubt

RADIUS = 0.1  # mm round the finding's place; waivers cover single findings
REASON = """reason = ""             # who decided, and why it may stay
# until = YYYY-MM-DD    # last day; leave it out if it never ends"""


def waiver(finding: Finding) -> str:
    """One [[waiver]] that covers this finding.

    Examples
    --------
    >>> from checker.findings import Level
    >>> print(waiver(Finding(rule="creepage", level=Level.ERROR, message="", at=(1.0, 2.5), nets=("A[0]",))))
    [[waiver]]
    rule   = "creepage"
    net    = "A[[]0]"
    near   = [1, 2.5]
    radius = 0.1
    reason = ""             # who decided, and why it may stay
    # until = YYYY-MM-DD    # last day; leave it out if it never ends
    """
    x, y = (f"{value:.4f}".rstrip("0").rstrip(".") for value in finding.at)
    lines = ["[[waiver]]", f"rule   = {quoted(finding.rule)}"]
    lines += [f"net    = {quoted(_exactly(finding.nets[0]))}"] if any(finding.nets[:1]) else []
    return "\n".join([*lines, f"near   = [{_zero(x)}, {_zero(y)}]", f"radius = {RADIUS:g}", REASON])


def waivers(group: Group) -> str:
    """One [[waiver]] for each member of a group that none covers yet."""
    return "\n\n".join(waiver(finding) for finding in group.open)


def acceptance(doubt: Doubt) -> str:
    """An [[accepted_doubt]] that means this doubt."""
    return f"[[accepted_doubt]]\nwhat   = {quoted(doubt.what)}\n{REASON}"


def quoted(words: str) -> str:
    """A TOML basic string.

    Examples
    --------
    >>> quoted('a "b" \\\\ c')
    '"a \\\\"b\\\\" \\\\\\\\ c"'
    """
    text = json.dumps(words, ensure_ascii=False)
    return "".join(c if c.isprintable() else _escape(c) for c in text)


def _escape(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}"


def _exactly(name: str) -> str:
    """A glob pattern that matches this name alone."""
    return re.sub(r"([*?\[])", r"[\1]", name)


def _zero(number: str) -> str:
    return "0" if number == "-0" else number
