"""Metadata: what goes in comes out of the master, seen by independent readers."""

import json
import shutil
import struct
import subprocess
from datetime import UTC, datetime
from io import BytesIO
from typing import Any
from xml.etree import ElementTree as ET

import imagecodecs
import numpy as np
import pytest
import tifffile
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from stacker.files import Merge, packing, read_metadata, tiffwrite
from stacker.files.carry import carried
from stacker.files.ifd import Entry, IfdReader, ascii_entry, pack_ifd
from stacker.files.metadata import Metadata, capture_facts
from stacker.files.xmp import packet_with_history
from stacker.settings import OutputSettings

RNG = np.random.default_rng(13)
RGB = RNG.integers(0, 65535, (31, 53, 3), dtype=np.uint16)
PROFILE = imagecodecs.cms_profile("adobergb")
MERGE = Merge(
    frames=("a.tif", "b & c.tif"),
    software="stacker 0.0",
    settings_digest="0123abcd",
    when=datetime(2026, 5, 2, 8, 30, tzinfo=UTC),
)
XMP = """<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/">
<r:RDF xmlns:r="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
 <r:Description r:about="" xmlns:tiff="http://ns.adobe.com/tiff/1.0/"
   xmlns:exif="http://ns.adobe.com/exif/1.0/" tiff:Orientation="6"
   exif:PixelXDimension="31" exif:GPSLatitude="48,12.0N" tiff:Make="Maker">
  <exif:GPSLongitude>16,18.0E</exif:GPSLongitude>
  <dc:title xmlns:dc="http://purl.org/dc/elements/1.1/"><r:Alt>
   <r:li xml:lang="x-default">Zoë &amp; the tin</r:li></r:Alt></dc:title>
 </r:Description>
</r:RDF></x:xmpmeta>
<?xpacket end="w"?>""".encode()
HISTORY = b"""<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"
 xmlns:xmpMM="http://ns.adobe.com/xap/1.0/mm/"
 xmlns:stEvt="http://ns.adobe.com/xap/1.0/sType/ResourceEvent#">
 <rdf:Description rdf:about="uuid:1"><xmpMM:History><rdf:Seq>
 <rdf:li stEvt:action="converted"/></rdf:Seq></xmpMM:History></rdf:Description>
</rdf:RDF>"""
RDF = "{http://www.w3.org/1999/02/22-rdf-syntax-ns#}"

exiftool = pytest.mark.skipif(
    shutil.which("exiftool") is None,
    reason="exiftool is not installed (Debian: libimage-exiftool-perl)",
)
tiffinfo = pytest.mark.skipif(
    shutil.which("tiffinfo") is None,
    reason="tiffinfo is not installed (Debian: libtiff-tools)",
)


def rational(code, *pairs):
    flat = [n for pair in pairs for n in pair]
    return Entry(code, 5, len(pairs), struct.pack(f"<{len(flat)}I", *flat))


def full_metadata():
    """One of everything, with values that only exact copying keeps."""
    return Metadata(
        icc_profile=PROFILE,
        xmp=XMP,
        iptc=b"\x1c\x02\x78\x00\x07caption\x1c\x02\x50\x00\x04Zoe.",
        main=(
            ascii_entry(271, "Maker"),
            ascii_entry(315, "Zoë Ångström"),
            ascii_entry(33432, "© Zoë"),
            rational(282, (3000001, 10000)),
            rational(283, (3000001, 10000)),
            Entry(296, 3, 1, struct.pack("<H", 2)),
        ),
        exif=(
            rational(33434, (1, 125)),
            rational(33437, (8, 1)),
            ascii_entry(36867, "2026:05:01 10:11:12"),
            ascii_entry(37521, "345"),
            rational(37382, (4235, 10000)),
            Entry(40962, 4, 1, struct.pack("<I", 31)),
            Entry(37500, 7, 11, b"maker\x00notes"),
        ),
        interop=(ascii_entry(1, "R03"),),
        gps=(
            ascii_entry(1, "N"),
            rational(2, (48, 1), (12, 1), (0, 1)),
        ),
        orientation=6,
    )


