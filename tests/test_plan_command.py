"""``stacker plan``: text, JSON, figures, wrong input."""

import io
import json
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from stacker.cli import main
from stacker.drawing import Box, Drawing, Words
from stacker.errors import OutputExistsError
from stacker.files.single import write_whole
from stacker.plan_figure import plan_figure
from tests.test_plan import table_plan

TABLE = ["plan", "--sensor", "44x33", "--pixels", "11656"]
STILL_LIFE = [*TABLE, "--focal-length", "90", "--near", "70cm", "--far", "82cm"]


def run(*arguments, status=0):
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exit_code == status, result.output
    return result


# --- the command ---------------------------------------------------------------------


def test_text_says_what_matters_and_fits_80_columns():
    result = run(*STILL_LIFE, "--f-number", "11", "--lights-at", "13")
    text = result.stdout
    assert text.startswith("17 frames at f/11: 700 mm to 820 mm")
    assert max(map(len, text.splitlines())) <= 80
    words = " ".join(text.split())
    assert "lower the lights by 1/3 stop" in words
    assert "-0.48" in words
    assert "set the nominal thirds" in words
    assert "local electrical rules" in words
    assert "8742 px (101.9 MP)" in words
    _, _, frames = text.partition("THE FRAMES")
    numbers = [line.split()[0] for line in frames.splitlines() if line[:7].strip()]
    # Counted as `check` and `fuse` count them: "shoot frame 5 again" means this list.
    assert numbers.count("16") == numbers.count("0") == 1
    assert "17" not in numbers


@pytest.mark.parametrize(("encoding", "unit"), [("utf-8", "µm"), ("koi8-r", "um")])
def test_a_terminal_of_few_characters_reads_um(encoding, unit):
    runner = CliRunner(charset=encoding)
    done = runner.invoke(main, STILL_LIFE)
    assert done.exit_code == 0
    assert f" {unit} " in done.output
    assert "\\x" not in done.output


def test_json_is_the_plan():
    record = json.loads(run(*STILL_LIFE, "--f-number", "11", "--json").stdout)
    assert record["schema"] == "stacker.plan/1"
    assert record["chosen"]["f_number"] == 11
    assert record["positions"] == table_plan(f_number=11).to_dict()["positions"]
    assert record["settings"]["overlap"] == 0.3


def test_json_says_null_for_infinity():
    arguments = [*TABLE, "--focal-length", "50", "--near", "1m", "--far", "inf"]
    record = json.loads(run(*arguments, "--json").stdout)
    assert record["subject"]["far_mm"] is None
    assert record["positions"][-1]["sharp"]["far_mm"] is None


def test_lengths_are_understood_in_every_unit():
    in_mm = run(*TABLE, "--focal-length", 90, "--near", 700, "--far", "820").stdout
    in_units = run(
        *TABLE, "--focal-length", "9 cm", "--near", "0.7m", "--far", "82CM"
    ).stdout
    assert in_mm == in_units == run(*STILL_LIFE).stdout


def test_distances_from_the_sensor():
    """At life size a thin lens is 2f from the subject and 4f from the sensor to it."""
    record = json.loads(
        run(
            *TABLE,
            *("--focal-length", "100", "--near", "400", "--far", "450"),
            *("--measured-from", "sensor", "--json"),
        ).stdout
    )
    assert record["subject"]["near_mm"] == pytest.approx(200)


def test_magnification_goes_by_lens_or_rail():
    close = [*TABLE, "--magnification", "0.5", "--depth", "10", "--json"]
    with_lens = [*close, "--focal-length", "120"]
    assert json.loads(run(*close).stdout)["subject"]["focus_by"] == "rail"
    assert json.loads(run(*with_lens).stdout)["subject"]["focus_by"] == "lens"
    by_rail = json.loads(run(*with_lens, "--focus-by", "rail").stdout)
    assert by_rail["subject"]["focus_by"] == "rail"
    assert by_rail["breathing"] > 0


def test_sensor_and_pitch_give_the_pixels():
    record = json.loads(
        run(
            *("plan", "--sensor", "36x24", "--pitch", "4um", "--focal-length", "50"),
            *("--near", "1m", "--far", "2m", "--json"),
        ).stdout
    )
    assert (record["camera"]["width_px"], record["camera"]["height_px"]) == (9000, 6000)


def test_print_criterion_on_the_command_line():
    """0.2 mm at 250 mm is 0.8 mm at 1 m; a 60 cm print of 44 mm is 13.6 times larger."""
    record = json.loads(
        run(
            *STILL_LIFE, "--print-width", "60cm", "--viewing-distance", "1m", "--json"
        ).stdout
    )
    assert record["criterion"]["coc_mm"] == pytest.approx(0.8 * 44 / 600)


