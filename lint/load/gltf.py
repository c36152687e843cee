"""glTF 2.0, as one file (GLB) or as JSON with buffers beside it. Metres, +Y up; the scene's moves are applied.

A reader of our own: trimesh 5.2 leaves skins out (a rigged hand is then where its bones are not), and opens whatever
file a buffer names. Here a buffer comes from the file itself, from a data: address, or from the part's own folder, and from
nowhere else. What the format may also hold and we do not read (sparse accessors, packed meshes) is refused, not skipped.
"""

from __future__ import annotations

import base64
import binascii
import json
import re
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lint.load.doors import beside, fetch
from lint.load.raw import Context, Fault, Raw, Texts, decoded, shown

_MAGIC = b"glTF"
_JSON, _BIN = 0x4E4F534A, 0x004E4942
_COMPONENTS = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}
# Extensions that change how a part looks or are handled here, never where its skin is.
_HARMLESS = re.compile(
    r"KHR_(materials_\w+|texture_\w+|lights_punctual|mesh_quantization|xmp_json_ld|animation_pointer)|EXT_texture_\w+|MSFT_texture_dds"
)
_PACKED = ("KHR_draco_mesh_compression", "EXT_meshopt_compression", "KHR_meshopt_compression", "EXT_mesh_gpu_instancing")


def parse(data: bytes, context: Context) -> Raw:
    """Read a GLB or glTF file. Raises Fault for what is broken, packed, sparse or outside the part's folder."""
    from lint.load import gltf_scene

    text, binary = _chunks(data) if data[:4] == _MAGIC else (data, None)
    document = Document(_json(text), binary, context)
    version = str(document.root.get("asset", {}).get("version", "")) if isinstance(document.root.get("asset"), dict) else ""
    if not version.startswith("2."):
        raise Fault(f"it is glTF of version {shown(version)}; version 2 is read: export it again as glTF 2")
    for name in document.strings("extensionsRequired"):
        if name in _PACKED or not _HARMLESS.fullmatch(name):
            raise Fault(f"it needs the extension {shown(name)}, which is not read; export it without (plain, not compressed)")
    vertices, faces, objects = gltf_scene.build(document)
    texts = Texts()
    _collect_texts(document.root, texts)
    return Raw(
        "GLB" if data[:4] == _MAGIC else "glTF", vertices, faces, units="m", units_from="the file (glTF is in metres)", y_up=True,
        texts=tuple(texts.found), attachments=_attachments(document), objects=tuple(dict.fromkeys(objects)),
    )  # fmt: skip


def _chunks(data: bytes) -> tuple[bytes, bytes | None]:
    if len(data) < 20:
        raise Fault("it is too short for a GLB file; export it again")
    version, length = (int.from_bytes(data[k : k + 4], "little") for k in (4, 8))
    if version != 2:
        raise Fault(f"byte 4: it is GLB of version {version}; version 2 is read: export it again as glTF 2")
    if length != len(data):
        raise Fault(f"byte 8: it says it is {length:,} bytes long and is {len(data):,}: it is cut off or damaged")
    position, found = 12, []
    while position < length:
        if position + 8 > length:
            raise Fault(f"byte {position}: a piece of the file is cut off")
        size, kind = (int.from_bytes(data[k : k + 4], "little") for k in (position, position + 4))
        if position + 8 + size > length:
            raise Fault(f"byte {position}: a piece says it is {size:,} bytes long, past the end of the file: it is damaged")
        found.append((kind, position + 8, size))
        position += 8 + size
    if found[0][0] != _JSON:
        raise Fault("byte 16: its first piece is not JSON; it is damaged")
    pieces = [data[start : start + size] for _, start, size in found[:2]]
    return pieces[0], pieces[1] if len(found) > 1 and found[1][0] == _BIN else None