def write_source(path, kind):
    """A frame with `full_metadata`, as a camera or a converter would write it."""
    metadata = full_metadata()
    if kind.startswith("tiff"):
        # tifffile writes neither EXIF nor big-endian raw tags: put them in by hand.
        tags: list[Any] = [(274, 3, 1, 6, True)]
        tags += [(e.code, e.kind, e.count, e.data, True) for e in metadata.main[:3]]
        tags += [
            (700, 1, len(XMP), XMP, True),
            (33723, 7, len(metadata.iptc), metadata.iptc, True),
        ]
        tifffile.imwrite(
            path,
            RGB,
            photometric="rgb",
            metadata=None,
            software=False,
            byteorder="<",
            bigtiff=kind == "tiff-big",
            iccprofile=PROFILE,
            resolution=((3000001, 10000), (3000001, 10000)),
            resolutionunit=2,
            extratags=[*tags, *pointers(kind == "tiff-big")],
        )
        with path.open("r+b") as file:
            tiffwrite._append_directories(file, metadata, is_big=kind == "tiff-big")
        return path
    exif = pack_exif(metadata)
    eight = Image.fromarray((RGB >> 8).astype(np.uint8))
    texts = PngInfo()
    texts.add_itxt("XML:com.adobe.xmp", XMP.decode())
    more = {"pnginfo": texts} if kind == "png" else {"xmp": XMP}
    eight.save(path, exif=exif, icc_profile=PROFILE, **more)
    return path


def pointers(is_big):
    letter = "Q" if is_big else "I"
    return [(34666, letter, 1, 0, True), (34854, letter, 1, 0, True)]


def pack_exif(metadata):
    """A TIFF structure as JPEG and PNG embed it (Exif 3.0, 4.7.2)."""
    at = 8
    gps = pack_ifd(metadata.gps, offset=at, is_big=False)
    interop = pack_ifd(metadata.interop, offset=at + len(gps), is_big=False)
    pointer = Entry(40965, 4, 1, struct.pack("<I", at + len(gps)))
    exif_at = at + len(gps) + len(interop)
    exif = pack_ifd([*metadata.exif, pointer], offset=exif_at, is_big=False)
    main = [
        *metadata.main,
        Entry(274, 3, 1, struct.pack("<H", 6)),
        Entry(34665, 4, 1, struct.pack("<I", exif_at)),
        Entry(34853, 4, 1, struct.pack("<I", at)),
    ]
    first = exif_at + len(exif)
    head = struct.pack("<2sHI", b"II", 42, first)
    body = gps + interop + exif + pack_ifd(main, offset=first, is_big=False)
    return b"Exif\0\0" + head + body


def write_master(path, metadata, **settings):
    options = OutputSettings(**settings)
    own = carried(metadata, MERGE, height=31, width=53, strip_gps=options.strip_gps)
    tiffwrite.write_tiff(path, RGB, own, options)
    return path


@pytest.mark.parametrize("kind", ["tiff", "tiff-big", "jpg", "png"])
def test_everything_is_read_byte_for_byte(tmp_path, kind):
    suffix = ".tif" if kind.startswith("tiff") else f".{kind}"
    found = read_metadata(write_source(tmp_path / f"a{suffix}", kind))
    expected = full_metadata()
    assert found.icc_profile == PROFILE
    assert found.xmp == XMP
    assert found.orientation == 6
    assert set(found.exif) == set(expected.exif)
    assert found.gps == expected.gps
    assert found.interop == expected.interop
    assert set(found.main) == set(expected.main)
    if kind.startswith("tiff"):
        assert found.iptc == expected.iptc


