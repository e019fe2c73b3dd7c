"""The XMP packet of the master: the source's own, with a line on how it was made.

Title, creator, rights and all else stay as the photographer wrote them; only what
describes the source's file (size, orientation, development) is taken out, and one entry is added to
the history (XMP specification part 2, "XMP Media Management": xmpMM:History of
ResourceEvents).
"""

import logging
import re
from codecs import BOM_UTF16_BE, BOM_UTF16_LE
from collections.abc import Iterator
from datetime import datetime
from xml.dom import minidom
from xml.parsers.expat import ExpatError

__all__ = ["packet_with_history"]

_log = logging.getLogger(__name__)

_RDF = "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
_MEDIA = "http://ns.adobe.com/xap/1.0/mm/"
_EVENT = "http://ns.adobe.com/xap/1.0/sType/ResourceEvent#"
_TIFF = "http://ns.adobe.com/tiff/1.0/"
_EXIF = "http://ns.adobe.com/exif/1.0/"
_BASIC = "http://ns.adobe.com/xap/1.0/"
_XMLNS = "http://www.w3.org/2000/xmlns/"

# Properties that describe the source's file and would be wrong in the master.
_STALE = frozenset(
    {
        (_TIFF, name)
        for name in (
            "Orientation", "ImageWidth", "ImageLength", "BitsPerSample", "Compression",
            "PhotometricInterpretation", "SamplesPerPixel", "PlanarConfiguration",
            "NativeDigest", "Software", "DateTime",
        )
    }
    | {
        (_EXIF, name)
        for name in ("PixelXDimension", "PixelYDimension", "ColorSpace", "NativeDigest")
    }
    | {(_BASIC, n) for n in ("Thumbnails", "ModifyDate", "MetadataDate")}
)  # fmt: skip
# XMP specification part 2, Camera Raw namespace: how the source is to be developed. A
# reader would do it to the master, once more.
_DEVELOPMENT = "http://ns.adobe.com/camera-raw-settings/1.0/"

_EMPTY = (
    '<x:xmpmeta xmlns:x="adobe:ns:meta/">'
    f'<rdf:RDF xmlns:rdf="{_RDF}"><rdf:Description rdf:about=""/></rdf:RDF>'
    "</x:xmpmeta>"
)
# XMP specification part 1, 7.3: the wrapper, and its fixed id.
_HEAD = '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
_TAIL = '\n<?xpacket end="w"?>'
_NOT_ALLOWED = re.compile("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def packet_with_history(
    packet: bytes | None,
    *,
    software: str,
    parameters: str,
    when: datetime,
    strip_gps: bool = False,
) -> bytes | None:
    """Add an entry to a packet's history; make a packet where there is none.

    Parameters
    ----------
    packet : bytes or None
        The source's packet.
    software, parameters : str
        Who did it, and how, in words.
    when : datetime
        With its offset from UTC.
    strip_gps : bool
        Also take out the place of capture.

    Returns
    -------
    bytes or None
        UTF-8 packet. A packet that is no XML comes back as it was, without an entry;
        None instead where the place of capture cannot be taken out of it.
    """
    document = _parse(packet) if packet else minidom.parseString(_EMPTY)  # noqa: S318
    rdf = document and next(_elements(document, _RDF, "RDF"), None)
    if document is None or rdf is None or not _descriptions(rdf):
        _log.warning("the XMP packet of the reference frame cannot be read")
        return None if strip_gps else packet
    for description in _descriptions(rdf):
        _remove_properties(description, strip_gps=strip_gps)
    _append_event(
        document,
        rdf,
        {
            "action": "produced",
            "softwareAgent": software,
            "parameters": _allowed(parameters),
            "when": when.isoformat(timespec="seconds"),
        },
    )
    body = "".join(
        node.toxml()
        for node in document.childNodes
        if isinstance(node, minidom.Element)
    )
    return (_HEAD + body + _TAIL).encode("utf-8")


def _allowed(text: str) -> str:
    r"""Write as escapes what XML 1.0 (production 2) has no place for.

    File names may hold control characters, and bytes that are no UTF-8.

    Examples
    --------
    >>> _allowed("a\x01\udcff")
    'a\\x01\\udcff'
    """
    return _NOT_ALLOWED.sub(
        lambda found: found[0].encode("unicode_escape").decode("ascii"), text
    )


def _parse(packet: bytes) -> minidom.Document | None:
    # XMP has no document types; without one there are no entities to blow up, so the
    # standard parser is safe here.
    if b"<!DOCTYPE" in packet.replace(b"\0", b""):
        return None
    if packet[:2] not in (BOM_UTF16_LE, BOM_UTF16_BE):
        packet = packet.strip(b"\0 \r\n\t")  # padding
    try:
        return minidom.parseString(packet)  # noqa: S318
    except (ExpatError, ValueError, LookupError):
        return None


def _elements(
    node: minidom.Document | minidom.Element, namespace: str, name: str
) -> Iterator[minidom.Element]:
    yield from node.getElementsByTagNameNS(namespace, name)


def _descriptions(rdf: minidom.Element) -> list[minidom.Element]:
    return [
        child
        for child in rdf.childNodes
        if isinstance(child, minidom.Element)
        and (child.namespaceURI, child.localName) == (_RDF, "Description")
    ]


def _remove_properties(description: minidom.Element, *, strip_gps: bool) -> None:
    def is_unwanted(namespace: str | None, name: str | None) -> bool:
        is_place = namespace == _EXIF and (name or "").startswith("GPS")
        is_stale = (namespace, name) in _STALE or namespace == _DEVELOPMENT
        return is_stale or (strip_gps and is_place)

    for attribute in list(description.attributes.values()):
        if is_unwanted(attribute.namespaceURI, attribute.localName):
            description.removeAttributeNode(attribute)
    for child in list(description.childNodes):
        if isinstance(child, minidom.Element) and is_unwanted(
            child.namespaceURI, child.localName
        ):
            description.removeChild(child)


def _append_event(
    document: minidom.Document, rdf: minidom.Element, event: dict[str, str]
) -> None:
    """Add a ResourceEvent to the history, which is made where there is none."""
    histories = (h for d in _descriptions(rdf) for h in _elements(d, _MEDIA, "History"))
    history = next(histories, None)
    prefix = rdf.prefix or "rdf"
    sequence = history and next(_elements(history, _RDF, "Seq"), None)
    if sequence is None:
        holder = document.createElementNS(_RDF, f"{prefix}:Description")
        about = _descriptions(rdf)[0].getAttributeNS(_RDF, "about")
        holder.setAttributeNS(_XMLNS, f"xmlns:{prefix}", _RDF)
        holder.setAttributeNS(_RDF, f"{prefix}:about", about)
        if history is None:
            history = document.createElementNS(_MEDIA, "xmpMM:History")
            history.setAttributeNS(_XMLNS, "xmlns:xmpMM", _MEDIA)
            holder.appendChild(history)
            rdf.appendChild(holder)
        sequence = document.createElementNS(_RDF, f"{prefix}:Seq")
        history.appendChild(sequence)
    item = document.createElementNS(_RDF, f"{prefix}:li")
    item.setAttributeNS(_RDF, f"{prefix}:parseType", "Resource")
    item.setAttributeNS(_XMLNS, "xmlns:stEvt", _EVENT)
    for name, value in event.items():
        field = document.createElementNS(_EVENT, f"stEvt:{name}")
        field.appendChild(document.createTextNode(value))
        item.appendChild(field)
    sequence.appendChild(item)
