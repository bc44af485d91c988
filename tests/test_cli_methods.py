"""The command `methods`: plain words with cautions beside each method, JSON, and one sentence where it can't answer."""

import json
import re
from itertools import pairwise

import pytest
import typer
from typer.testing import CliRunner

from assessor.cli_methods import methods
from assessor.errors import BadRange, SettingUnknown
from assessor.tables.loader import load_methods

app = typer.Typer()
app.command()(methods)


def run(*arguments):
    result = CliRunner().invoke(app, [str(argument) for argument in arguments])
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    assert result.exit_code == 0, result.output
    return result.stdout


def test_methods_that_fit_are_numbered_with_range_mark_cautions_and_source():
    text = run("--range", "3-5", "--indoors")
    assert "CSP 3-5 (ten-chip set), indoors" in text
    names = re.findall(r"^(\d+)\. (.+): CSP [\d-]+ \[(.+)\]$", text, re.MULTILINE)
    assert [int(number) for number, *_ in names] == list(range(1, len(names) + 1))
    assert names[0][1] == "Steel shot-blasting"
    blocks = re.split(r"^\d+\. ", text.split("Cautions in full")[0], flags=re.MULTILINE)[1:]
    for block in blocks:
        for label in ("Is:", "Mind:", "Source:"):
            assert f"   {label}" in block
        assert "machines off" in block
    assert text.index("REACH THE WHOLE RANGE") < text.index("MEET PART OF IT ONLY")
    assert "Local codes" in " ".join(text.split())
    assert "milling machine" in text.split("Not here")[1]


def test_a_range_met_only_in_part_says_so():
    text = " ".join(run("--range", "3-5").split())
    assert "Meets only part of the range: CSP 3. Out of its reach: CSP 4-5." in text
    assert "NO METHOD" not in text
    assert "NO METHOD OF THE TABLE REACHES THE WHOLE OF CSP 1-10 HERE" in run("--range", "1-10")


def test_all_shows_the_rest_with_why():
    text = run("--range", "3-5", "--all")
    for row in load_methods().method:
        assert row.name in text
    told = " ".join(text.split("NOT HERE")[1].split())
    assert "Why not: Not indoors" in told
    assert "Why not: Only on fresh concrete" in told


def test_no_number_without_mark_and_source():
    text = run("--range", "3-5", "--all")
    for line in text.splitlines():
        if re.match(r"^(\d+\.|-) .*: CSP \d", line):
            assert re.search(r"\[(from memory, verify|common practice)\]$", line), line
    assert text.count("   Source: ") == len(load_methods().method)


def test_json_holds_everything_that_the_words_hold():
    answer = json.loads(run("--range", "3-5", "--json", "--avoid", "water, vibration"))
    assert answer["asked"]["target"] == {"low": 3, "high": 5}
    assert answer["asked"]["avoid"] == ["vibration", "water"]
    assert len(answer["methods"]) == len(load_methods().method)
    for fit in answer["methods"]:
        assert fit["reach_mark"]
        assert fit["row"]["source"]
        assert all(caution["source"] for caution in fit["cautions"])
    usable = [fit["usable"] for fit in answer["methods"]]
    assert all(a >= b for a, b in pairwise(usable))
    assert answer["defers"].startswith("Local codes")


def test_the_nine_chip_set_has_its_own_ranges():
    text = " ".join(run("--range", "5-8", "--edition", "nine-chip").split())
    assert "Needle scaling: CSP 5-8 [from memory, verify]" in text
    assert "Needle scaling: CSP 2-4" in " ".join(run("--range", "2-4").split())


def test_a_system_gives_its_default_range_and_a_conflict_is_shown():
    assert "CSP 1-3" in run("--system", "thin-film").splitlines()[0]
    text = " ".join(run("--system", "thin-film", "--range", "3-5").split())
    assert "Our default for thin film is CSP 1-3 [from memory, verify], you ask for CSP 3-5." in text
    assert "data sheet governs" in text
    assert "Our table has no range for" in " ".join(
        run("--system", "between-sealer-and-film", "--range", "2-3").split()
    )


@pytest.mark.parametrize(
    ("arguments", "error", "sentence"),
    [
        ((), BadRange, "no range was given"),
        (("--range", "5-3"), BadRange, "lower grade comes first"),
        (("--range", "8-10", "--edition", "nine-chip"), BadRange, "runs from CSP 1 to 9"),
        (("--system", "carpet"), SettingUnknown, "no system 'carpet' .known: penetrating-sealer"),
        (("--system", "between-sealer-and-film"), BadRange, "the data sheet says it"),
        (("--system", "thin-film", "--edition", "nine-chip"), BadRange, "ten-chip set"),
        (("--range", "3-5", "--avoid", "mud"), SettingUnknown, "doesn't know 'mud'"),
    ],
)
def test_what_it_cannot_answer_is_one_sentence(arguments, error, sentence):
    with pytest.raises(error, match=sentence):
        run(*arguments)