def _json(text: bytes) -> dict[str, Any]:
    def refuse(word: str) -> None:
        raise Fault(f"its JSON holds {word}, which is no number of JSON; export it again")

    try:
        root = json.loads(text.decode("utf-8-sig"), parse_constant=refuse)
    except UnicodeDecodeError as error:
        raise Fault(f"byte {error.start}: its JSON is not UTF-8; it is damaged or another kind of file") from None
    except json.JSONDecodeError as error:
        raise Fault(f"line {error.lineno}: its JSON is broken ({error.msg.lower()}); it is damaged or another kind of file") from None
    except (RecursionError, ValueError):
        raise Fault("its JSON is nested too deep or holds a number too long; it is damaged") from None
    if not isinstance(root, dict):
        raise Fault("its JSON is not a glTF document; export it again")
    return root


class Document:
    """A glTF document asked carefully: every index, type and length is checked before it is used."""

    def __init__(self, root: dict[str, Any], binary: bytes | None, context: Context) -> None:
        self.root = root
        self.context = context
        self._binary = binary
        self._buffers: dict[int, bytes] = {}
        self._fetched = 0

    def strings(self, name: str) -> list[str]:
        """A list of strings at the root."""
        return [s for s in self.items(self.root, name, name) if isinstance(s, str)]

    def items(self, owner: dict[str, Any], name: str, where: str) -> list[Any]:
        """A list that may be absent."""
        value = owner.get(name, [])
        if not isinstance(value, list):
            raise Fault(f"{where}: a list belongs here; it is damaged")
        return value

    def one(self, kind: str, index: object) -> dict[str, Any]:
        """One object of a list at the root, such as accessor 3."""
        found = self.items(self.root, kind, kind)
        if isinstance(index, bool) or not isinstance(index, int) or not 0 <= index < len(found) or not isinstance(found[index], dict):
            raise Fault(f"it refers to {kind}[{decoded(str(index), 20)}], which is not there; it is damaged")
        entry: dict[str, Any] = found[index]
        return entry

    def whole(self, owner: dict[str, Any], name: str, where: str, default: int | None = None) -> int:
        """A whole number, zero or more."""
        value = owner.get(name, default)
        if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 1 << 53:
            raise Fault(f"{where}.{name}: a whole number belongs here; it is damaged")
        return value

    def numbers(self, owner: dict[str, Any], name: str, where: str, length: int | None) -> NDArray[np.float64] | None:
        """A list of so many finite numbers, or None when it is absent."""
        if name not in owner:
            return None
        value = self.items(owner, name, f"{where}.{name}")
        right = (length is None or len(value) == length) and all(isinstance(v, int | float) and not isinstance(v, bool) for v in value)
        try:
            found = np.array(value, dtype=np.float64) if right else np.array([np.nan])
        except OverflowError:
            found = np.array([np.nan])
        if not np.isfinite(found).all():
            raise Fault(f"{where}.{name}: {'a list of' if length is None else length} finite numbers belong here; it is damaged")
        return found

    def accessor(self, index: object, shape: str, where: str) -> NDArray[Any]:
        """The numbers of an accessor, (count, width), whole numbers scaled when the file says they are normalised."""
        entry = self.one("accessors", index)
        name = f"accessors[{index}]"
        if "sparse" in entry:
            raise Fault(f"{name} ({where}) is sparse, which is not read; export it without sparse accessors")
        kind = entry.get("componentType")
        if not isinstance(kind, int) or kind not in _COMPONENTS or entry.get("type") != shape:
            raise Fault(f"{name} ({where}): numbers of shape {shape} belong here; it is damaged")
        if "bufferView" not in entry:
            raise Fault(f"{name} ({where}) has no data; export it again, not compressed")
        component = np.dtype(_COMPONENTS[kind])
        count, width = self.whole(entry, "count", name), _WIDTHS[shape]
        view = self.one("bufferViews", entry["bufferView"])
        if any(extension in _PACKED for extension in view.get("extensions", {}) or ()):
            raise Fault(f"{name} ({where}) is compressed, which is not read; export it without compression")
        view_name = f"bufferViews[{entry['bufferView']}]"
        buffer = self._buffer(self.whole(view, "buffer", view_name))
        view_start, view_length = self.whole(view, "byteOffset", view_name, 0), self.whole(view, "byteLength", view_name)
        start = self.whole(entry, "byteOffset", name, 0)
        item = component.itemsize * width
        stride = self.whole(view, "byteStride", view_name, item)
        needed = start + (stride * (count - 1) + item if count else 0)
        if stride < item or view_start + view_length > len(buffer) or needed > view_length:
            raise Fault(f"{name} ({where}) reaches past the end of its data: it is cut off or damaged")
        if not count:
            return np.zeros((0, width), dtype=component)
        table = np.ndarray((count, width), component, buffer, view_start + start, (stride, component.itemsize))
        if entry.get("normalized") is True and component.kind in "iu":
            return np.maximum(table / float(np.iinfo(component).max), -1.0)
        return table

    def _buffer(self, index: int) -> bytes:
        if index not in self._buffers:
            entry = self.one("buffers", index)
            data = self._fetch(index, entry)
            length = self.whole(entry, "byteLength", f"buffers[{index}]")
            if len(data) < length:
                raise Fault(f"buffers[{index}] says it is {length:,} bytes long and is {len(data):,}: it is cut off or damaged")
            self._buffers[index] = data
        return self._buffers[index]

    def _fetch(self, index: int, entry: dict[str, Any]) -> bytes:
        address = entry.get("uri")
        if address is None:
            if index == 0 and self._binary is not None:
                return self._binary
            raise Fault(f"buffers[{index}] has no data; it is cut off or damaged")
        if not isinstance(address, str):
            raise Fault(f"buffers[{index}].uri: a text belongs here; it is damaged")
        if address.startswith("data:"):
            head, comma, body = address.partition(",")
            if not comma or not head.endswith(";base64"):
                raise Fault(f"buffers[{index}]: its data: address is not base64; export it again")
            try:
                return base64.b64decode(body, validate=True)
            except (binascii.Error, ValueError):
                raise Fault(f"buffers[{index}]: its data: address is broken; export it again") from None
        beside(self.context.path, address)
        try:
            data = fetch(self.context.path, address, self.context.limits.max_unpacked - self._fetched)
        except Fault as fault:
            raise Fault(f"its data file {shown(address)}: {fault}") from None
        self._fetched += len(data)
        return data