@pytest.mark.parametrize(
    ("arguments", "status", "words"),
    [
        (TABLE, 2, "what must be sharp"),
        ([*TABLE, "--near", "70cm", "--far", "80cm"], 2, "--focal-length"),
        ([*STILL_LIFE, "--magnification", "1"], 2, "either --near"),
        ([*STILL_LIFE, "--pitch", "4um"], 2, "either --pixels"),
        ([*STILL_LIFE, "--coc", "0.03", "--blur-px", "2"], 2, "one of --blur-px"),
        ([*STILL_LIFE, "--viewing-distance", "1m"], 2, "--print-width"),
        ([*STILL_LIFE, "--overlap", "30"], 2, "0 to 0.9"),
        ([*STILL_LIFE, "--figure", "plan.pdf"], 2, ".svg or .png"),
        ([*STILL_LIFE, "--focus-by", "rail"], 2, "--magnification"),
        ([*TABLE, "--focal-length", "90", "--near", "0.7", "--far", "1"], 1, "unit"),
        ([*STILL_LIFE, "--coc", "30mm"], 1, "is the unit right"),
        ([*TABLE, "--magnification", "5", "--depth", "1", "--na", "1.2"], 1, "index"),
    ],
)
def test_wrong_input_is_one_clear_line(arguments, status, words):
    result = run(*arguments, status=status)
    assert words in result.stderr
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


def test_help_has_an_example_that_runs():
    text = run("plan", "--help").stdout
    start = text.index("stacker plan --sensor")
    example = text[start : text.index("The same at", start)].replace("\\", " ")
    assert run(*example.split()[1:]).stdout.startswith("33 frames at f/5.6")


# --- the figure ----------------------------------------------------------------------


def test_figure_draws_every_frame_and_marks_gaps():
    def drawn(**chosen):
        plan = table_plan(f_number=11, **chosen)
        return plan, [s for s in plan_figure(plan).shapes if isinstance(s, Box)]

    plan, boxes = drawn()
    bars = [b for b in boxes if b.fill == "#7fb2d9"]
    assert len(bars) == len(plan.positions)
    # On a scale that is even in 1/distance, even steps look even.
    np.testing.assert_allclose(
        np.diff([b.x + b.width / 2 for b in bars][1:-1]),
        bars[2].x - bars[1].x,
        rtol=0.05,
    )
    is_soft = "#d1495b"
    assert sum(b.fill == is_soft for b in boxes) == 1  # the legend's
    assert sum(b.fill == is_soft for b in drawn(n_frames=5)[1]) > 5


@pytest.mark.parametrize("kind", ["svg", "png"])
def test_figure_files(tmp_path, kind):
    path = tmp_path / f"plan.{kind}"
    run(*STILL_LIFE, "--figure", path)
    if kind == "svg":
        root = ET.fromstring(path.read_text())  # noqa: S314 - our own file
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        words = [e.text for e in root.iter("{http://www.w3.org/2000/svg}text")]
        assert "33 frames at f/5.6" in words
        assert "700 mm" in words
    else:
        with Image.open(io.BytesIO(path.read_bytes())) as picture:
            assert picture.width == 1920
            is_bar = (np.asarray(picture) == (0x7F, 0xB2, 0xD9)).all(axis=2)
        assert is_bar.mean() > 0.01
    before = path.read_bytes()
    result = run(*STILL_LIFE, "--frames", "3", "--figure", path, status=1)
    assert "exists already" in result.stderr
    assert path.read_bytes() == before
    run(*STILL_LIFE, "--frames", "3", "--figure", path, "--overwrite")
    assert path.read_bytes() != before
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_one_drawing_serves_both_kinds():
    drawing = Drawing(
        width=40,
        height=20,
        title="a < b",
        shapes=[
            Box(x=10, y=5, width=20, height=10, fill="#1f77b4"),
            Words(x=1, y=1, text="<&>"),
        ],
    )
    assert "<title>a &lt; b</title>" in drawing.to_svg()
    assert "&lt;&amp;&gt;" in drawing.to_svg()
    with Image.open(io.BytesIO(drawing.to_png())) as picture:
        pixels = np.asarray(picture)
    rows, columns = np.nonzero((pixels == (0x1F, 0x77, 0xB4)).all(axis=2))
    assert (columns.min(), columns.max() + 1) == (20, 60)
    assert (rows.min(), rows.max() + 1) == (10, 30)


def test_a_file_is_written_whole_or_not_at_all(tmp_path):
    path = tmp_path / "a.svg"
    write_whole(path, b"one")
    with pytest.raises(OutputExistsError, match=r"a\.svg"):
        write_whole(path, b"two")
    write_whole(path, b"two", overwrite=True)
    assert path.read_bytes() == b"two"
    assert len(list(tmp_path.iterdir())) == 1
