"""ASAM CDF 2.0: round trips to the bit, edits with their origin, refusals, structure."""

import io
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from preview_tables import hand_made_preview
from rule_tables import edited, hand_made

from hybridopt.base.cautions import TABLES_CAUTION
from hybridopt.base.errors import InputError
from hybridopt.files import xml_text
from hybridopt.tables.files import read_tables, write_cdf
from hybridopt.tables.preview_form import PREVIEW
from hybridopt.tables.rule_form import RULES
from hybridopt.tables.table_cdf import cdf_text, with_cdf_values

etree = pytest.importorskip("lxml.etree", reason="needs lxml, which fmpy brings")

CONTENT = {
    "MSRSW": "SHORT-NAME?,CATEGORY?,SW-SYSTEMS?,SDGS?,LOCS?",
    "SW-SYSTEMS": "SW-SYSTEM*",
    "SW-SYSTEM": "SHORT-NAME,LONG-NAME?,CATEGORY?,SW-INSTANCE-SPEC?",
    "SW-INSTANCE-SPEC": "SW-INSTANCE-TREE?",
    "SW-INSTANCE-TREE": "SHORT-NAME,LONG-NAME?,CATEGORY?,SW-INSTANCE-TREE-ORIGIN?,"
    "SW-CS-COLLECTIONS?,SW-INSTANCE*",
    "SW-INSTANCE": "(SHORT-NAME|SW-ARRAY-INDEX),LONG-NAME?,DISPLAY-NAME?,CATEGORY?,SW-FEATURE-REF?,"
    "((SW-VALUE-CONT?,SW-AXIS-CONTS?,SW-CS-HISTORY?,SW-CS-FLAGS?)|SW-INSTANCE-PROPS-VARIANTS?),"
    "SW-INSTANCE*",
    "SW-VALUE-CONT": "UNIT-DISPLAY-NAME?,SW-ARRAYSIZE?,SW-VALUES-PHYS?",
    "SW-AXIS-CONTS": "SW-AXIS-CONT*",
    "SW-AXIS-CONT": "CATEGORY?,UNIT-DISPLAY-NAME?,SW-INSTANCE-REF?,SW-ARRAYSIZE?,SW-VALUES-PHYS?",
    "SW-ARRAYSIZE": "V*",
    "VG": "LABEL?,(VT|V|VG)*",
    "SDGS": "SDG+",
    "SDG": "SDG-CAPTION?,(SD?|SDG?)*",
}
"""Content of elements by the document type of ASAM CDF 2.0.0, which is public; only the elements
that are used are declared here, so that any other one is refused."""
LEAVES = ("SHORT-NAME", "LONG-NAME", "CATEGORY", "UNIT-DISPLAY-NAME", "SW-INSTANCE-REF")
LEAVES = (*LEAVES, "V", "VT", "LABEL", "SD")
DTD = "".join(f"<!ELEMENT {name} ({model})>\n" for name, model in CONTENT.items())
DTD += "<!ELEMENT SW-VALUES-PHYS (VT|V|VG)*>\n"
DTD += "".join(f"<!ELEMENT {name} (#PCDATA)>\n" for name in LEAVES)
DTD += "<!ATTLIST UNIT-DISPLAY-NAME xml:space (preserve) #FIXED 'preserve'>\n"
DTD += "<!ATTLIST SDG GID CDATA #REQUIRED>\n<!ATTLIST SD GID CDATA #REQUIRED>\n"


def same(ours, theirs):
    """Whether all values are the same to the bit."""
    form = ours.form
    mine, other = (form.digest(x.constants, x.maps) for x in (ours, theirs))
    return mine == other


@pytest.fixture
def file(tmp_path):
    path = tmp_path / "rules.cdfx"
    write_cdf(hand_made(), path)
    return path


def test_preview_maps_come_back_to_the_bit(tmp_path):
    made = hand_made_preview()
    write_cdf(made, tmp_path / "a.cdfx")
    back = read_tables(tmp_path / "a.cdfx")
    assert back.form is PREVIEW and same(back, made) and back.origin == made.origin


@pytest.mark.parametrize("make", [hand_made, hand_made_preview])
def test_structure_is_that_of_the_standard(make):
    """By lxml against the content models of the public document type, written out above."""
    declared = etree.DTD(io.StringIO(DTD))
    root = etree.fromstring(cdf_text(make()).encode())
    assert declared.validate(root), declared.error_log
    root.find(".//SW-VALUE-CONT").insert(0, etree.Element("V"))
    assert not declared.validate(root), "the check can fail"