def _collect_texts(root: dict[str, Any], texts: Texts) -> None:
    """What people wrote: asset, names and extras. Numbers and the tables of indices are left out."""
    asset = root.get("asset")
    if isinstance(asset, dict):
        for name, value in asset.items():
            if name != "version":
                _say(f"asset.{decoded(name, 40)}", value, texts, 0)
    for kind, entries in root.items():
        if kind == "extras":
            _say("extras", entries, texts, 0)
        elif isinstance(entries, list):
            for k, entry in enumerate(entries):
                if isinstance(entry, dict):
                    for name in ("name", "extras"):
                        if name in entry:
                            _say(f"{decoded(kind, 40)}[{k}].{name}", entry[name], texts, 0)


def _say(where: str, value: object, texts: Texts, depth: int) -> None:
    if isinstance(value, str):
        texts.add(where, value)
    elif isinstance(value, dict) and depth < 16:
        for name, inner in value.items():
            _say(f"{where}.{decoded(str(name), 40)}", inner, texts, depth + 1)
    elif isinstance(value, list) and depth < 16:
        for k, inner in enumerate(value[:1000]):
            _say(f"{where}[{k}]", inner, texts, depth + 1)


def _attachments(document: Document) -> tuple[str, ...]:
    found = []
    for k, image in enumerate(document.items(document.root, "images", "images")):
        if isinstance(image, dict):
            address = image.get("uri")
            plain = isinstance(address, str) and not address.startswith("data:")
            name = address if plain else image.get("name") or f"picture {k + 1}"
            found.append(f"{decoded(str(name), 200)}{'' if plain else ' (inside the file)'}")
    return tuple(found[:1000])
