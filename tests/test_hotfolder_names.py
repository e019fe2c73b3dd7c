"""Names from anywhere become names that can do no harm; commands never see a shell."""

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from stacker.errors import InputError
from stacker.frame import FrameInfo
from stacker.hotfolder.names import (
    NAME_FIELDS,
    check_template,
    command_words,
    fill_command,
    result_name,
    unused,
)

INFO = FrameInfo(
    name="x",
    height=2,
    width=3,
    n_channels=1,
    bit_depth=8,
    captured=datetime(2026, 5, 1, 12, 3, 4),
)


def name(first, template="{folder}_{first}", root="in"):
    return result_name(template, [INFO, INFO], [first, "z.tif"], root)


def test_a_result_is_named_by_folder_and_first_frame():
    assert name("cup/IMG_0001.tif") == "cup_IMG_0001"
    assert name("day/cup/IMG_0001.tif") == "cup_IMG_0001"
    assert name("IMG_0001.tif") == "in_IMG_0001"


def test_all_fields():
    template = "{date}/{time}-{folder}-{first}-{last}-{count}"
    assert name("cup/a.b.tif", template) == "2026-05-01/120304-cup-a.b-z-2"


@pytest.mark.parametrize(
    "template", ["{frist}", "{first!r}", "{first:>9}", "{first.x}", "{0}", "{", "{}"]
)
def test_a_wrong_template_is_refused(template):
    with pytest.raises(InputError):
        check_template(template, NAME_FIELDS)


HOSTILE = [
    "-rf.tif",
    "..tif",
    "a\nb.tif",
    '"><script>alert(1)</script>.tif',
    "a'b`$(reboot)`;.tif",
    "..\\..\\x.tif",
    b"\xff\xfe\x80.tif".decode("utf-8", "surrogateescape"),
    "\u202egnp.tif",
    "n" * 251 + ".tif",
    "\N{GRINNING FACE}" * 62 + ".tif",
    "CON.tif",
    "nul.a.tif",
    " .tif",
    "%PATH%.tif",
    "*?[a].tif",
]


@pytest.mark.parametrize("first", HOSTILE, ids=ascii)
@pytest.mark.parametrize("template", ["{first}", "{folder}/{first}"])
def test_hostile_names_become_plain_ones(first, template):
    check_plain(name(f"d/{first}", template))


def check_plain(made):
    assert made.encode("utf-8")
    for part in made.split("/"):
        assert part
        assert part[0] not in "-. "
        assert part[-1] not in ". "
        assert len(part.encode()) <= 200
        assert not set(part) & set("\\:*?\"'<>|&;$`!%\n\r\t\0")
        assert part.isprintable()
        assert part.split(".")[0].lower() not in ("con", "nul", "aux", "prn")


@given(st.text(min_size=1, max_size=300))
def test_any_name_becomes_a_plain_one(text):
    first = text.replace("/", "_") + ".tif"
    check_plain(name(first, "{first}"))


def test_a_template_cannot_lead_outside():
    assert name("a.tif", "../../{first}") == "a"
    assert name("a.tif", "/etc/{first}") == "etc/a"
    assert name("a.tif", "..") == "bracket"


def test_long_names_that_begin_alike_stay_different():
    one, two = (name("n" * 240 + c + ".tif", "{first}") for c in "ab")
    assert one != two


def test_a_name_that_is_taken_gets_a_number():
    taken = {"cup", "cup-2"}
    assert unused("cup", taken.__contains__) == "cup-3"
    assert unused("jug", taken.__contains__) == "jug"


def test_a_value_stays_in_its_word():
    """Whatever is in it: blanks, quotes and signs of a shell mean nothing."""
    words = command_words("notify 'It is {state}' --name={name}")
    values = {"state": "done; rm -rf /", "name": "a b '\"$(x)"}
    assert fill_command(words, values) == [
        "notify",
        "It is done; rm -rf /",
        "--name=a b '\"$(x)",
    ]


@pytest.mark.parametrize("command", ["", "  ", "say 'a", "say {nonsense}"])
def test_a_wrong_command_is_refused(command):
    with pytest.raises(InputError):
        command_words(command)
