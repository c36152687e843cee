"""Plain values packed for the store, arrays among them, and strictly read again."""

from __future__ import annotations

import typing
from collections.abc import Mapping
from functools import cache
from typing import Any

import msgspec

_encoder = msgspec.msgpack.Encoder(enc_hook=lambda value: _plain(value))


def packed(value: Any) -> bytes:
    """A plain value, packed."""
    return _encoder.encode(value)


def _plain(value: Any) -> Any:
    import numpy as np

    if isinstance(value, np.ndarray) and value.dtype.kind in "fi":
        return (value.dtype.str, value.shape, np.ascontiguousarray(value).tobytes())
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, Mapping):
        return dict(value)
    raise NotImplementedError(f"{type(value).__name__} is not kept")


def _restored(kind: Any, value: Any) -> Any:
    import numpy as np

    if typing.get_origin(kind) is np.ndarray:
        dtype, shape, data = value
        if np.dtype(dtype).kind in "fi":
            return np.frombuffer(data, dtype=dtype).reshape(shape)
    raise NotImplementedError(f"{kind} is not kept")


@cache
def _decoder(kind: Any) -> msgspec.msgpack.Decoder[Any]:
    return msgspec.msgpack.Decoder(kind, dec_hook=_restored)


def unpacked(data: bytes, kind: Any) -> Any:
    """What `packed` packed, when it is of that kind; else None."""
    try:
        return _decoder(kind).decode(data)
    except (msgspec.MsgspecError, NotImplementedError, TypeError, ValueError):
        return None