@pytest.mark.parametrize("make", [hand_made, hand_made_preview])
def test_names_units_axes_and_sizes_are_told(make):
    """Read with lxml: one instance per name, shared axes once, groups as the sizes say."""
    made = make()
    root = etree.fromstring(cdf_text(made).encode())
    instances = {x.findtext("SHORT-NAME"): x for x in root.iter("SW-INSTANCE")}
    shared = made.form.shared_axes(made.maps)
    assert instances.keys() == {*made.form.constants, *made.maps, *shared.values()}
    assert len(set(shared.values())) < len(shared), "some axes are shared"
    for name, found in made.maps.items():
        instance = instances[name]
        assert instance.findtext("LONG-NAME") == made.form.meanings[name]
        refs = [ref.text for ref in instance.iter("SW-INSTANCE-REF")]
        assert refs == [shared[axis] for axis in made.form.axis_names(name)][::-1]
        sizes = [int(v.text) for v in instance.iterfind("SW-VALUE-CONT/SW-ARRAYSIZE/V")]
        assert sizes == list(found.values.shape)[::-1]
        values = [float(v.text) for v in instance.find("SW-VALUE-CONT/SW-VALUES-PHYS").iter("V")]
        assert np.array_equal(values, found.values.ravel())
        assert instance.findtext(".//UNIT-DISPLAY-NAME") == made.form.value(name).unit
    assert TABLES_CAUTION in [x.text for x in root.iter("SD")]


@pytest.mark.parametrize(
    "title", ["<V>&amp;]]>", "\"'", "", " a  b ", "ü\u4e2d", "a\nb", "-->", "&a;"]
)
def test_any_title_comes_back(tmp_path, title):
    """As other files keep it: on one line."""
    write_cdf(hand_made(title), tmp_path / "a.cdfx")
    back = read_tables(tmp_path / "a.cdfx")
    assert back.origin == replace(hand_made().origin, title=title.replace("\n", " "))


# --- edits ---


def test_an_edited_value_comes_back_with_its_origin(file):
    edited(file, "<V>9008.999999999998</V>", "<V>11500.000000000002</V>")
    back, made = read_tables(file), hand_made()
    assert back.table.engine_start.values[0, 1] == 11500.000000000002
    assert back.origin == replace(made.origin, edited=True)


def test_values_in_units_of_the_trade_are_read(file):
    text = file.read_text()
    begin = text.index("<SHORT-NAME>idle_speed<")
    part = text[begin:].replace("rad/s", "rpm", 1).replace("83.7758040957278", "900", 1)
    file.write_text(text[:begin] + part)
    assert read_tables(file).gearbox.idle_speed == pytest.approx(30.0 * np.pi, rel=1e-15)


@pytest.mark.parametrize(("old", "new"), [(">N m<", ">Nm<"), (">1<", ">-<"), (">1<", "><")])
def test_units_are_read_as_other_tools_write_them(file, old, new):
    text = file.read_text()
    file.write_text(
        text.replace(
            f'UNIT-DISPLAY-NAME xml:space="preserve"{old}',
            f'UNIT-DISPLAY-NAME xml:space="preserve"{new}',
        )
    )
    assert file.read_text() != text
    assert same(read_tables(file), hand_made())


PART = """<MSRSW><SHORT-NAME>a</SHORT-NAME><CATEGORY>CDF20</CATEGORY><SW-SYSTEMS><SW-SYSTEM>
<SHORT-NAME>a</SHORT-NAME><SW-INSTANCE-SPEC><SW-INSTANCE-TREE><SHORT-NAME>a</SHORT-NAME>
{}</SW-INSTANCE-TREE></SW-INSTANCE-SPEC></SW-SYSTEM></SW-SYSTEMS></MSRSW>"""
INSTANCE = """<SW-INSTANCE><SHORT-NAME>{}</SHORT-NAME><CATEGORY>VALUE</CATEGORY><SW-VALUE-CONT>
<SW-VALUES-PHYS>{}</SW-VALUES-PHYS></SW-VALUE-CONT></SW-INSTANCE>"""


def test_a_part_of_the_values_goes_into_the_tables(tmp_path):
    """What another tool hands back: a few names, without origin, units or sizes."""
    path, made = tmp_path / "part.cdfx", hand_made()
    axis = "<V>0.0</V><V>13.0</V><V>29.0</V>"
    names = [("min_on", "<V>4.5</V>"), ("engine_start_speed", axis), ("of_another", "<VT>x</VT>")]
    path.write_text(PART.format("".join(INSTANCE.format(*x) for x in names)))
    back = with_cdf_values(made, path)
    assert back.table.min_on == 4.5 and back.origin == replace(made.origin, edited=True)
    assert list(back.table.engine_start.axes[0]) == [0.0, 13.0, 29.0]
    assert list(back.table.engine_stop.axes[0]) == [0.0, 13.0, 29.0], "it is one axis of both"
    assert np.array_equal(back.table.engine_start.values, made.table.engine_start.values)
    assert back.coverage.keys() == made.coverage.keys()
    with pytest.raises(InputError, match="says nothing of the origin of its values; give the tab"):
        read_tables(path)