def test_iptc_in_a_jpeg(tmp_path):
    path = write_source(tmp_path / "a.jpg", "jpg")
    iptc = full_metadata().iptc
    block = b"Photoshop 3.0\0" + b"8BIM\x04\x25\0\0\0\0\0\x02xx"
    block += b"8BIM\x04\x04\0\0" + struct.pack(">I", len(iptc)) + iptc
    data = path.read_bytes()
    segment = b"\xff\xed" + struct.pack(">H", len(block) + 2) + block
    path.write_bytes(data[:2] + segment + data[2:])
    assert read_metadata(path).iptc == iptc


def test_a_big_endian_block_becomes_little_endian_values():
    values = struct.pack(
        ">HHIHHIIHHIIIII", 2, 37382, 5, 1, 8 + 30, 34855, 3, 1, 0, 0, 0, 0, 0, 0
    )
    del values
    table = struct.pack(">H", 2)
    table += struct.pack(">HHII", 37382, 5, 1, 8 + 2 + 24 + 4)
    table += struct.pack(">HHIHH", 34855, 3, 1, 100, 0)
    table += bytes(4) + struct.pack(">II", 4235, 10000)
    reader = IfdReader(BytesIO(b"MM\0*" + struct.pack(">I", 8) + table))
    found = reader.read(reader.first)
    assert found[37382] == rational(37382, (4235, 10000))
    assert found[37382].number() == 0.4235
    assert found[34855].numbers() == (100,)


@given(
    st.dictionaries(
        st.integers(1, 65535),
        st.sampled_from([1, 2, 3, 4, 5, 7, 10, 12]).flatmap(
            lambda kind: st.tuples(st.just(kind), st.integers(1, 5))
        ),
        max_size=8,
    ),
    st.booleans(),
    st.randoms(use_true_random=False),
)
def test_directories_come_back_as_they_were_packed(kinds, is_big, random):
    sizes = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 10: 8, 12: 8}
    entries = [
        Entry(code, kind, count, random.randbytes(sizes[kind] * count))
        for code, (kind, count) in kinds.items()
    ]
    head = (
        struct.pack("<2sHHHQ", b"II", 43, 8, 0, 16)
        if is_big
        else struct.pack("<2sHI", b"II", 42, 8)
    )
    data = head + pack_ifd(entries, offset=len(head), is_big=is_big)
    reader = IfdReader(BytesIO(data))
    assert sorted(reader.read(reader.first).values(), key=lambda e: e.code) == sorted(
        entries, key=lambda e: e.code
    )


def test_impossible_values_count_as_unknown():
    facts = capture_facts(
        Metadata(
            exif=(
                rational(33434, (1, 0)),
                rational(37386, (0, 1)),
                rational(37382, (0xFFFFFFFF, 1)),
                ascii_entry(36867, "0000:00:00 00:00:00"),
            )
        )
    )
    assert facts.exposure_s is None
    assert facts.focal_length_mm is None
    assert facts.focus_distance_mm is None
    assert facts.captured is None


@pytest.mark.parametrize("bigtiff", [False, True])
@pytest.mark.parametrize("kind", ["tiff", "jpg", "png"])
def test_the_master_carries_everything(tmp_path, kind, bigtiff, monkeypatch):
    if bigtiff:
        monkeypatch.setattr(packing, "_CLASSIC_LIMIT", 1000)
    suffix = ".tif" if kind == "tiff" else f".{kind}"
    source = read_metadata(write_source(tmp_path / f"a{suffix}", kind))
    path = write_master(tmp_path / "m.tif", source)
    with tifffile.TiffFile(path) as tif:
        assert tif.is_bigtiff == bigtiff
        np.testing.assert_array_equal(tif.asarray(), RGB)
        tags = tif.pages.first.tags
        assert tags["Orientation"].value == 1
        assert tags["InterColorProfile"].value == PROFILE
        assert tags["XResolution"].value == (3000001, 10000)
        exif = tags["ExifTag"].value
        assert exif["ExposureTime"] == (1, 125)
        assert exif["SubsecTimeOriginal"] == "345"
        assert exif["SubjectDistance"] == (4235, 10000)
        assert exif["MakerNote"] == b"maker\x00notes"
        assert (exif["PixelXDimension"], exif["PixelYDimension"]) == (53, 31)
        assert tags["GPSTag"].value["GPSLatitude"] == (48, 1, 12, 1, 0, 1)
    again = read_metadata(path)
    assert again.interop == source.interop
    assert again.gps == source.gps
    assert again.iptc == source.iptc


