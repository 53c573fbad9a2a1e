"""What can be held against ISO 19005-2 and -3 (PDF/A) and ISO 14289-1 (PDF/UA) without a validator.

No maintained validator can be had from PyPI or Debian (veraPDF is a Java program of its own), so each rule that a
reader of the file can check is checked here; the clause stands beside it.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator

import pypdf
from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject, StreamObject


def assert_archival(pdf: bytes, part: int) -> None:
    """The file keeps to PDF/A-2a or -3a and PDF/UA-1 as far as its objects tell."""
    assert re.match(rb"%PDF-1\.[4-7]\n%[\x80-\xff]{4}", pdf)  # 19005-3, 6.1.2
    reader = pypdf.PdfReader(io.BytesIO(pdf), strict=True)
    root, objects = reader.trailer["/Root"], list(_objects(reader))
    assert "/Encrypt" not in reader.trailer  # 6.1.3
    assert len(reader.trailer["/ID"]) == 2  # 6.1.3
    xmp = root["/Metadata"].get_data().decode()  # 6.6.2
    assert f"pdfaid:part>{part}<" in xmp
    assert "pdfaid:conformance>A<" in xmp
    assert "pdfuaid:part>1<" in xmp
    _assert_colours(root, objects)
    _assert_fonts(objects)
    _assert_nothing_runs(root, objects)
    _assert_tagged(reader, root, objects)
    for one in objects:
        if isinstance(one, StreamObject):
            assert "/LZWDecode" not in str(one.get("/Filter"))  # 6.1.7.2
            assert "/F" not in one  # 6.1.7.1: no outside file
        if one.get("/Type") == "/Filespec":  # 6.8
            assert one["/AFRelationship"] in ("/Data", "/Source", "/Supplement", "/Alternative")
            assert one["/F"] == one["/UF"]
            assert part == 3
            assert one.indirect_reference in root["/AF"]


def _objects(reader: pypdf.PdfReader) -> Iterator[DictionaryObject]:
    """Every dictionary of the file, direct ones too."""
    seen: set[tuple[int, int]] = set()
    waiting: list[object] = [reader.trailer]
    while waiting:
        one = waiting.pop()
        if isinstance(one, IndirectObject):
            if (one.idnum, one.generation) in seen:
                continue
            seen.add((one.idnum, one.generation))
            one = one.get_object()
        if isinstance(one, DictionaryObject):
            yield one
            waiting += [value for value in one.values() if value is not one]
        elif isinstance(one, ArrayObject):
            waiting += list(one)


def _assert_colours(root: DictionaryObject, objects: list[DictionaryObject]) -> None:
    (intent,) = (one.get_object() for one in root["/OutputIntents"])  # 6.2.3
    assert intent["/S"] == "/GTS_PDFA1"
    profile = intent["/DestOutputProfile"].get_data()
    assert profile[36:40] == b"acsp"  # ISO 15076-1, 7.2.9
    assert profile[16:20] == b"RGB "
    for one in objects:
        assert "/DeviceCMYK" not in str(one.get("/ColorSpace"))  # 6.2.4.3: only with a CMYK output intent
        assert not one.get("/Interpolate")  # 6.2.8
        if one.get("/S") == "/Transparency" and "/CS" in one:  # 6.2.10
            assert "/DeviceCMYK" not in str(one["/CS"])
        assert one.get("/BM", "/Normal") in ("/Normal", "/Compatible")


def _assert_fonts(objects: list[DictionaryObject]) -> None:
    fonts = [one for one in objects if one.get("/Type") == "/Font"]
    assert fonts
    for font in fonts:
        if font["/Subtype"] == "/Type0":
            assert "/ToUnicode" in font  # 6.2.11.7
        elif font["/Subtype"] != "/Type3":
            described = font["/FontDescriptor"]
            assert {"/FontFile", "/FontFile2", "/FontFile3"} & set(described), font["/BaseFont"]  # 6.2.11.4


def _assert_nothing_runs(root: DictionaryObject, objects: list[DictionaryObject]) -> None:
    assert not {"/OpenAction", "/AA"} & set(root)  # 6.5.2
    assert "/JavaScript" not in root.get("/Names", {})
    for one in objects:
        assert "/JS" not in one
        assert one.get("/S") not in ("/JavaScript", "/Launch", "/URI", "/SubmitForm", "/ImportData", "/GoToR")
        assert one.get("/Subtype") not in ("/Sound", "/Movie", "/Screen", "/3D", "/RichMedia")  # 6.3.1


def _assert_tagged(reader: pypdf.PdfReader, root: DictionaryObject, objects: list[DictionaryObject]) -> None:
    assert root["/MarkInfo"]["/Marked"]  # 6.7.2
    assert root["/StructTreeRoot"]["/K"]
    assert root["/Lang"].startswith("en")  # 6.7.4
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]  # ISO 14289-1, 7.1
    assert reader.metadata is not None
    assert reader.metadata.title
    kinds = [one["/S"] for one in objects if one.get("/Type") == "/StructElem" or ("/S" in one and "/P" in one)]
    assert "/H1" in kinds
    for one in objects:
        if one.get("/S") == "/Figure":
            assert one.get("/Alt"), "a figure without words for it"  # ISO 14289-1, 7.3
