"""The tables of the package load, cite a source per row, and a broken one is refused with file and row."""

import pytest

from assessor.errors import TableInvalid
from assessor.tables import loader
from assessor.tables.loader import load_grade_table, load_methods, load_systems

GRADES = loader.packaged("grade_scale_prior_10.toml")
METHODS = loader.packaged("methods.toml")
SYSTEMS = loader.packaged("systems.toml")


@pytest.mark.parametrize(("edition", "chips"), [("ten-chip", 10), ("nine-chip", 9)])
def test_grade_tables_run_over_their_edition_and_are_priors(edition, chips):
    table = load_grade_table(edition)
    assert [row.grade for row in table.grade] == list(range(1, chips + 1))
    assert table.is_prior
    assert {row.process for row in table.share} == {row.process for row in table.process}


def test_every_row_of_every_table_has_source_and_mark():
    ten, nine = load_grade_table("ten-chip"), load_grade_table("nine-chip")
    methods, systems = load_methods(), load_systems()
    rows = [*methods.caution, *methods.method, *systems.system]
    for table in (ten, nine):
        rows += [*table.grade, *table.process, *table.share]
    assert len(rows) > 100
    assert all(len(row.source) > 10 for row in rows)
    assert {row.mark for row in rows} <= {"source", "common practice", "from memory, verify", "derived"}


def test_spread_is_two_grades_at_the_ends_and_one_between():
    spreads = [row.spread_grades for row in load_grade_table("ten-chip").grade]
    assert spreads == [2, 2, 2, 1, 1, 1, 1, 1, 2, 2]


def test_methods_that_name_a_process_find_it_in_both_scales():
    for edition in ("ten-chip", "nine-chip"):
        known = {row.process for row in load_grade_table(edition).process}
        assert {row.process for row in load_methods().method} - {None} <= known


def test_dusty_methods_carry_the_silica_caution_and_defer_to_codes():
    methods = load_methods()
    for row in methods.method:
        sentences = methods.cautions_of(row.key)
        assert sentences[-1].startswith("Local codes"), row.key
        if "high" in row.dust:
            assert any("silica" in sentence for sentence in sentences), row.key
        if row.exhaust != "none":
            assert any("carbon monoxide" in sentence for sentence in sentences), row.key
        if row.noise in ("high", "very high"):
            assert any("hearing" in sentence for sentence in sentences), row.key


def test_unknown_method_has_no_cautions_to_fall_back_on():
    assert load_methods().get("licking") is None
    with pytest.raises(KeyError):
        load_methods().cautions_of("licking")


def test_reach_depends_on_the_edition():
    retarder = load_methods().get("retarder")
    assert retarder.reach("ten-chip") == (6, 8)
    assert retarder.reach("nine-chip") is None


def test_position_of_height_refuses_no_height():
    with pytest.raises(ValueError, match="positive"):
        load_grade_table("ten-chip").position_of_height(0.0)


BAD_GRADES = {
    "grade 3 stands where grade 2 belongs": ("grade = 2\n", "grade = 3\n"),
    "row 4 of .*height_mm 0.2 does not rise": ("height_mm = 0.3981", "height_mm = 0.2"),
    r"row 1 of \[\[grade\]\]: source": (GRADES[GRADES.index('source = "H') :].split("\n")[0], 'source = ""'),
    r"row 1 of \[\[grade\]\]: mark": ('mark = "derived"', 'mark = "hearsay"'),
    r"range 1-13 does not lie in CSP 1-10": ("reach_high = 3", "reach_high = 13"),
    "share: input should be less than or equal to 1": ("share = 0.41", "share = 1.41"),
    r"'ground' needs one row in 0.8-25 mm": ("share = 0.68", "share = 0.68"),
    "not valid TOML": ('table = "grade-scale"', "table = = 1"),
    "edition: input should be 'ten-chip' or 'nine-chip'": ('"ten-chip"', '"eleven-chip"'),
    "the nine-chip scale needs 9 grades": ('"ten-chip"', '"nine-chip"'),
    "process 'sanded' has no row of its own": (
        '[[share]]\nprocess = "ground"',
        '[[share]]\nprocess = "sanded"',
    ),
    "band_short_mm must be smaller": ("band_short_mm = 2.5", "band_short_mm = 25.0"),
    "heights_mm: unexpected": ("height_mm = 0.1\n", "height_mm = 0.1\nheights_mm = 0.1\n"),
}


