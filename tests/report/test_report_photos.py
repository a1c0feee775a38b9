"""Photos in a report: small, without the position, held to their files by hashes."""

from __future__ import annotations

import base64
import hashlib
import importlib.util
import io
import json
import random
import re
import shutil
import struct
import subprocess
import zlib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from busprobe.model.errors import InputError
from busprobe.report import pdf, photos
from busprobe.report.content import Report, report_json, report_schema
from busprobe.report.details import PhotoPart
from busprobe.report.photo_file import PhotoError, PhotoHead, read_head
from busprobe.report.render import HtmlRenderer
from tests.cli.test_commands import busprobe
from tests.report.test_report_html import parsed
from tests.report.test_report_pdf import needed, texts
from tests.report.visits import recording, report

# Exif 2.32: section 4.6.3 pointers, 4.6.4 Make and Orientation, 4.6.5 times, 4.6.6 position.
_EXIF, _GPS, _MAKE, _ORIENTATION = 0x8769, 0x8825, 0x010F, 0x0112
_WHERE = {1: "N", 2: (52.0, 31.0, 12.0), 3: "E", 4: (13.0, 24.0, 36.0)}
WHERE_TOLD = "52.52000° N, 13.41000° E"
COMMENT = b"comment-of-the-camera"


def png_chunk(kind: bytes, body: bytes) -> bytes:
    """W3C PNG, section 5.3: length, type, data, CRC of type and data."""
    return struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))


def plain_png(width: int = 6, height: int = 4, *, claimed: int | None = None) -> bytes:
    """A grey picture, written by hand; `claimed` is a width that its head alone names."""
    rows = b"".join(b"\0" + bytes(range(width)) for _ in range(height))
    head = struct.pack(">IIBBBBB", claimed or width, claimed or height, 8, 0, 0, 0, 0)
    parts = ((b"IHDR", head), (b"IDAT", zlib.compress(rows)), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(*part) for part in parts)


def png_without_picture() -> bytes:
    """Whole in its parts, but what should be a picture is none."""
    head = struct.pack(">IIBBBBB", 6, 4, 8, 0, 0, 0, 0)
    parts = ((b"IHDR", head), (b"IDAT", b"no picture"), (b"IEND", b""))
    return b"\x89PNG\r\n\x1a\n" + b"".join(png_chunk(*part) for part in parts)


def pillow() -> Any:
    needed(importlib.util.find_spec("PIL") is not None, "pillow")
    import PIL.Image

    return PIL.Image


