"""3MF: the build is put together as 3MF Core 1.4.0 says, and a package that is up to something is not opened."""

from __future__ import annotations

import io
import struct
import time
import warnings
import zipfile
from pathlib import Path

import numpy as np
import pytest

from lint.load import LoadLimits, read
from lint.terms import BadInput, Part
from tests.samples import FACES, MESH, POINTS, model_xml, threemf, volume

MODEL = f'<resources><object id="1">{MESH}</object></resources><build><item objectid="1"/></build>'


def part_of(folder: Path, data: bytes, limits: LoadLimits | None = None) -> Part:
    (folder / "a.3mf").write_bytes(data)
    return read(folder / "a.3mf", limits=limits) if limits else read(folder / "a.3mf")


def built(folder: Path, body: str, attributes: str = "") -> Part:
    return part_of(folder, threemf(model_xml(body, attributes=attributes)))


def test_components_moves_mirrors_units_and_words(tmp_path: Path) -> None:
    part = part_of(tmp_path, threemf(extra={"Metadata/thumbnail.png": b"png", "3D/Textures/face.jpg": b"jpg"}))
    second = np.add(POINTS * [-1, 1, 1], [-5, 0, 0])
    assert np.allclose(part.vertices, np.add(np.vstack((POINTS, second)), [100, 0, 0]) * 10)
    assert part.faces.tolist() == [*FACES.tolist(), *(FACES[:, ::-1] + 4).tolist()]
    assert volume(part.vertices, part.faces) == pytest.approx(2 * 1000 * 1000)
    assert (part.units, part.units_from) == ("cm", "the file")
    assert part.source.objects == ("pair", "tetra")
    assert ("3MF metadata Title", "Heron") in part.source.texts
    assert ("3MF metadata Designer", "the mask maker") in part.source.texts
    assert part.source.attachments == ("Metadata/thumbnail.png", "3D/Textures/face.jpg")


UNITS = {"micron": 0.001, "millimeter": 1, "centimeter": 10, "inch": 25.4, "foot": 304.8, "meter": 1000, "": 1}


@pytest.mark.parametrize(("unit", "mm"), UNITS.items())
def test_units(tmp_path: Path, unit: str, mm: float) -> None:
    part = built(tmp_path, MODEL, f'unit="{unit}"' if unit else "")
    assert part.vertices.max() == pytest.approx(30 * mm)


def test_only_what_is_in_the_build_and_of_type_model_is_read(tmp_path: Path) -> None:
    kinds = ("model", "support", "solidsupport", "surface", "other", "model")
    objects = "".join(f'<object id="{k}" type="{kind}">{MESH}</object>' for k, kind in enumerate(kinds, 1))
    items = "".join(f'<item objectid="{k}"/>' for k in range(1, 6))
    assert len(built(tmp_path, f"<resources>{objects}</resources><build>{items}</build>").faces) == 4


def test_a_chain_of_doubled_components_is_shown_whole(tmp_path: Path) -> None:
    chain = "".join(
        f'<object id="{k}"><components><component objectid="{k - 1}"/>'
        f'<component objectid="{k - 1}" transform="1 0 0 0 1 0 0 0 1 {3**k} 0 0"/></components></object>'
        for k in range(2, 9)
    )
    part = built(tmp_path, f'<resources><object id="1">{MESH}</object>{chain}</resources><build><item objectid="8"/></build>')
    assert len(part.faces) == 4 * 2**7
    assert volume(part.vertices, part.faces) == pytest.approx(1000 * 2**7)


def test_a_bomb_of_components_is_counted_and_not_built(tmp_path: Path) -> None:
    ten = ["".join([f'<component objectid="{k - 1}"/>'] * 10) for k in range(80)]
    chain = "".join(f'<object id="{k}"><components>{ten[k]}</components></object>' for k in range(2, 80))
    began = time.perf_counter()
    with pytest.raises(BadInput, match="faces"):
        built(tmp_path, f'<resources><object id="1">{MESH}</object>{chain}</resources><build><item objectid="79"/></build>')
    hollow = "<mesh><vertices/><triangles/></mesh>"
    with pytest.raises(BadInput, match="copies"):
        built(tmp_path, f'<resources><object id="1">{hollow}</object>{chain}</resources><build><item objectid="79"/></build>')
    assert time.perf_counter() - began < 5


def test_production_paths_lead_to_other_models_of_the_package(tmp_path: Path) -> None:
    production = 'xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06" requiredextensions="p" unit="millimeter"'
    root = model_xml(
        '<resources><object id="9"><components><component objectid="1" p:path="/3D/Objects/one.model" '
        'transform="1 0 0 0 1 0 0 0 1 0 0 7"/></components></object></resources><build><item objectid="9"/></build>',
        attributes=production,
    )  # fmt: skip
    one = model_xml(f'<resources><object id="1">{MESH}</object></resources><build/>', attributes='unit="millimeter"')
    part = part_of(tmp_path, threemf(root, {"3D/Objects/one.model": one}))
    assert np.allclose(part.vertices, np.add(POINTS, [0, 0, 7]))
    with pytest.raises(BadInput, match="lacks"):
        part_of(tmp_path, threemf(root))
    with pytest.raises(BadInput, match="one unit"):
        part_of(tmp_path, threemf(root, {"3D/Objects/one.model": one.replace(b"millimeter", b"inch")}))