def test_values_that_did_not_change_are_no_edit(file):
    made = hand_made()
    assert with_cdf_values(made, file).origin == made.origin


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            "<V>9008.999999999998</V>",
            "<V>1e13</V>",
            r"engine_start\[1\]\[2\]: is 1e\+13; allowed is a number from -1e\+12 to 1e\+12 W",
        ),
        (
            "<V>9008.999999999998</V>",
            "<V>much</V>",
            r"engine_start\[1\]\[2\]: is 'much'; write a number wit",
        ),
        (
            "<V>9008.999999999998</V>",
            "<V>1_0</V>",
            r"engine_start\[1\]\[2\]: is '1_0'; write a number",
        ),
        (
            "<V>9008.999999999998</V>",
            "<V>nan</V>",
            r"engine_start\[1\]\[2\]: is nan; allowed is a number",
        ),
        (
            "<V>9008.999999999998</V>",
            "",
            r"engine_start\[1\]: has 2 entries 'V'; give 3 of V, one per point",
        ),
        (
            "<V>9008.999999999998</V>",
            "<VT>a</VT>",
            r"engine_start\[1\]: has 3 entries 'VT'; give 3 of V",
        ),
        ("<V>0.7</V>", "<V>1.5</V>", r"land_up\[1\]: is 1.5; allowed is a number from 0 to 1;"),
        ("<V>0.5</V>", "<V>0.4</V>", r"engine_start_soc\[2\]: is 0.4 after 0.4; an axis must inc"),
        ("MSRSW>", "MSR>", "is no valid XML|is no file of the calibration data format"),
        (">CDF20<", ">CDF30<", "is no file of the calibration data format CDF 2.0"),
        (">engine_stop<", ">engine_halt<", "'engine_stop' is missing; add it"),
        (">engine_stop<", ">engine_start<", "'engine_start' is there twice; keep one"),
        (">N m<", ">lbf ft<", "unit is 'lbf ft'; allowed is N m"),
        ("hybridopt rule tables<", "of another<", "is no file of rule tables or preview maps"),
    ],
)
def test_what_is_wrong_is_one_sentence(file, old, new, message):
    edited(file, old, new)
    if old == "MSRSW>":
        file.write_text(file.read_text().replace("/MSRSW>", "/MSR>"))
    with pytest.raises(InputError, match=message) as refused:
        read_tables(file)
    assert str(refused.value).startswith(str(file)) and str(refused.value).isprintable()


LAUGHS = '<!ENTITY a "ha">' + "".join(
    f'<!ENTITY {b} "{f"&{a};" * 10}">' for a, b in zip("abcdefgh", "bcdefghi", strict=True)
)


@pytest.mark.parametrize(
    "head",
    [
        f"<!DOCTYPE MSRSW [{LAUGHS}]>",
        '<!DOCTYPE MSRSW [<!ENTITY i SYSTEM "file:///etc/passwd">]>',
        '<!DOCTYPE MSRSW [<!ENTITY % p SYSTEM "file:///dev/zero"> %p;]>',
        "<!DOCTYPE MSRSW [<!ELEMENT MSRSW ANY>]>",
        '<!DOCTYPE MSRSW SYSTEM "file:///dev/zero">',
    ],
)
def test_nothing_is_expanded_or_looked_up(tmp_path, head):
    path = tmp_path / "a.cdfx"
    path.write_text(head + "<MSRSW><CATEGORY>&i;</CATEGORY></MSRSW>")
    with pytest.raises(InputError, match="declares entities or a document type|is no valid XML"):
        read_tables(path)


@pytest.mark.parametrize(
    ("content", "message"),
    [
        ("<a>" * 100 + "</a>" * 100, "is nested too deeply"),
        ("<a>" + "<b/>" * 1000 + "</a>", "has more than 1000 elements"),
        ("<a>" + "b" * 20_000_000 + "</a>", "at most 20 MB is read"),
        ('<?xml version="1.0" encoding="klingon"?><a/>', "encoding"),
        ("", "is no valid XML"),
    ],
)
def test_bombs_are_refused(tmp_path, monkeypatch, content, message):
    monkeypatch.setattr(xml_text, "MOST_ELEMENTS", 1000)
    path = tmp_path / "a.cdfx"
    path.write_text(content)
    with pytest.raises(InputError, match=message):
        read_tables(path)


def test_rules_read_no_network_and_no_schema():
    """The reader needs nothing but the standard library's parser."""
    code = "import hybridopt.files.xml_text, sys; assert 'lxml' not in sys.modules"
    subprocess.run([sys.executable, "-c", code], check=True)
    assert RULES.kind != PREVIEW.kind
