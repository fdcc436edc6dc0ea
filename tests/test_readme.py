"""README and code say the same: the tables of rules and limits, the rules file, the commands of the CI jobs."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image, ImageChops, ImageStat

from checker import demo
from checker.cli import main
from checker.config.rules_file import parse_rules
from checker.reports import registry as formats
from checker.rules import known_limits, registry

README = Path(__file__).parent.parent / "README.md"


def rules_table() -> str:
    rows = [
        f"| `{name}` | {module.rule.level} | {module.manual.obligation} | {module.manual.fix} |"
        for name, module in registry().items()
    ]
    return "\n".join(["| rule | level | what must hold | how to fix it |", "| --- | --- | --- | --- |", *rows])


def limits_table() -> str:
    rows = [
        f"| `{limit.name}` | {limit.default:g} {limit.unit} | {limit.meaning} |" for limit in known_limits().values()
    ]
    return "\n".join(["| key of `[limits]` | default | meaning |", "| --- | --- | --- |", *rows])


@pytest.mark.parametrize(("name", "table"), [("rules", rules_table), ("limits", limits_table)])
def test_a_table_made_from_the_rules_is_current(name: str, table: object, request: pytest.FixtureRequest) -> None:
    text = README.read_text(encoding="utf-8")
    block = re.compile(rf"(<!-- {name}: [^\n]*-->\n).*?(<!-- end of {name} -->)", re.S)
    wanted = block.sub(lambda m: f"{m[1]}{table()}\n{m[2]}", text)  # type: ignore[operator]
    if request.config.getoption("--rewrite-goldens"):
        README.write_text(wanted, encoding="utf-8")
        return
    assert text == wanted


def test_the_rules_file_in_the_readme_is_valid() -> None:
    example = re.search(r"```toml\n(.*?)```", README.read_text(encoding="utf-8"), re.S)
    assert example is not None
    text = example[1].replace('["analog", "digital"]', '["system", "probe"]')
    limits = {name: limit.default for name, limit in known_limits().items()}
    rules = parse_rules(text, "README.md", limits, registry())
    assert rules.barriers
    assert rules.waivers


@pytest.mark.parametrize("job", ["github", "gitlab", "pre-commit"])
def test_the_check_of_each_ci_job_runs(job: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The command line as copied from the README, in a checkout with the board in `fab`."""
    block = re.search(rf"<!-- ci: {job} -->\n```yaml\n(.*?)```", README.read_text(encoding="utf-8"), re.S)
    assert block is not None
    command = re.search(r"moatcheck check [^\n]*", block[1])
    assert command is not None
    written = demo.write("battery", tmp_path)
    written.board.rename(tmp_path / "fab")
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(main, shlex.split(command[0])[1:])
    assert result.exit_code == 0, result.output
    for name in re.findall(r"review/(report\.\w+)", block[1]):
        assert (tmp_path / "review" / name).is_file()


def test_the_readme_names_every_format_and_its_file() -> None:
    rows = re.findall(r"^\| `(\w+)` \| (report\.\w+) \|", README.read_text(encoding="utf-8"), re.MULTILINE)
    assert sorted(rows) == sorted((form.name, form.file_name) for form in formats().values())


def test_the_words_of_the_readme_name_every_command() -> None:
    text = README.read_text(encoding="utf-8")
    assert all(f"moatcheck {name}" in text for name in main.commands)


def test_the_picture_in_the_readme_is_what_the_demo_gives(tmp_path: Path, request: pytest.FixtureRequest) -> None:
    """Within what another version of the rasteriser may blur; a title, a callout or a colour would show."""
    written = demo.write("greenhouse-faulty", tmp_path)
    words = ["image", str(written.board), "--rules", str(written.rules), "--layer", "L1"]
    made = tmp_path / "made.png"
    assert CliRunner().invoke(main, [*words, "--output", str(made)]).exit_code == 0
    picture = README.parent / "fixtures" / "demo-picture.png"
    if request.config.getoption("--rewrite-goldens"):
        picture.write_bytes(made.read_bytes())
    with Image.open(made) as new, Image.open(picture) as old:
        assert new.size == old.size
        differing = ImageChops.difference(new.convert("L"), old.convert("L")).point(lambda v: 255 * (v > 64))
        assert ImageStat.Stat(differing).mean[0] / 255 < 0.002