@pytest.mark.parametrize("sentence", BAD_GRADES)
def test_bad_grade_table_is_refused_with_file_and_row(sentence):
    text = GRADES.replace(*BAD_GRADES[sentence], 1)
    if "needs one row" in sentence:
        row = GRADES.index("share = 0.68")
        start = GRADES.rindex("[[share]]", 0, row)
        text = GRADES[:start] + GRADES[GRADES.index("[[share]]", row) :]
    assert text != GRADES
    with pytest.raises(TableInvalid, match=sentence) as caught:
        loader.parse_grade_table(text, file="mine.toml")
    assert str(caught.value).startswith("mine.toml: ")
    assert "mend the table" in str(caught.value)


BAD_METHODS = {
    "caution 'silicon' has no row": ('cautions = ["silica"', 'cautions = ["silicon"'),
    "range 3-1 does not lie in CSP 1-10": ("csp_10 = [1, 3]", "csp_10 = [3, 1]"),
    "range 1-11 does not lie in CSP 1-9": ("csp_9 = [1, 3]", "csp_9 = [1, 11]"),
    "'grinding' is there 2 times": ('key = "acid-etch"', 'key = "grinding"'),
    "'retarder' has no CSP range": ("csp_10 = [6, 8]\n", ""),
    "'scrub' names no caution": ('cautions = ["moisture", "slurry", "wet-power"]', "cautions = []"),
    "row 3 .*'grinding' needs the caution 'silica'": (
        'cautions = ["silica", "silica-floor"',
        'cautions = ["silica-floor"',
    ),
    "'hand-grinder' needs the caution 'hand-arm'": (
        '"noise", "hand-arm", "hidden", "oil"]',
        '"noise", "hidden", "oil"]',
    ),
    "'abrasive-blast' needs the caution 'exhaust'": ('"blast", "exhaust", ', '"blast", '),
    "'retarder' needs the caution 'fresh'": ('cautions = ["fresh", ', "cautions = ["),
    "'rotomilling' needs the caution 'bruising'": (
        '"building", "bruising", "hidden", "oil", "slurry"',
        '"building", "hidden", "oil", "slurry"',
    ),
    "vibration: input should be": ('vibration = "low"', 'vibration = "some"'),
    "bruising: input should be": ('bruising = "light"', 'bruising = "perhaps"'),
    "indoors: input should be": ('indoors = "no"', 'indoors = "maybe"'),
}


@pytest.mark.parametrize("sentence", BAD_METHODS)
def test_bad_method_table_is_refused(sentence):
    text = METHODS.replace(*BAD_METHODS[sentence], 1)
    assert text != METHODS
    with pytest.raises(TableInvalid, match=sentence):
        loader.parse_methods(text, file="methods.toml")


BAD_SYSTEMS = {
    r"row 4 of \[\[system\]\]: .*gap or overlap: expected 0.25 mm": (
        "thickness_low_mm = 0.25",
        "thickness_low_mm = 0.3",
    ),
    "give both csp_low and csp_high": ("csp_low = 1\n", ""),
    "range 5-11 does not lie in CSP 1-10": ("csp_high = 10", "csp_high = 11"),
    "thickness_high_mm must be larger": ("thickness_high_mm = 0.075", "thickness_high_mm = 1e-300"),
    "'thin-film' is there 2 times": ('key = "high-build"', 'key = "thin-film"'),
    "nothing after an open class": ("thickness_high_mm = 0.075\n", ""),
}


@pytest.mark.parametrize("sentence", BAD_SYSTEMS)
def test_bad_system_table_is_refused(sentence):
    text = SYSTEMS.replace(*BAD_SYSTEMS[sentence], 1)
    if "must be larger" in sentence:
        text = SYSTEMS.replace("thickness_high_mm = 0.10", "thickness_high_mm = 0.05", 1)
    assert text != SYSTEMS
    with pytest.raises(TableInvalid, match=sentence):
        loader.parse_systems(text, file="systems.toml")


def test_systems_cover_every_thickness_and_say_what_governs():
    table = load_systems()
    classes = [row for row in table.system if row.kind == "class"]
    assert classes[0].thickness_low_mm == 0
    assert classes[-1].thickness_high_mm is None
    assert "data sheet governs" in table.governs