@pytest.mark.parametrize("bigtiff", [False, True])
def test_pillow_reads_the_master(tmp_path, bigtiff, monkeypatch):
    if bigtiff:
        monkeypatch.setattr(packing, "_CLASSIC_LIMIT", 1000)
    path = write_master(tmp_path / "m.tif", full_metadata())
    with Image.open(path) as image:
        exif = image.getexif()
        assert image.size == (53, 31)
        assert image.info["icc_profile"] == PROFILE
        assert exif[271] == "Maker"
        assert exif.get_ifd(34665)[36867] == "2026:05:01 10:11:12"
        assert exif.get_ifd(34853)[1] == "N"


@tiffinfo
@pytest.mark.parametrize("bigtiff", [False, True])
def test_libtiff_reads_the_master(tmp_path, bigtiff, monkeypatch):
    if bigtiff:
        monkeypatch.setattr(packing, "_CLASSIC_LIMIT", 1000)
    path = write_master(tmp_path / "m.tif", full_metadata())
    done = subprocess.run(
        ["tiffinfo", str(path)],  # noqa: S607
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    for words in (
        "Image Width: 53 Image Length: 31",
        "Bits/Sample: 16",
        "Compression Scheme: AdobeDeflate",
        "Orientation: row 0 top, col 0 lhs",
        "Artist: Zoë Ångström",
        "ExposureTime: 0.008",
        "LatitudeRef: N",
    ):
        assert words in done.stdout
    # libtiff's table of EXIF tags has no pointer to the interoperability directory.
    problems = [w for w in done.stderr.splitlines() if "40965" not in w]
    assert problems == []


@exiftool
@pytest.mark.parametrize("kind", ["tiff", "tiff-big", "jpg", "png"])
def test_exiftool_reads_the_master(tmp_path, kind):
    suffix = ".tif" if kind.startswith("tiff") else f".{kind}"
    source = read_metadata(write_source(tmp_path / f"a{suffix}", kind))
    path = write_master(tmp_path / "m.tif", source)
    done = subprocess.run(
        ["exiftool", "-j", "-G1", "-n", "-struct", str(path)],  # noqa: S607
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    (seen,) = json.loads(done.stdout)
    assert seen["IFD0:Artist"] == "Zoë Ångström"
    assert seen["IFD0:Copyright"] == "© Zoë"
    assert seen["IFD0:Orientation"] == 1
    assert seen["IFD0:Software"] == "stacker 0.0"
    assert seen["ExifIFD:ExposureTime"] == 0.008
    assert seen["ExifIFD:DateTimeOriginal"] == "2026:05:01 10:11:12"
    assert seen["ExifIFD:ExifImageWidth"] == 53
    assert seen["InteropIFD:InteropIndex"] == "R03"
    assert seen["GPS:GPSLatitude"] == pytest.approx(48.2)
    assert seen["XMP-dc:Title"] == "Zoë & the tin"
    assert "XMP-tiff:Orientation" not in seen
    (event,) = seen["XMP-xmpMM:History"]
    assert event["Action"] == "produced"
    assert event["SoftwareAgent"] == "stacker 0.0"
    assert "a.tif, b & c.tif" in event["Parameters"]
    assert "0123abcd" in event["Parameters"]
    if kind.startswith("tiff"):
        assert seen["IPTC:Caption-Abstract"] == "caption"
    problems = [v for k, v in seen.items() if k.endswith((":Warning", ":Error"))]
    assert [p for p in problems if "MakerNotes" not in p] == []  # of no known maker


@exiftool
def test_strip_gps_leaves_no_place(tmp_path):
    path = write_master(tmp_path / "m.tif", full_metadata(), strip_gps=True)
    done = subprocess.run(
        ["exiftool", "-a", "-G1", "-GPS*", "-XMP:all", str(path)],  # noqa: S607
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    assert "GPS" not in done.stdout
    assert "Zoë & the tin" in done.stdout
    assert b"48,12" not in path.read_bytes()


def with_history(packet, parameters="p", **options):
    return packet_with_history(
        packet, software="s 1", parameters=parameters, when=MERGE.when, **options
    )


def parse(packet):
    text = packet.decode("utf-8")
    return ET.fromstring(  # noqa: S314
        text[text.index("?>") + 2 : text.rindex("<?xpacket")]
    )


def test_history_is_made_where_there_is_none():
    packet = packet_with_history(None, software="s 1", parameters="p", when=MERGE.when)
    assert str(packet).startswith("b'<?xpacket begin=")
    events = parse(packet).findall(f".//{RDF}li")
    assert len(events) == 1


def test_history_that_is_there_is_continued():
    packet = with_history(HISTORY, "<&>")
    root = parse(packet)
    assert len(root.findall(f".//{RDF}Seq")) == 1
    old, new = root.findall(f".//{RDF}li")
    event = "{http://ns.adobe.com/xap/1.0/sType/ResourceEvent#}"
    assert old.get(f"{event}action") == "converted"
    assert new.find(f"{event}parameters").text == "<&>"
    assert new.find(f"{event}when").text == "2026-05-02T08:30:00+00:00"


def test_what_describes_the_source_pixels_is_dropped_and_nothing_else():
    packet = with_history(XMP)
    text = packet.decode("utf-8")
    for gone in ("tiff:Orientation", "PixelXDimension"):
        assert gone not in text
    for kept in ("Zoë &amp; the tin", 'tiff:Make="Maker"', "GPSLatitude", "16,18.0E"):
        assert kept in text


@pytest.mark.parametrize(
    "packet",
    [
        b"no xml",
        b"<a/>",
        b'<!DOCTYPE a [<!ENTITY b "c">]><a>&b;</a>',
        XMP[:200],
        b"\xff\xfe\x00",
    ],
)
def test_a_damaged_packet_is_carried_but_never_with_a_place_to_hide(packet):
    assert with_history(packet) == packet
    assert with_history(packet, strip_gps=True) is None


def test_how_the_source_was_to_be_developed_is_not_done_to_the_master():
    packet = b"""<r:RDF xmlns:r="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
     <r:Description r:about="" xmlns:d="http://ns.adobe.com/camera-raw-settings/1.0/"
       xmlns:xmp="http://ns.adobe.com/xap/1.0/" d:Exposure="+2" xmp:Rating="4"
       xmp:ModifyDate="2026-05-01"><d:ToneCurve/></r:Description></r:RDF>"""
    text = with_history(packet).decode("utf-8")
    assert 'xmp:Rating="4"' in text
    for gone in ("Exposure", "ToneCurve", "ModifyDate"):
        assert gone not in text


def test_utf16_packets_are_read():
    body = XMP.decode()
    wide = body[body.index("?>") + 2 : body.rindex("<?xpacket")].encode("utf-16")
    packet = with_history(wide)
    assert "Zoë &amp; the tin" in packet.decode("utf-8")


def test_a_source_without_metadata_gets_only_what_is_true(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, RGB, photometric="rgb")
    write_master(tmp_path / "m.tif", read_metadata(path))
    with tifffile.TiffFile(tmp_path / "m.tif") as tif:
        tags = tif.pages.first.tags
        assert "InterColorProfile" not in tags
        assert "ExifTag" not in tags
        assert "ImageDescription" not in tags
        assert tags["Software"].value == "stacker 0.0"