@pytest.mark.parametrize(
    ("model", "words"),
    [
        (model_xml(MODEL, before='<!DOCTYPE model [<!ENTITY a "b">]>'), "document type"),
        (model_xml(MODEL, before='<!DOCTYPE model SYSTEM "file:///etc/passwd">'), "document type"),
        (model_xml(MODEL.replace("<build>", "&a;<build>")), "XML is broken"),
        (model_xml(MODEL, attributes='unit="furlong"'), "furlong"),
        (model_xml(MODEL, attributes='xmlns:b="http://example.org/lattice" requiredextensions="b"'), "lattice"),
        (model_xml(MODEL.replace("</triangles>", "</triangles><beamlattice/>")), "beamlattice"),
        (model_xml(MODEL)[:-30], "XML is broken"),
        (model_xml(MODEL).replace(b"<vertex x", b"<vertex \xff x", 1), "XML is broken"),
        (model_xml(MODEL.replace('x="10.0"', 'x="ten"', 1)), "ten"),
        (model_xml(MODEL.replace('x="10.0"', 'x="1 0"', 1)), "not a number"),
        (model_xml(MODEL.replace('x="10.0" y', 'y="1" z', 1)), "XML is broken|belong here"),
        (model_xml(MODEL.replace('x="10.0" ', "", 1)), "belong here"),
        (model_xml(MODEL.replace('v1="0"', 'v1="0.5"', 1)), "whole number"),
        (model_xml(MODEL.replace('objectid="1"', 'objectid="2"')), "is not there"),
        (model_xml(MODEL.replace("<item ", '<item transform="1 0 0 0 1 0 0 0 1 0 0" ')), "twelve numbers"),
        (model_xml(MODEL.replace('id="1"', 'id="one"', 1)), "whole number"),
        (model_xml(MODEL.replace("<resources>", f'<resources><object id="1">{MESH}</object>')), "twice"),
        (model_xml(MODEL.replace('<object id="1"', '<object id="1" type="ghost"')), "ghost"),
        (model_xml(MODEL.replace(MESH, '<components><component objectid="1"/></components>')), "itself"),
        (model_xml("<a>" * 500 + "</a>" * 500), "deep"),
        (b"<html/>", "3MF model"),
        (b"", "XML is broken"),
    ],
)
def test_models_that_are_refused(tmp_path: Path, model: bytes, words: str) -> None:
    with pytest.raises(BadInput, match=words) as caught:
        part_of(tmp_path, threemf(model))
    assert "3dmodel.model" in str(caught.value) or "object" in str(caught.value) or "unit" in str(caught.value)


@pytest.mark.parametrize("name", ["../a.txt", "/etc/passwd", "a/../../b", "C:/a", "a\\b"])
def test_names_that_lead_outside_are_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(BadInput, match="leads outside"):
        part_of(tmp_path, threemf(extra={name: b"x"}))


def test_a_name_twice_is_refused(tmp_path: Path) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        data = threemf(extra={"3D/3DMODEL.model": model_xml(MODEL)})
    with pytest.raises(BadInput, match="twice"):
        part_of(tmp_path, data)


def test_a_bomb_is_refused_by_its_claim_and_by_what_comes_out(tmp_path: Path) -> None:
    bomb = threemf(model_xml(MODEL + " " * (40 << 20)))
    began = time.perf_counter()
    with pytest.raises(BadInput, match="unpack to"):
        part_of(tmp_path, bomb)
    assert time.perf_counter() - began < 1
    with pytest.raises(BadInput, match="unpack"):
        part_of(tmp_path, threemf(model_xml(MODEL + " " * (1 << 20))), LoadLimits(max_unpacked=1 << 20))
    lying = bytearray(bomb)  # the directory claims a small size for what is large
    at = lying.rindex(b"3D/3dmodel.model") - 46
    lying[at + 24 : at + 28] = struct.pack("<I", 1000)
    with pytest.raises(BadInput):
        part_of(tmp_path, bytes(lying))


def test_too_many_files_and_a_password_and_other_packing_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="files"):
        part_of(tmp_path, threemf(extra={f"m/{k}": b"" for k in range(50)}), LoadLimits(max_entries=20))
    locked = bytearray(threemf())
    locked[locked.rindex(b"3D/3dmodel.model") - 46 + 8] |= 1
    with pytest.raises(BadInput, match="password"):
        part_of(tmp_path, bytes(locked))
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(threemf())) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_LZMA) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name))
    with pytest.raises(BadInput, match="packed in a way"):
        part_of(tmp_path, packed.getvalue())


def test_packages_without_a_start(tmp_path: Path) -> None:
    with pytest.raises(BadInput, match="lacks"):
        part_of(tmp_path, threemf(target="/3D/other.model"))
    external = threemf(target='/3D/3dmodel.model" TargetMode="External')
    with pytest.raises(BadInput, match="outside the package"):
        part_of(tmp_path, external)
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as package:
        package.writestr("readme.txt", "x")
    with pytest.raises(BadInput, match="lacks"):
        part_of(tmp_path, packed.getvalue())


def test_damaged_packing_is_told(tmp_path: Path) -> None:
    data = bytearray(threemf())
    at = data.index(b"3D/3dmodel.model") + 60
    data[at] ^= 0xFF
    with pytest.raises(BadInput, match=r"damaged|broken"):
        part_of(tmp_path, bytes(data))
