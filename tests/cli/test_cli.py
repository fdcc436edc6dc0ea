"""The command line as a user runs it: exit codes, one-line errors, files whole or not at all."""

from __future__ import annotations

import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.shell_completion import ShellComplete
from click.testing import CliRunner, Result

from checker import demo
from checker.app.batch import folder_names
from checker.cli import main
from checker.manual import topics
from checker.rules import registry
from parsers import read_board
from tests.reports.sample import SAFETY


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words], prog_name="moatcheck")


@pytest.fixture(scope="module")
def boards(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two small boards, sound and faulty, with their rules."""
    folder = tmp_path_factory.mktemp("boards")
    for name in ("battery", "digital-isolator", "digital-isolator-faulty"):
        demo.write(name, folder / name)
    return folder


def words_of(boards: Path, name: str) -> tuple[Path, str, Path]:
    return boards / name / "board", "--rules", boards / name / "rules.toml"


def test_a_sound_board_passes_with_exit_code_0(boards: Path) -> None:
    result = run("check", *words_of(boards, "digital-isolator"))
    assert (result.exit_code, result.stderr) == (0, "")
    assert "pass" in result.stdout.splitlines()[0].lower()


def test_a_faulty_board_fails_with_exit_code_1(boards: Path) -> None:
    result = run("check", *words_of(boards, "digital-isolator-faulty"))
    assert (result.exit_code, result.stderr) == (1, "")


def test_the_text_report_fits_80_columns_and_holds_the_caution(boards: Path) -> None:
    text = run("check", *words_of(boards, "digital-isolator-faulty")).stdout
    # paths are not broken
    assert all(len(line) <= 80 or " " not in line.strip() for line in text.splitlines())
    assert SAFETY.split(":", maxsplit=1)[0] in " ".join(text.split())


def test_one_format_without_a_folder_is_standard_output_alone(boards: Path) -> None:
    result = run("check", *words_of(boards, "digital-isolator-faulty"), "--format", "json")
    report = json.loads(result.stdout)
    assert report["verdict"] == "fail"
    assert report["schema"] == 1


def test_several_formats_without_a_folder_are_wrong_usage(boards: Path) -> None:
    result = run("check", *words_of(boards, "battery"), "--format", "json", "--format", "text")
    assert result.exit_code == 2
    assert "--out" in result.stderr


def test_every_format_stands_in_the_folder_beside_the_pictures(
    boards: Path, tmp_path: Path
) -> None:
    formats = ("text", "json", "sarif", "junit", "markdown", "html", "csv", "gerber", "waivers")
    asked = [word for name in formats for word in ("--format", name)]
    result = run(
        "check", *words_of(boards, "digital-isolator-faulty"), "--out", tmp_path / "out", *asked
    )
    assert result.exit_code == 1
    names = {path.name for path in (tmp_path / "out").iterdir()}
    endings = ("txt", "json", "sarif", "xml", "md", "html", "csv", "gbr", "waivers.toml")
    assert {f"report.{ending}" for ending in endings} <= names
    assert {"image-L1.svg", "image-L1.png"} <= names
    assert all(path.stat().st_size for path in (tmp_path / "out").iterdir())


def test_the_same_input_gives_the_same_bytes(boards: Path, tmp_path: Path) -> None:
    asked = [word for name in ("json", "html", "gerber", "sarif") for word in ("--format", name)]
    for name in ("one", "two"):
        run("check", *words_of(boards, "digital-isolator-faulty"), "--out", tmp_path / name, *asked)
    for path in (tmp_path / "one").iterdir():
        assert path.read_bytes() == (tmp_path / "two" / path.name).read_bytes(), path.name


def test_check_without_rules_offers_a_draft(
    boards: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(boards / "battery" / "board", tmp_path / "alone" / "board")
    monkeypatch.chdir(tmp_path)
    result = run("check", tmp_path / "alone" / "board")
    assert result.exit_code == 2
    assert "moatcheck draft" in result.stderr


@pytest.mark.parametrize("place", ["alone/board", "alone", "."])
def test_rules_beside_the_board_or_here_are_taken_and_named(
    place: str, boards: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    shutil.copytree(boards / "battery" / "board", tmp_path / "alone" / "board")
    shutil.copy(boards / "battery" / "rules.toml", tmp_path / place / "rules.toml")
    monkeypatch.chdir(tmp_path)
    result = run("check", Path("alone/board"))
    assert result.exit_code == 0
    assert result.stderr.startswith("rules: ")
    assert str(Path(place) / "rules.toml") in result.stderr


def test_two_rules_files_or_one_in_an_archive_are_wrong_usage(
    boards: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    board, rules = tmp_path / "alone" / "board", boards / "battery" / "rules.toml"
    shutil.copytree(boards / "battery" / "board", board)
    for folder in (board, board.parent):
        shutil.copy(rules, folder / "rules.toml")
    several = run("check", board)
    assert several.exit_code == 2
    assert "name one with --rules" in several.stderr
    packed = shutil.make_archive(str(tmp_path / "packed"), "zip", board)
    inside = run("check", packed)
    assert inside.exit_code == 2
    assert "inside the archive" in inside.stderr


def test_rules_come_by_standard_input_and_the_report_goes_to_standard_output(boards: Path) -> None:
    board, _, rules = words_of(boards, "battery")
    words = ["check", str(board), "--rules", "-", "-o", "-", "-q", "--format", "json"]
    result = CliRunner().invoke(main, words, input=Path(rules).read_text())
    assert json.loads(result.stdout)["verdict"] == "pass"


def test_only_some_rules_run_and_the_report_says_which(boards: Path) -> None:
    words = words_of(boards, "digital-isolator-faulty")
    report = json.loads(
        run("check", *words, "--only", "clearance", "--only", "creepage", "--format", "json").stdout
    )
    ran = {check["rule"] for check in report["checks"] if check["ran"]}
    assert ran <= {"clearance", "creepage"}
    assert {check["why"] for check in report["checks"] if check["rule"] == "gap-crossing"} == {
        "left out by --only"
    }
    assert {finding["rule"] for finding in report["findings"]} <= ran
    wrong = run("check", *words, "--only", "clearence")
    assert (wrong.exit_code, 'did you mean "clearance"?' in wrong.stderr) == (2, True)


def test_exit_zero_changes_the_code_of_a_verdict_and_of_nothing_else(boards: Path) -> None:
    words = words_of(boards, "digital-isolator-faulty")
    assert run("check", *words).exit_code == 1
    assert run("check", *words, "--exit-zero").exit_code == 0
    assert run("check", "nowhere", *words[1:], "--exit-zero").exit_code == 3


def test_reports_inside_the_boards_own_folder_are_refused(boards: Path, tmp_path: Path) -> None:
    shutil.copytree(boards / "battery", tmp_path / "battery")
    board, rules = tmp_path / "battery" / "board", tmp_path / "battery" / "rules.toml"
    for out in (board, board / "report"):
        assert run("check", board, "--rules", rules, "--out", out).exit_code == 2
    assert not (board / "report").exists()


def test_a_finding_is_named_by_id_the_beginning_of_one_or_its_number(
    boards: Path, tmp_path: Path
) -> None:
    words = words_of(boards, "digital-isolator-faulty")
    report = json.loads(run("check", *words, "--format", "json").stdout)
    whole = report["findings"][0]["id"]
    drawn = []
    for word in (whole, whole[:6]):
        assert run("image", *words, "-o", tmp_path / "x.svg", "--finding", word).exit_code == 0
        drawn.append((tmp_path / "x.svg").read_text())
    assert drawn[0] == drawn[1]
    assert run("image", *words, "-o", tmp_path / "x.svg", "--finding", "1").exit_code == 0
    assert run("image", *words, "-o", tmp_path / "x.svg", "--finding", "99").exit_code == 3


@pytest.mark.parametrize(
    ("force", "forbid", "coloured"), [("1", "", True), ("", "", False), ("1", "1", False)]
)
def test_colours_follow_the_environment(
    force: str, forbid: str, coloured: bool, boards: Path
) -> None:
    words = [str(word) for word in ("check", *words_of(boards, "digital-isolator-faulty"))]
    result = CliRunner(env={"FORCE_COLOR": force, "NO_COLOR": forbid}).invoke(main, words)
    assert ("\x1b[" in result.stdout) is coloured


def test_words_are_completed(boards: Path) -> None:
    def completed(words: list[str], begun: str) -> list[str]:
        complete = ShellComplete(main, {}, "moatcheck", "_MOATCHECK_COMPLETE")
        return [item.value for item in complete.get_completions(words, begun)]

    assert "gap-crossing" in completed(["check", "--only"], "gap")
    assert {"battery", "battery-faulty"} <= set(completed(["demo"], "batt"))
    assert not completed(["demo"], "zzz")
    assert completed(["image", str(boards / "battery" / "board"), "--layer"], "L") == ["L1", "L2"]
    assert completed(["image", "nowhere", "--layer"], "L") == []
    board, rules = (
        str(boards / "digital-isolator" / "board"),
        str(boards / "digital-isolator" / "rules.toml"),
    )
    assert completed(["inventory", board, "--net"], "B_") == ["B_DIO", "B_SCK", "B_VCC"]
    assert completed(["inventory", "nowhere", "--net"], "") == []
    for words in (["check", board, "--rules", rules], ["image", board], ["check", board]):
        assert completed([*words, "--join"], "m") == ["main,isolated"]
    assert completed(["check", "nowhere", "--rules", "nowhere.toml", "--join"], "") == []


@pytest.mark.parametrize("word", ["-h", "-V"])
def test_short_options_are_known(word: str) -> None:
    assert run(word).exit_code == 0
    assert run("check", "-h").exit_code == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("check", "nowhere", "--rules", "RULES"), "nowhere"),
        (("check", "BOARD", "--rules", "nowhere.toml"), "nowhere.toml"),
        (("check", "BOARD", "--rules", "RULES", "--baseline", "nowhere.json"), "nowhere.json"),
        (("inventory", "RULES"), "rules.toml"),
        (
            ("image", "BOARD", "--rules", "RULES", "--output", "x.svg", "--finding", "none"),
            'no finding "none"',
        ),
        (
            ("image", "BOARD", "--rules", "RULES", "--output", "x.svg", "--layer", "L9"),
            'no layer "L9"',
        ),
        (("compare", "RULES", "BOARD", "--rules", "RULES"), "rules.toml"),
    ],
)
def test_bad_input_is_one_line_and_exit_code_3(
    boards: Path, words: tuple[str, ...], said: str
) -> None:
    board, _, rules = words_of(boards, "battery")
    names = {"BOARD": str(board), "RULES": str(rules)}
    result = run(*(names.get(word, word) for word in words))
    assert result.exit_code == 3
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    assert said in result.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("chek", "x"), 'did you mean "check"?'),
        (("explain", "gap-crosing"), 'did you mean "gap-crossing"?'),
        (("demo", "batery"), 'did you mean "battery"?'),
        (("image", "b", "--rules", "r", "--output", "x.gif"), "must end in .svg or .png"),
        (
            ("image", "b", "--rules", "r", "--output", "x.svg", "--over", "p.png"),
            "--over and --pin belong together",
        ),
        (
            (
                "image",
                "b",
                "--rules",
                "r",
                "--output",
                "x.svg",
                "--over",
                "p.png",
                "--pin",
                "1,1=2,2",
            ),
            "at least two pins",
        ),
        (("image", "b", "--rules", "r", "--output", "x.svg", "--pin", "1,2"), "write X,Y=PX,PY"),
    ],
)
def test_wrong_usage_is_exit_code_2_with_a_way_out(words: tuple[str, ...], said: str) -> None:
    result = run(*words)
    assert result.exit_code == 2
    assert said in result.stderr


def test_no_arguments_show_the_three_steps() -> None:
    result = run()
    assert result.exit_code == 0
    assert all(step in result.stdout for step in ("draft", "edit", "check"))


def test_a_baseline_lets_known_findings_pass_but_never_safety(boards: Path, tmp_path: Path) -> None:
    words = words_of(boards, "digital-isolator-faulty")
    run("check", *words, "--out", tmp_path / "old")
    old = json.loads((tmp_path / "old" / "report.json").read_text())
    result = run(
        "check", *words, "--baseline", tmp_path / "old" / "report.json", "--format", "json"
    )
    new = json.loads(result.stdout)
    assert all(f["known"] for f in new["findings"])
    safety = {"clearance", "creepage", "galvanic-bridge"}
    still = any(f["level"] == "error" and f["rule"] in safety for f in old["findings"])
    assert result.exit_code == (1 if still else 0)


def test_what_became_of_a_baseline_is_told(boards: Path, tmp_path: Path) -> None:
    """A baseline that lacks one of the findings and holds two that are no more."""
    words = words_of(boards, "digital-isolator-faulty")
    report = json.loads(run("check", *words, "--format", "json").stdout)
    first, *others = sorted(report["findings"], key=lambda f: f["rule"] == "creepage", reverse=True)
    report["findings"] = [*others, *(first | {"nets": [f"OLD{i}"]} for i in range(2))]
    (tmp_path / "old.json").write_text(json.dumps(report))
    told = run("check", *words, "--baseline", tmp_path / "old.json").stdout
    said = (
        f"against the baseline: {len(others)} known, 1 new, 2 gone; known findings of"
        " galvanic-bridge fail all the same"
    )
    assert said in " ".join(told.split())
    (tmp_path / "none.json").write_text(json.dumps(report | {"findings": []}))
    log = json.loads(
        run("check", *words, "--baseline", tmp_path / "none.json", "--format", "sarif").stdout
    )
    assert {result["baselineState"] for result in log["runs"][0]["results"]} == {"new"}


def test_reports_and_boards_compare_alike(boards: Path, tmp_path: Path) -> None:
    words = words_of(boards, "digital-isolator-faulty")
    run("check", *words, "--out", tmp_path / "old")
    report = tmp_path / "old" / "report.json"
    same = run("compare", report, words[0], "--rules", words[2]).stdout
    assert same.splitlines()[0].startswith("0 fixed, 0 new, 0 moved")
    sound = boards / "digital-isolator" / "board"
    assert "0 new" in run("compare", report, sound, "--rules", words[2]).stdout.splitlines()[0]


def test_compare_exits_as_check_does(boards: Path, tmp_path: Path) -> None:
    for name in ("digital-isolator", "digital-isolator-faulty"):
        run("check", *words_of(boards, name), "--out", tmp_path / name)
    sound, faulty = (
        tmp_path / name / "report.json" for name in ("digital-isolator", "digital-isolator-faulty")
    )
    assert run("compare", sound, faulty).exit_code == 1
    assert run("compare", sound, faulty, "--fail-on", "none").exit_code == 0
    assert run("compare", faulty, sound).exit_code == 0
    report = json.loads(faulty.read_text())
    waived = [
        entry | {"waived": {"reason": "reviewed", "until": None}} for entry in report["findings"]
    ]
    faulty.write_text(json.dumps(report | {"findings": waived}))
    assert run("compare", sound, faulty).exit_code == 0
    faulty.write_text(json.dumps(report | {"verdict": "incomplete"}))
    result = run("compare", sound, faulty)
    assert result.exit_code == 3
    assert "incomplete" in result.stderr
    assert run("compare", sound, tmp_path / "none.json").exit_code == 3
    assert run("compare", sound, boards / "digital-isolator" / "board").exit_code == 2


def test_many_boards_give_the_worst_code_and_one_bad_one_stops_nothing(
    boards: Path, tmp_path: Path
) -> None:
    _, _, rules = words_of(boards, "digital-isolator")
    sound, faulty = (
        boards / name / "board" for name in ("digital-isolator", "digital-isolator-faulty")
    )
    result = run("check", sound, faulty, "--rules", rules, "--jobs", "2", "--out", tmp_path)
    assert result.exit_code == 1
    assert {path.name for path in tmp_path.iterdir()} == {
        "digital-isolator-board",
        "digital-isolator-faulty-board",
        "manifest.json",
        "summary.txt",
    }
    result = run("check", sound, "nowhere", faulty, "--rules", rules)
    assert result.exit_code == 3
    assert [line.split()[1] for line in result.stdout.splitlines()[:3]] == [
        "pass",
        "unreadable",
        "fail",
    ]


def test_several_boards_leave_their_summary_in_the_folder(boards: Path, tmp_path: Path) -> None:
    """Also told on quiet runs is what could not be read: an exit code alone does not say which
    board.
    """
    board, *rules = words_of(boards, "battery")
    given = ("check", board, boards / "nothing", *rules, "--format", "text")
    loud = run(*given, "--out", tmp_path / "loud")
    assert (tmp_path / "loud" / "summary.txt").read_text() == loud.stdout
    quiet = run(*given, "--out", tmp_path / "quiet", "--quiet")
    assert (quiet.exit_code, quiet.stdout) == (3, "")
    assert str(boards / "nothing") in quiet.stderr
    assert len(quiet.stderr.splitlines()) == 1


@pytest.mark.parametrize(
    ("given", "names"),
    [
        (("a/fab", "b/fab"), ["a-fab", "b-fab"]),
        (("fab", "other.zip"), ["fab", "other"]),
        (("a/fab", "a/fab", "b/fab.tar.gz"), ["a-fab", "a-fab-2", "b-fab"]),
        (("a-fab", "a/fab", "b/fab"), ["a-fab", "a-fab-2", "b-fab"]),
    ],
)
def test_boards_of_one_name_are_told_apart_by_the_folder_above(
    given: tuple[str, ...], names: list[str], tmp_path: Path
) -> None:
    for name in given:
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        if path.suffix:
            path.write_text("")
        else:
            path.mkdir(exist_ok=True)
    assert folder_names([tmp_path / name for name in given]) == names


def test_quiet_says_nothing(boards: Path) -> None:
    result = run("check", *words_of(boards, "digital-isolator-faulty"), "--quiet")
    assert (result.exit_code, result.stdout, result.stderr) == (1, "", "")


def test_a_report_that_is_asked_for_is_no_chatter(boards: Path) -> None:
    """A CI job may send it to a file and keep the log quiet."""
    words = words_of(boards, "digital-isolator-faulty")
    for form in ("json", "sarif", "text"):
        loud = run("check", *words, "--format", form)
        quiet = run("check", *words, "--format", form, "--quiet")
        assert quiet.stdout == loud.stdout != ""
        assert quiet.stderr == ""


def test_reports_of_several_boards_are_not_dropped_unseen(boards: Path) -> None:
    board, *rules = words_of(boards, "battery")
    result = run("check", board, board, *rules, "--format", "json")
    assert (result.exit_code, result.stdout) == (2, "")
    assert "give --out DIR" in result.stderr
    assert run("check", board, board, *rules, "--format", "text").exit_code == 0


def test_a_folder_that_cannot_be_written_is_one_line(boards: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    result = run("check", *words_of(boards, "battery"), "--out", tmp_path / "file" / "out")
    assert result.exit_code == 3
    assert "cannot write" in result.stderr


def test_a_draft_says_how_to_go_on(boards: Path, tmp_path: Path) -> None:
    board = boards / "battery" / "board"
    told = run("draft", board, "--output", tmp_path / "my rules.toml").stderr
    words = shlex.split(told.splitlines()[-1].partition(": moatcheck ")[2])
    assert words == ["check", str(board), "--rules", str(tmp_path / "my rules.toml")]
    assert run(*words).exit_code == 3


def test_a_draft_runs_and_is_incomplete_until_its_line_is_removed(
    boards: Path, tmp_path: Path
) -> None:
    board, rules = boards / "battery" / "board", tmp_path / "rules.toml"
    assert run("draft", board, "-o", rules).exit_code == 0
    result = run("check", board, "--rules", rules)
    assert result.exit_code == 3
    assert "the rules file is a draft" in result.stdout
    rules.write_text(rules.read_text().replace("draft = true", "draft = false"))
    assert run("check", board, "--rules", rules).exit_code == 0


def test_a_draft_replaces_no_file_unless_forced(boards: Path, tmp_path: Path) -> None:
    board, rules = boards / "battery" / "board", tmp_path / "rules.toml"
    rules.write_text("mine")
    result = run("draft", board, "--output", rules)
    assert result.exit_code == 2
    assert "--force" in result.stderr
    assert rules.read_text() == "mine"
    assert run("draft", board, "--output", rules, "--force").exit_code == 0
    assert "schema = 1" in rules.read_text()


def test_a_draft_tells_the_layers_of_a_board_in_one_file(boards: Path) -> None:
    text = run("draft", boards / "battery" / "board-C.xml").stdout
    layers = text.split("# Layers as read:\n")[1].splitlines()
    assert [line.split(" = ")[0] for line in layers[:2]] == ["#   L1", "#   L2"]


def test_a_draft_adds_to_a_file_and_keeps_what_it_says(boards: Path, tmp_path: Path) -> None:
    board, rules = boards / "digital-isolator" / "board", tmp_path / "rules.toml"
    rules.write_text('schema = 1  # mine\n[region.a]\nreference = ["GND_A"]\nnets = ["*"]\n')
    text = run("draft", board, "--rules", rules).stdout
    first, *rest = rules.read_text().splitlines()
    assert text.startswith(
        f"{first}\ndraft = true # added: region b"
    )  # what was added asks for a look
    assert text.split("\n", 2)[2].lstrip().startswith("\n".join(rest))
    assert 'isolators = ["U1", "U2"]' in text
    assert "Layers as read" not in text


@pytest.mark.parametrize("form", ["text", "json", "csv"])
def test_an_inventory_names_every_net(boards: Path, form: str) -> None:
    board, _, rules = words_of(boards, "digital-isolator")
    names = {net.name for net in read_board(board).nets}
    assert names
    for words in ((board,), (board, "--rules", rules)):
        result = run("inventory", *words, "--format", form)
        assert result.exit_code == 0
        assert all(name[:28] in result.stdout for name in names)


def test_an_inventory_of_some_nets_names_these_alone(boards: Path) -> None:
    board = boards / "digital-isolator" / "board"
    rows = run(
        "inventory", board, "--net", "B_*", "--net", "VA", "--format", "csv"
    ).stdout.splitlines()[1:]
    assert [row.split(",")[0] for row in rows] == ["B_DIO", "B_SCK", "B_VCC", "VA"]
    pieces = run(
        "inventory", board, "--islands", "--net", "VA", "--format", "csv"
    ).stdout.splitlines()[1:]
    assert {row.split(",")[0] for row in pieces} == {"VA"}
    wrong = run("inventory", board, "--net", "GDN_A")
    assert (wrong.exit_code, wrong.stdout) == (3, "")
    assert 'did you mean "GND_A"?' in wrong.stderr


def test_a_picture_is_written(boards: Path, tmp_path: Path) -> None:
    words = words_of(boards, "digital-isolator-faulty")
    report = json.loads(run("check", *words, "--format", "json").stdout)
    target = tmp_path / "detail.png"
    result = run("image", *words, "--finding", report["findings"][0]["id"], "--output", target)
    assert result.exit_code == 0
    assert target.read_bytes().startswith(b"\x89PNG")


def test_a_picture_goes_to_standard_output(boards: Path, tmp_path: Path) -> None:
    board, *rules = words_of(boards, "battery")
    assert run("image", board, *rules, "-o", tmp_path / "a.svg").exit_code == 0
    assert run("image", board, *rules, "-o", "-").stdout_bytes == (tmp_path / "a.svg").read_bytes()
    png = run("image", board, *rules, "-o", "-", "--format", "png", "--width", "200")
    assert png.stdout_bytes.startswith(b"\x89PNG")


def test_a_process_gives_the_same_exit_codes_and_no_traceback(boards: Path) -> None:
    """Run as a user would, in another locale and from another folder."""
    words = [sys.executable, "-m", "checker.cli", "check"]
    environment = {**os.environ, "LC_ALL": "C", "PYTHONPATH": str(Path.cwd())}
    board, _, rules = words_of(boards, "digital-isolator-faulty")
    for last, code in (
        ([str(board), "--rules", str(rules)], 1),
        (["nowhere", "--rules", str(rules)], 3),
    ):
        done = subprocess.run(
            [*words, *last], capture_output=True, text=True, env=environment, cwd="/", check=False
        )
        assert done.returncode == code
        assert "Traceback" not in done.stderr


def test_an_unexpected_error_is_one_line_too(boards: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ZeroDivisionError("oops")

    monkeypatch.setattr("checker.app.run.check", broken)
    result = run("check", *words_of(boards, "battery"))
    assert result.exit_code == 3
    assert len(result.stderr.splitlines()) == 1
    assert "nothing was decided" in result.stderr


def test_shells_complete_commands_and_rule_ids() -> None:
    for words, index, wanted in (
        ("moatcheck exp", "1", "explain"),
        ("moatcheck explain gap-c", "2", "gap-crossing"),
    ):
        environment = {
            **os.environ,
            "_MOATCHECK_COMPLETE": "bash_complete",
            "COMP_WORDS": words,
            "COMP_CWORD": index,
        }
        command = [str(Path(sys.executable).parent / "moatcheck")]
        done = subprocess.run(command, capture_output=True, text=True, env=environment, check=False)
        assert wanted in done.stdout


@pytest.mark.parametrize(
    "command", ["check", "draft", "inventory", "image", "compare", "explain", "demo"]
)
def test_every_command_has_help(command: str) -> None:
    result = run(command, "--help")
    assert result.exit_code == 0
    assert "Usage: moatcheck" in result.stdout


def test_explain_lists_every_rule_and_topic() -> None:
    listed = re.findall(r"^  (\S+) ", run("explain").stdout, re.M)
    assert listed == [*registry(), *topics()]


@pytest.mark.parametrize("rule", registry())
def test_explain_tells_the_manual_of_every_rule(rule: str) -> None:
    text = run("explain", rule).stdout
    assert all(heading in text for heading in ("Why:", "Measured:", "Fix:", "Source:"))
    # a long path is not broken
    assert all(len(line) <= 80 or " " not in line for line in text.splitlines())


@pytest.mark.parametrize("topic", topics())
def test_explain_shows_a_topic_as_it_stands(topic: str) -> None:
    assert run("explain", topic).stdout == topics()[topic].text


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('from = "J2.1"', 'from = "J2"', "must be part.pin"),
        ("full_scale = 2.5\nbits = 16\nshare = 0.5", "", "allowed: is missing"),
        ("quiet_input", "quiet_inptu", 'did you mean "quiet_input"?'),
        ("schema = 1", "schema = ", "no valid TOML"),
    ],
)
def test_a_rules_file_that_nobody_understands_is_wrong_usage(
    boards: Path, tmp_path: Path, old: str, new: str, said: str
) -> None:
    rules = tmp_path / "rules.toml"
    rules.write_text(demo.boards()["battery-probe"].rules.replace(old, new), encoding="utf-8")
    result = run("check", boards / "battery" / "board", "--rules", rules)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.splitlines()) == 1
