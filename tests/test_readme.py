"""README and code say the same: the table of the manual's pages, the commands of the CI jobs, the
picture.
"""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image, ImageChops, ImageStat

from checker import demo
from checker.cli import main
from checker.manual import topics
from checker.rules import registry

README = Path(__file__).parent.parent / "README.md"


def pages_table() -> str:
    """Every page of the manual: rules by what must hold, topics by what they tell."""
    rules = [(name, module.manual.obligation) for name, module in registry().items()]
    told = [*rules, *((topic.name, topic.summary) for topic in topics().values())]
    return "\n".join(
        [
            "| page | what it says |",
            "| --- | --- |",
            *(f"| `{name}` | {what} |" for name, what in told),
        ]
    )


def test_the_table_of_pages_is_current(request: pytest.FixtureRequest) -> None:
    text = README.read_text(encoding="utf-8")
    block = re.compile(r"(<!-- pages: [^\n]*-->\n).*?(<!-- end of pages -->)", re.S)
    wanted = block.sub(lambda m: f"{m[1]}{pages_table()}\n{m[2]}", text)
    if request.config.getoption("--rewrite-goldens"):
        README.write_text(wanted, encoding="utf-8")
        return
    assert text == wanted


def test_the_readme_is_short() -> None:
    assert len(README.read_text(encoding="utf-8").splitlines()) <= 120


def ci_jobs() -> dict[str, str]:
    """What there is to copy for a CI: from the README, and from the manual."""
    readme = re.search(r"```yaml\n(.*?)```", README.read_text(encoding="utf-8"), re.S)
    assert readme is not None
    gitlab, hook = topics()["reports"].text.split("GitLab:\n")[1].split("As a pre-commit hook:\n")
    return {"github": readme[1], "gitlab": gitlab, "pre-commit": hook}


@pytest.mark.parametrize("job", ["github", "gitlab", "pre-commit"])
def test_the_check_of_each_ci_job_runs(
    job: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The command line as copied, in a checkout with the board in `fab`."""
    block = ci_jobs()[job]
    command = re.search(r"moatcheck check [^\n]*", block)
    assert command is not None
    written = demo.write("battery", tmp_path)
    written.board.rename(tmp_path / "fab")
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, shlex.split(command[0])[1:])
    assert result.exit_code == 0, result.output
    for name in re.findall(r"review/(report\.\w+)", block):
        assert (tmp_path / "review" / name).is_file()


def test_the_words_of_the_readme_name_every_command() -> None:
    text = README.read_text(encoding="utf-8")
    assert all(f"moatcheck {name}" in text for name in main.commands)


def test_the_picture_in_the_readme_is_what_the_demo_gives(
    tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """Within what another version of the rasteriser may blur; a title, a callout or a colour would
    show.
    """
    written = demo.write("greenhouse-faulty", tmp_path)
    words = ["image", str(written.board), "--rules", str(written.rules), "--layer", "L1"]
    made = tmp_path / "made.png"
    assert CliRunner().invoke(main, [*words, "--output", str(made)]).exit_code == 0
    picture = README.parent / "fixtures" / "demo-picture.png"
    if request.config.getoption("--rewrite-goldens"):
        picture.write_bytes(made.read_bytes())
    with Image.open(made) as new, Image.open(picture) as old:
        assert new.size == old.size
        differing = ImageChops.difference(new.convert("L"), old.convert("L")).point(
            lambda v: 255 * (v > 64)
        )
        assert ImageStat.Stat(differing).mean[0] / 255 < 0.002
