"""A photo as evidence: checked to be one, and rid of where and with what it was taken.

Only whole segments are left out; the picture's own bytes stay as the camera wrote them, for an inspector must be able
to say that nothing in the picture was touched. JPEG (ISO/IEC 10918-1 annex B: segments of marker and length) loses
APP1 (Exif and XMP, where a place stands) and APP13; PNG (ISO/IEC 15948: chunks) loses eXIf, text and time chunks.
Anything else is refused.
"""

import struct
from pathlib import Path

from rigd.model.errors import UsageRefused

MAX_PHOTO_BYTES = 40_000_000  # a large camera file is a third of this
JPEG, PNG = b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n"
LEFT_OUT_JPEG = (0xE1, 0xED)  # Exif and XMP; captions
LEFT_OUT_PNG = (b"eXIf", b"tEXt", b"iTXt", b"zTXt", b"tIME")
STANDALONE = (0x01, *range(0xD0, 0xD8))  # markers without a length
START_OF_SCAN, END_OF_IMAGE = 0xDA, 0xD9


def clean_photo(data: bytes, name: str) -> tuple[bytes, str]:
    """The photo without what tells its place, and its suffix. Raises UsageRefused for what is no JPEG or PNG."""
    if len(data) > MAX_PHOTO_BYTES:
        raise UsageRefused(f"--photo {name}: found {len(data)} bytes; allowed: {MAX_PHOTO_BYTES}")
    try:
        if data.startswith(JPEG):
            return _clean_jpeg(data), ".jpg"
        if data.startswith(PNG):
            return _clean_png(data), ".png"
    except (struct.error, IndexError, ValueError):
        raise UsageRefused(f"--photo {name}: found a picture that breaks off; allowed: a whole JPEG or PNG") from None
    raise UsageRefused(f"--photo {name}: found neither JPEG nor PNG; allowed: a photo in one of the two")


def read_photo(path: Path) -> bytes:
    """The bytes of a photo. Raises UsageRefused."""
    try:
        with path.open("rb") as file:
            return file.read(MAX_PHOTO_BYTES + 1)
    except OSError as error:
        raise UsageRefused(f"--photo {path}: {error.strerror}; allowed: a file that can be read") from None


def _clean_jpeg(data: bytes) -> bytes:
    kept, at = [data[:2]], 2
    while True:
        if data[at] != 0xFF:
            raise ValueError("no marker")
        marker = data[at + 1]
        if marker == 0xFF:  # fill byte
            at += 1
            continue
        if marker in STANDALONE:
            kept.append(data[at : at + 2])
            at += 2
            continue
        if marker in (START_OF_SCAN, END_OF_IMAGE):
            end = data.rfind(b"\xff\xd9") + 2  # what stands behind the picture is not of the picture
            if end < at + 2:
                raise ValueError("no end")
            return b"".join([*kept, data[at:end]])
        (length,) = struct.unpack_from(">H", data, at + 2)
        if length < 2 or at + 2 + length > len(data):
            raise ValueError("segment beyond the end")
        if marker not in LEFT_OUT_JPEG:
            kept.append(data[at : at + 2 + length])
        at += 2 + length


def _clean_png(data: bytes) -> bytes:
    kept, at = [PNG], len(PNG)
    while True:
        length, kind = struct.unpack_from(">I4s", data, at)
        end = at + 12 + length
        if end > len(data):
            raise ValueError("chunk beyond the end")
        if kind not in LEFT_OUT_PNG:
            kept.append(data[at:end])
        at = end
        if kind == b"IEND":
            return b"".join(kept)
