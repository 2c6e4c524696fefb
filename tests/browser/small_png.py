"""Makes a screenshot small: at most 256 colours, written as a palette PNG. Enough for flat pages of text and lines."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

SIGNATURE = b"\x89PNG\r\n\x1a\n"
Bytes = NDArray[np.uint8]


def shrink(path: Path) -> int:
    """Rewrites an 8-bit RGB or RGBA picture in place; returns its size in bytes."""
    pixels = read_rgb(path.read_bytes())
    palette, index = to_palette(pixels)
    path.write_bytes(write_palette(palette, index))
    return path.stat().st_size


def chunks(data: bytes) -> dict[bytes, bytes]:
    found: dict[bytes, bytes] = {}
    at = len(SIGNATURE)
    while at < len(data):
        (length,) = struct.unpack(">I", data[at : at + 4])
        kind = data[at + 4 : at + 8]
        found[kind] = found.get(kind, b"") + data[at + 8 : at + 8 + length]
        at += length + 12
    return found


def read_rgb(data: bytes) -> Bytes:
    parts = chunks(data)
    width, height, depth, colour, _, _, interlace = struct.unpack(">IIBBBBB", parts[b"IHDR"])
    if depth != 8 or colour not in (2, 6) or interlace:
        raise ValueError("Only plain 8-bit RGB and RGBA pictures are read.")
    step = 3 if colour == 2 else 4
    lines = np.frombuffer(zlib.decompress(parts[b"IDAT"]), dtype=np.uint8).reshape(height, 1 + width * step)
    above = np.zeros(width * step, dtype=np.uint8)
    rows = np.empty((height, width * step), dtype=np.uint8)
    for number, line in enumerate(lines):
        above = unfilter(int(line[0]), line[1:], above, step)
        rows[number] = above
    return rows.reshape(height, width, step)[:, :, :3]


def unfilter(kind: int, line: Bytes, above: Bytes, step: int) -> Bytes:
    """PNG 1.2, section 6: each byte is told as a difference to its neighbours."""
    if kind == 0:
        return line.copy()
    if kind == 2:
        return line + above
    if kind == 1:
        return np.cumsum(line.reshape(-1, step), axis=0, dtype=np.uint8).reshape(-1)
    out = line.tolist()
    up = above.tolist()
    for at in range(len(out)):
        left = out[at - step] if at >= step else 0
        if kind == 3:
            guess = (left + up[at]) // 2
        else:
            corner = up[at - step] if at >= step else 0
            guess = paeth(left, up[at], corner)
        out[at] = (out[at] + guess) & 0xFF
    return np.array(out, dtype=np.uint8)


def paeth(left: int, up: int, corner: int) -> int:
    estimate = left + up - corner
    by = (abs(estimate - left), abs(estimate - up), abs(estimate - corner))
    return (left, up, corner)[by.index(min(by))]


def to_palette(pixels: Bytes) -> tuple[Bytes, Bytes]:
    """The 256 most frequent colours, and for each pixel the nearest of them."""
    colours, where, count = np.unique(pixels.reshape(-1, 3), axis=0, return_inverse=True, return_counts=True)
    kept = colours[np.argsort(-count)[:256]].astype(np.int32)
    nearest = np.empty(len(colours), dtype=np.uint8)
    for start in range(0, len(colours), 2000):
        part = colours[start : start + 2000].astype(np.int32)
        apart = ((part[:, None, :] - kept[None, :, :]) ** 2).sum(axis=2)
        nearest[start : start + 2000] = apart.argmin(axis=1)
    return kept.astype(np.uint8), nearest[where.reshape(-1)].reshape(pixels.shape[:2])


def write_palette(palette: Bytes, index: Bytes) -> bytes:
    height, width = index.shape
    header = struct.pack(">IIBBBBB", width, height, 8, 3, 0, 0, 0)
    lines = np.concatenate([np.zeros((height, 1), dtype=np.uint8), index], axis=1)
    body = zlib.compress(lines.tobytes(), 9)
    parts = ((b"IHDR", header), (b"PLTE", palette.tobytes()), (b"IDAT", body), (b"IEND", b""))
    return SIGNATURE + b"".join(chunk(kind, data) for kind, data in parts)


def chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
