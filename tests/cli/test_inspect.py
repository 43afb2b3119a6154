"""What an inspector found stands beside the record, holds, and shows when it was tampered with.

Closed lists and a second, blind look are common practice of failure inspection; that a photo loses its place but not a
byte of its picture is checked with Pillow, a reader that is not ours.
"""

import io
import json
import shutil
from pathlib import Path

import pytest
from PIL import Image

from rigd.model import errors
from rigd.store import inspection
from rigd.store.photo import clean_photo

WHO = ("--operator", "A. Novak")


def picture(kind: str, *, gps: bool = True) -> bytes:
    """A small picture with a place, an author and a comment in it."""
    image, out = Image.new("RGB", (48, 32), (30, 90, 160)), io.BytesIO()
    for x in range(48):
        image.putpixel((x, x % 32), (250, 10, 10))
    exif = Image.Exif()
    exif[0x013B] = "someone"
    if gps:
        exif.get_ifd(0x8825)[1] = "N"
        exif.get_ifd(0x8825)[2] = (50.0, 5.0, 0.0)
    image.save(out, kind, exif=exif)
    return out.getvalue()


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_a_photo_loses_its_place_and_keeps_every_pixel(kind):
    before = picture(kind)
    assert Image.open(io.BytesIO(before)).getexif().get_ifd(0x8825)
    after, suffix = clean_photo(before, "x")
    cleaned = Image.open(io.BytesIO(after))
    assert not cleaned.getexif() and suffix == {"JPEG": ".jpg", "PNG": ".png"}[kind]
    assert cleaned.tobytes() == Image.open(io.BytesIO(before)).tobytes()


@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_what_is_no_whole_photo_is_refused_in_words_wherever_it_breaks_off(kind):
    whole = picture(kind)
    for end in range(0, len(whole) - (2 if kind == "JPEG" else 12), 7):
        with pytest.raises(errors.UsageRefused, match="allowed"):
            clean_photo(whole[:end], "x")
    with pytest.raises(errors.UsageRefused, match="neither JPEG nor PNG"):
        clean_photo(b"GIF89a" + b"\0" * 100, "x")


def test_a_finding_is_written_shown_and_verified(rigd, records, tmp_path):
    photo = tmp_path / "crack.jpg"
    photo.write_bytes(picture("JPEG"))
    at = ("--records", records)
    first = rigd(
        "runs", "inspect", "2", "--mode", "crack", "--length", "12 mm", "--location", "thread root", "--photo", photo,
        *WHO, *at,
    )  # fmt: skip
    assert first.code == 0 and "crack 12 mm, thread root by A. Novak" in first.out
    second = rigd(
        "runs", "inspect", "2", "--mode", "seal_cut", "--second", "--blind", "yes", "--operator", "B. Kim", *at
    )
    assert second.code == 0
    shown = rigd("runs", "show", "2", *at)
    assert "crack 12 mm" in shown.out and "second inspector B. Kim" in shown.out and "blind, " not in shown.out
    told = json.loads(rigd("runs", "verify", "2", "--json", *at).out)
    assert [one["mode"] for one in told["runs"][0]["inspections"]] == ["crack", "seal_cut"]
    assert told["runs"][0]["inspections"][0]["length_m"] == 0.012
    assert rigd("runs", "verify", *at).code == 0
    kept = next((records / "inspections" / "photos").iterdir())
    assert kept.name == "I0001_1.jpg"
    with Image.open(kept) as cleaned:
        assert not cleaned.getexif()


REFUSED = {
    "another mode": (("--mode", "exploded"), "allowed: rupture"),
    "a crack without its length": (("--mode", "crack"), "--length '12 mm'"),
    "a length without a unit": (("--mode", "crack", "--length", "12"), "--length '12'"),
    "a second look that is not said to be blind or not": (("--mode", "split", "--second"), "--blind"),
    "a reason of one's own": (("--mode", "rupture", "--invalid", "why not", "--number-seen", "no"), "rig_fault"),
    "invalid, but was the number seen": (("--mode", "rupture", "--invalid", "rig_fault"), "--number-seen"),
    "no photo": (("--mode", "rupture", "--photo", "nothing.jpg"), "No such file"),
}  # fmt: skip


@pytest.mark.parametrize(("options", "words"), REFUSED.values(), ids=REFUSED)
def test_what_no_inspection_may_say_is_refused_and_nothing_is_written(rigd, records, options, words):
    if options[:2] == ("--mode", "split"):
        options = (*options, "--length", "3 mm")
    told = rigd("runs", "inspect", "2", *options, *WHO, "--records", records)
    assert told.code == errors.USAGE and words in told.err, told.err
    assert not (records / "inspections").exists()


def test_an_inspection_needs_a_name(rigd, records):
    told = rigd("runs", "inspect", "2", "--mode", "rupture", "--records", records)
    assert told.code == errors.USAGE and "--operator" in told.err


def inspect_two(rigd, records, tmp_path):
    photo = tmp_path / "a.png"
    photo.write_bytes(picture("PNG"))
    for run, extra in (("2", ("--photo", photo)), ("1", ())):
        assert rigd("runs", "inspect", run, "--mode", "rupture", *extra, *WHO, "--records", records).code == 0
    return records / inspection.FOLDER


def altered(path: Path, old: bytes, new: bytes) -> None:
    data = path.read_bytes()
    assert old in data
    path.chmod(0o640)
    path.write_bytes(data.replace(old, new))


TAMPERING = {
    "mode edited": (lambda f: altered(next(f.glob("I0001*")), b"rupture", b"weep"), "written after"),
    "first removed": (lambda f: next(f.glob("I0001*")).unlink(), "I0001 is missing"),
    "last removed": (lambda f: next(f.glob("I0002*")).unlink(), "I0002 is missing"),
    "swapped to another run": (lambda f: altered(next(f.glob("I0002*")), b'"run": 1', b'"run": 3'), "another"),
    "photo altered": (lambda f: altered(f / "photos" / "I0001_1.png", b"IDAT", b"IDAX"), "I0001_1.png was altered"),
    "photo removed": (lambda f: (f / "photos" / "I0001_1.png").unlink(), "photo I0001_1.png cannot be read"),
    "photo added": (lambda f: (f / "photos" / "I0009_1.png").write_bytes(b"x"), "belongs to no inspection"),
    "folder replaced by a link": (
        lambda f: (shutil.move(f, f.with_name("elsewhere")), f.symlink_to(f.with_name("elsewhere"))), "is a link"
    ),
}  # fmt: skip


@pytest.mark.parametrize(("tamper", "words"), TAMPERING.values(), ids=TAMPERING)
def test_tampering_with_inspections_shows(rigd, records, tmp_path, tamper, words):
    folder = inspect_two(rigd, records, tmp_path)
    assert rigd("runs", "verify", records).code == 0
    tamper(folder)
    told = rigd("runs", "verify", records)
    assert told.code == errors.BAD_DATA and words in told.out, told.out