def camera_jpeg(width: int = 2400, height: int = 1200, orientation: int = 1) -> bytes:
    """As a telephone makes it: left half red, right half blue, with all that it tells."""
    image = pillow()
    picture = image.new("RGB", (width, height), (200, 20, 20))
    picture.paste((20, 20, 200), (width // 2, 0, width, height))
    exif = image.Exif()
    exif[_MAKE] = "Trollfen Cameras"
    exif[_ORIENTATION] = orientation
    exif[_EXIF] = {0x9003: "2026:03:29 10:15:07", 0x9011: "+02:00"}
    exif[_GPS] = _WHERE
    out = io.BytesIO()
    picture.save(out, "JPEG", exif=exif, comment=COMMENT, quality=90)
    return out.getvalue()


def with_photos(folder: Path, *entries: str, **files: bytes) -> Report:
    for name, data in files.items():
        (folder / name.replace("_", ".")).write_bytes(data)
    details = folder / "details.yaml"
    lines = "".join(f"  - {entry}\n" for entry in entries)
    details.write_text(f"format: 1\nphotos:\n{lines}", encoding="utf-8")
    path = folder / "visit.busprobe"
    return report(path if path.exists() else recording(path), details=details)


def exif_of(data: bytes) -> Any:
    return pillow().open(io.BytesIO(data)).getexif()


def test_the_position_and_all_else_of_the_camera_is_gone(tmp_path: Path) -> None:
    source = camera_jpeg()
    assert dict(exif_of(source).get_ifd(_GPS))[1] == "N"
    assert COMMENT in source
    made = with_photos(tmp_path, "{file: board.jpg, caption: Meter 2}", board_jpg=source)
    (photo,) = made.photos
    assert dict(exif_of(photo.data)) == {}
    assert dict(exif_of(photo.data).get_ifd(_GPS)) == {}
    for told in (b"Exif", b"Trollfen", COMMENT):
        assert told not in photo.data
    assert photo.position == ""
    assert (photo.width, photo.height) == (1600, 800)
    assert pillow().open(io.BytesIO(photo.data)).size == (1600, 800)
    assert (photo.time, photo.time_from) == ("2026-03-29T10:15:07+02:00", "camera")
    assert photo.sha256 == hashlib.sha256(source).hexdigest()
    assert photo.shown_sha256 == hashlib.sha256(photo.data).hexdigest()
    assert photo.note == ""
    # The file itself stays as it was.
    assert (tmp_path / "board.jpg").read_bytes() == source


def test_the_position_stays_where_it_is_wanted_and_nothing_else(tmp_path: Path) -> None:
    made = with_photos(
        tmp_path, "{file: a.jpg, caption: Meter 2, position: true}", a_jpg=camera_jpeg()
    )
    (photo,) = made.photos
    assert photo.position == WHERE_TOLD
    assert dict(exif_of(photo.data).get_ifd(_GPS)) == _WHERE
    assert set(exif_of(photo.data)) == {_GPS}
    assert COMMENT not in photo.data
    assert WHERE_TOLD in parsed(HtmlRenderer().render(made)).text


def test_a_photo_is_turned_as_the_camera_was_held(tmp_path: Path) -> None:
    # Orientation 6: the first row of the file is the right side (Exif 2.32, section 4.6.4).
    made = with_photos(
        tmp_path, "{file: a.jpg, caption: Meter 2}", a_jpg=camera_jpeg(orientation=6)
    )
    (photo,) = made.photos
    assert (photo.width, photo.height) == (800, 1600)
    shown = pillow().open(io.BytesIO(photo.data)).convert("RGB")
    top, bottom = shown.getpixel((400, 100)), shown.getpixel((400, 1500))
    assert top[0] > 150 > top[2]
    assert bottom[2] > 150 > bottom[0]


@pytest.mark.parametrize(
    ("mode", "kept"), [("1", "1"), ("L", "L"), ("P", "RGB"), ("RGBA", "RGBA"), ("I;16", "L"),
                       ("LA", "RGBA")],
)  # fmt: skip
def test_every_kind_of_png_is_taken(mode: str, kept: str, tmp_path: Path) -> None:
    image = pillow()
    picture = image.new(mode, (1700, 20), 40_000 if mode == "I;16" else 1 if mode == "1" else None)
    out = io.BytesIO()
    picture.save(out, "PNG")
    (photo,) = with_photos(tmp_path, "{file: a.png, caption: x}", a_png=out.getvalue()).photos
    shown = image.open(io.BytesIO(photo.data))
    assert (shown.format, shown.mode, shown.size) == ("PNG", kept, (1600, 19))
    if mode == "I;16":
        # 40000 of 65535 is 156 of 255.
        assert shown.getpixel((800, 9)) == 156


def test_a_print_in_four_inks_becomes_a_picture_of_three_lights(tmp_path: Path) -> None:
    out = io.BytesIO()
    pillow().new("CMYK", (40, 30), (0, 255, 255, 0)).save(out, "JPEG")
    (photo,) = with_photos(tmp_path, "{file: a.jpg, caption: x}", a_jpg=out.getvalue()).photos
    shown = pillow().open(io.BytesIO(photo.data))
    assert shown.mode == "RGB"
    red, green, blue = shown.getpixel((20, 15))
    assert red > 200 > 60 > max(green, blue)


def test_what_the_technician_says_of_the_time_counts(tmp_path: Path) -> None:
    entries = (
        "{file: a.jpg, caption: one, time: 2026-03-30 08:00}",
        "{file: a.jpg, caption: two, time: 2026-03-30}",
        '{file: a.jpg, caption: three, time: "before noon"}',
    )
    made = with_photos(tmp_path, *entries, a_jpg=camera_jpeg(60, 40))
    assert {p.time_from for p in made.photos} == {"stated"}
    assert [p.time for p in made.photos][1:] == ["2026-03-30", "before noon"]
    assert made.photos[0].time.startswith("2026-03-30 08:00")
    assert "clock of the camera" not in parsed(HtmlRenderer().render(made)).text


# Without the extra -------------------------------------------------------------------------------


@pytest.fixture
def without_extra(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "_pillow", lambda: None)


@pytest.mark.usefixtures("without_extra")
def test_without_the_extra_it_goes_in_as_it_is_and_says_so(tmp_path: Path) -> None:
    source = plain_png()
    made = with_photos(tmp_path, "{file: a.png, caption: Meter 2}", a_png=source)
    (photo,) = made.photos
    assert photo.data == source
    assert photo.sha256 == photo.shown_sha256 == hashlib.sha256(source).hexdigest()
    assert (photo.kind, photo.width, photo.height) == ("png", 6, 4)
    assert (photo.time, photo.time_from, photo.position) == ("", "", "")
    assert "position data of the camera may be inside" in photo.note
    assert "0.0 MB" in photo.note
    text = parsed(HtmlRenderer().render(made)).text
    assert photo.note in text
    assert "Time not stated" in text


@pytest.mark.usefixtures("without_extra")
def test_the_command_warns_of_size_and_position(tmp_path: Path) -> None:
    with_photos(tmp_path, "{file: a.png, caption: x}", a_png=plain_png())
    ran = busprobe(
        "report", tmp_path / "visit.busprobe", "--details", tmp_path / "details.yaml", "--json"
    )
    assert "a.png" in ran.err
    assert "position data of the camera may be inside" in ran.err
    assert "busprobe[photos]" in ran.err
    assert json.loads(ran.out)["command"] == "report"


@pytest.mark.usefixtures("without_extra")
def test_the_sum_is_bounded(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photos, "LARGEST_SUM", 2 * len(plain_png()))
    entry = "{file: a.png, caption: x}"
    assert len(with_photos(tmp_path, entry, entry, a_png=plain_png()).photos) == 2
    with pytest.raises(InputError, match="together"):
        with_photos(tmp_path, entry, entry, entry)


# What is refused ---------------------------------------------------------------------------------


def refused(tmp_path: Path, data: bytes, why: str) -> None:
    (tmp_path / "a.jpg").write_bytes(data)
    with pytest.raises(InputError, match=why) as told:
        with_photos(tmp_path, "{file: a.jpg, caption: x}")
    assert str(tmp_path / "a.jpg") in str(told.value)


def test_a_missing_photo_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no-such\.jpg cannot be read: No such file"):
        with_photos(tmp_path, "{file: no-such.jpg, caption: x}")


def test_a_folder_is_no_photo(tmp_path: Path) -> None:
    (tmp_path / "a.jpg").mkdir()
    with pytest.raises(InputError, match="is no file"):
        with_photos(tmp_path, "{file: a.jpg, caption: x}")


@pytest.mark.parametrize(
    "data", [b"", b"GIF89a" + bytes(50), b"<svg xmlns='http://www.w3.org/2000/svg'/>", b"\xff\xd8"]
)
def test_only_jpeg_and_png_are_images(data: bytes, tmp_path: Path) -> None:
    refused(tmp_path, data, "neither a JPEG nor a PNG image")


def test_a_damaged_png_is_refused(tmp_path: Path) -> None:
    whole = plain_png()
    flipped = bytearray(whole)
    flipped[-20] ^= 1
    refused(tmp_path, bytes(flipped), "the check of one of its parts is wrong")
    refused(tmp_path, whole[:-13], "its end is missing")
    refused(tmp_path, whole[:8] + png_chunk(b"IEND", b""), "does not begin")


def test_a_damaged_jpeg_is_refused(tmp_path: Path) -> None:
    whole = camera_jpeg(60, 40)
    refused(tmp_path, whole[:-40], "damaged")
    refused(tmp_path, whole[:3] + bytes(60), "damaged")


def test_damage_that_only_the_decoder_sees_is_refused(tmp_path: Path) -> None:
    pillow()
    refused(tmp_path, png_without_picture(), "cannot be decoded")
    # A frame of three components of which none has a table (T.81, section B.2.4.1).
    whole = camera_jpeg(60, 40)
    table = whole.index(b"\xff\xdb")
    end = table + 2 + int.from_bytes(whole[table + 2 : table + 4], "big")
    damaged = whole.replace(whole[table:end], b"")
    refused(tmp_path, damaged.replace(b"\xff\xdb", b"\xff\xfe"), "cannot be decoded")


@pytest.mark.parametrize("extra", [True, False])
def test_a_bomb_is_refused_before_it_is_decoded(
    extra: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def decoded(*_: object) -> None:
        raise AssertionError("it was decoded")

    monkeypatch.setattr(photos, "_anew" if extra else "_as_is", decoded)
    monkeypatch.setattr(photos, "_pillow", lambda: object() if extra else None)
    refused(tmp_path, plain_png(claimed=60_000), "60000 x 60000 pixels")


def test_a_file_that_is_too_large_is_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(photos, "LARGEST_FILE", 100)
    refused(tmp_path, plain_png() + bytes(101), "are read")


def test_there_are_not_more_than_forty(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="photos"):
        with_photos(tmp_path, *["{file: a.png, caption: x}"] * 41, a_png=plain_png())


def test_the_size_is_what_another_reader_finds() -> None:
    for made in (camera_jpeg(123, 45), camera_jpeg(64, 200, 8), plain_png(31, 7)):
        opened = pillow().open(io.BytesIO(made))
        head = read_head(made)
        assert head == PhotoHead("png" if opened.format == "PNG" else "jpeg", *opened.size)


@pytest.mark.parametrize("length", range(len(plain_png())))
def test_no_beginning_of_a_photo_is_a_photo(length: int) -> None:
    with pytest.raises(PhotoError):
        read_head(plain_png()[:length])


# On the page -------------------------------------------------------------------------------------


@pytest.fixture
def album(tmp_path: Path) -> Report:
    names = ("one <b>", 'two "quoted"', "three", "four", "five")
    return with_photos(
        tmp_path, *(f"{{file: a.png, caption: '{name}'}}" for name in names), a_png=plain_png()
    )


def test_the_page_holds_the_pictures_themselves(album: Report) -> None:
    page = parsed(HtmlRenderer().render(album))
    images = [attributes for tag, attributes in page.elements if tag == "img"]
    assert [a["alt"] for a in images] == [f"Photo: {p.caption}" for p in album.photos]
    for image, photo in zip(images, album.photos, strict=True):
        kind, _, data = image["src"].partition(";base64,")
        assert kind == "data:image/png"
        assert hashlib.sha256(base64.b64decode(data)).hexdigest() == photo.shown_sha256
    assert "1. one <b>" in page.text
    assert album.photos[0].sha256 in re.sub(r"\s", "", page.text)
    (policy,) = [
        a["content"] for tag, a in page.elements if a.get("http-equiv") == "Content-Security-Policy"
    ]
    assert policy.startswith("default-src 'none'")
    assert policy.endswith("img-src data:")
    assert "b" not in {tag for tag, a in page.elements if a.get("alt") == "Photo: one <b>"}


def test_the_data_holds_hashes_and_captions_alone(album: Report) -> None:
    document = json.loads(report_json(album))
    jsonschema.validate(document, report_schema())
    assert [p["caption"] for p in document["photos"]] == [p.caption for p in album.photos]
    assert all("data" not in photo for photo in document["photos"])
    assert base64.b64encode(album.photos[0].data).decode()[:40] not in report_json(album)


def test_another_photo_makes_another_report(tmp_path: Path) -> None:
    entry = "{file: a.png, caption: x}"
    first = with_photos(tmp_path, entry, a_png=plain_png(5, 5))
    assert with_photos(tmp_path, entry).head.id == first.head.id
    assert with_photos(tmp_path, entry, a_png=plain_png(6, 5)).head.id != first.head.id


def pages_of(data: bytes, folder: Path) -> list[str]:
    text = texts(data, folder)
    needed(text is not None, "pdftotext")
    assert text is not None
    return text.split("\f")


def pictures_on(data: bytes, folder: Path) -> list[int]:
    """Pages of the pictures in a PDF, as an independent reader lists them."""
    path = folder / "pictures.pdf"
    path.write_bytes(data)
    listed = subprocess.run(
        ["pdfimages", "-list", str(path)], capture_output=True, check=True, timeout=60
    ).stdout.decode()
    rows = [line.split() for line in listed.splitlines()[2:]]
    return [int(row[0]) for row in rows if row[2] == "image"]


@pytest.mark.parametrize("maker", ["browser", "typst"])
def test_on_paper_a_photo_stays_with_its_caption(maker: str, tmp_path: Path) -> None:
    tall = io.BytesIO()
    pillow().effect_noise((400, 640), 60).save(tall, "PNG")
    entries = [f"{{file: a.png, caption: Caption number {n}}}" for n in range(1, 10)]
    made = with_photos(tmp_path, *entries, a_png=tall.getvalue())
    if maker == "typst":
        needed(importlib.util.find_spec("typst") is not None, "typst")
        data = pdf.TypstRenderer().render(made)
    else:
        browser = pdf.find_browser()
        needed(browser is not None, "a browser")
        assert browser is not None
        data = pdf.BrowserRenderer(browser).render(made)
    pages = pages_of(data, tmp_path)
    captions = [
        next(n for n, text in enumerate(pages, 1) if f"Caption number {wanted}" in text)
        for wanted in range(1, 10)
    ]
    needed(shutil.which("pdfimages") is not None, "pdfimages")
    assert pictures_on(data, tmp_path) == captions
    assert len(set(captions)) >= 2
    # Two beside each other: their captions stand in one line.
    assert any(
        re.search(r"Caption number 1\b.*Caption number 2\b", line)
        for line in pages[captions[0] - 1].splitlines()
    )


def test_an_image_that_cannot_be_typeset_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    needed(importlib.util.find_spec("typst") is not None, "typst")
    monkeypatch.setattr(photos, "_pillow", lambda: None)
    # Without the extra nobody decodes it before.
    made = with_photos(tmp_path, "{file: a.png, caption: x}", a_png=png_without_picture())
    with pytest.raises(InputError, match="cannot be typeset"):
        pdf.TypstRenderer().render(made)


@pytest.mark.parametrize("position", [False, True])
def test_random_damage_is_told_or_harmless(position: bool, tmp_path: Path) -> None:
    """Of the first bytes, where the metadata stand, and of all: no other error comes of it."""
    whole = camera_jpeg(120, 80)
    chance = random.Random(7)
    outcomes = set()
    for round_ in range(300):
        damaged = bytearray(whole)
        reach = 400 if round_ % 3 else len(whole)
        for _ in range(chance.randint(1, 12)):
            damaged[chance.randrange(3, reach)] = chance.randrange(256)
        path = tmp_path / "a.jpg"
        path.write_bytes(bytes(damaged))
        wanted = PhotoPart(file="a.jpg", caption="x", position=position)
        try:
            (entry,) = photos.photos_of([wanted], tmp_path)
        except InputError as error:
            outcomes.add("damaged" if "damaged" in str(error) else str(error))
            continue
        outcomes.add("shown")
        assert pillow().open(io.BytesIO(entry.data)).size == (entry.width, entry.height)
        if not position:
            assert b"Exif" not in entry.data
    assert {o for o in outcomes if " pixels, more than" not in o} == {"damaged", "shown"}
