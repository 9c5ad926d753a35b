"""The report: complete, self-contained, escaped, and without anything from the photo's metadata."""

import base64
import io
import re
from html.parser import HTMLParser

import numpy as np
import pytest
from PIL import Image

from panelvision.report import HOUSE_CAUTION, LIMITS, Report, ReportPhoto, plain_jpeg, report_html
from panelvision.report_pdf import report_pdf, sets_badly

pypdf = pytest.importorskip("pypdf")
# Exif 2.32 tag numbers (CIPA DC-008): GPS IFD pointer, maker, model, body serial number.
GPS, MAKER, MODEL, SERIAL = 0x8825, 0x010F, 0x0110, 0xA431
SECRETS = ("SECRETMAKER", "SECRETMODEL", "SECRETSERIAL")


def photo_with_metadata() -> bytes:
    """A picture whose metadata name a place and a device."""
    rng = np.random.default_rng(5)
    image = Image.fromarray(rng.integers(0, 255, (90, 160, 3), dtype=np.uint8))
    exif = Image.Exif()
    exif[MAKER], exif[MODEL] = SECRETS[0], SECRETS[1]
    exif.get_ifd(0x8769)[SERIAL] = SECRETS[2]
    exif.get_ifd(GPS).update({1: "N", 2: (52.0, 31.0, 12.0), 3: "E", 4: (13.0, 24.0, 18.0)})
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif, comment=SECRETS[2])
    return out.getvalue()


def make(**changes) -> Report:
    photo = ReportPhoto(
        photo_with_metadata(),
        photo_with_metadata(),
        "dark screen, a faint picture is there (93 %)",
        ("A faint picture is there.", "Nothing else was found."),
    )
    fields = dict(
        shop="Lamp & Bench",
        contact="1 Invented Lane",
        customer="Ägidius Ωmega Жук",
        set_label="the 55 inch set",
        case_number="ab12cd34",
        date="25 November 2026",
        photos=(photo,),
        tested=(("Sound", "yes"), ("Torch test", "faint picture")),
        verdict="Replace: complete set of LED strips",
        reasons=("It is 91 % likely to be the cause.",),
        prices=(("Part", "€ 20 to 30"), ("Work", "€ 50")),
    )
    return Report(**{**fields, **changes})


def pdf_text(data: bytes) -> str:
    pages = pypdf.PdfReader(io.BytesIO(data)).pages
    return " ".join(" ".join(page.extract_text() for page in pages).split())


def test_the_photos_in_the_input_really_carry_what_must_not_come_out():
    assert all(secret.encode() in photo_with_metadata() for secret in SECRETS[:2])
    assert Image.open(io.BytesIO(photo_with_metadata())).getexif().get_ifd(GPS)


def test_pictures_lose_their_metadata():
    clean = plain_jpeg(photo_with_metadata())
    image = Image.open(io.BytesIO(clean))
    assert not image.getexif() and "comment" not in image.info and "exif" not in image.info
    assert not any(secret.encode() in clean for secret in SECRETS)


def test_no_byte_of_either_file_holds_place_or_device():
    page = report_html(make())
    pictures = [base64.b64decode(p) for p in re.findall(r"base64,([A-Za-z0-9+/=]+)", page)]
    assert len(pictures) == 2
    data = report_pdf(make())
    reader = pypdf.PdfReader(io.BytesIO(data))
    inner = [image.data for p in reader.pages for image in p.images]
    assert len(inner) == 2
    for blob in (page.encode(), data, *pictures, *inner):
        assert not any(secret.encode() in blob for secret in SECRETS)
        assert b"Exif" not in blob


def test_the_page_needs_nothing_beside_it_and_runs_nothing():
    class Reader(HTMLParser):
        def __init__(self):
            super().__init__()
            self.sources, self.tags, self.alts, self.open = [], set(), [], []

        def handle_starttag(self, tag, attrs):
            self.tags.add(tag)
            pairs = dict(attrs)
            self.sources += [pairs[k] for k in ("src", "href", "action") if k in pairs]
            self.alts += [pairs.get("alt")] if tag == "img" else []

    reader = Reader()
    page = report_html(make())
    reader.feed(page)
    assert all(source.startswith("data:image/jpeg;base64,") for source in reader.sources)
    assert not {"script", "link", "iframe", "form", "object"} & reader.tags
    assert len(reader.alts) == 2 and all(reader.alts)
    assert "url(" not in page and "@import" not in page


def test_everything_said_stands_in_both_files():
    report = make()
    page, text = report_html(report), pdf_text(report_pdf(report))
    flat = " ".join(re.sub(r"<[^>]+>", " ", page).split()).replace("&amp;", "&")
    for words in (
        report.shop, report.customer, report.set_label, report.case_number, report.date,
        report.verdict, report.reasons[0], "€ 20 to 30", "Torch test", "faint picture",
        report.photos[0].headline, report.photos[0].sentences[1], HOUSE_CAUTION, *LIMITS,
    ):  # fmt: skip
        assert words in flat, words
        assert "".join(words.split()) in "".join(text.split()), words


def test_the_caution_stands_ahead_of_the_verdict_in_both_files():
    report = make()
    for text in (report_html(report), pdf_text(report_pdf(report))):
        assert 0 < text.index("Caution") < text.index("Verdict")
    assert "Caution" not in report_html(make(cautions=()))


def test_typed_text_stays_text():
    evil = "<script>alert(1)</script>\"'&"
    page = report_html(make(customer=evil, verdict=evil, tested=((evil, evil),), shop=evil))
    assert "<script" not in page and "&lt;script&gt;" in page


def test_odd_letters_and_long_words_do_not_stop_the_pdf():
    report = make(customer="\u4e2d\U0001f600" + "x" * 400, shop="", contact="", prices=())
    assert report_pdf(report).startswith(b"%PDF")


def test_empty_parts_leave_no_empty_headings():
    page = report_html(make(photos=(), tested=(), prices=(), shop="", contact="", customer=""))
    for heading in ("Price", "What the photos show", "What was seen and tested", "Customer"):
        assert f">{heading}<" not in page


def test_a_report_of_many_photos_has_page_numbers_on_every_page():
    report = make(photos=make().photos * 6)
    reader = pypdf.PdfReader(io.BytesIO(report_pdf(report)))
    assert len(reader.pages) > 3
    for number, page in enumerate(reader.pages, start=1):
        assert page.extract_text().rstrip().endswith(str(number))


@pytest.mark.parametrize(
    ("name", "badly"),
    [("Ägidius Ωmega Жук", False), ("王伟", True), ("محمد", True), ("דוד", True)],
)
def test_letters_that_the_pdf_cannot_set_are_known(name, badly):
    """Right to left: Unicode Standard Annex 9; no font of ours holds Chinese letters."""
    assert sets_badly(make(customer=name)) is badly


def test_a_long_name_of_the_shop_stays_within_the_foot_of_the_page():
    reader = pypdf.PdfReader(io.BytesIO(report_pdf(make(shop="Lamp & Bench " * 15))))
    places = []
    reader.pages[0].extract_text(
        visitor_text=lambda text, _, tm, *rest: places.append((tm[4], tm[5], text))
    )
    (x,) = [x for x, y, text in places if y < 45 and "Lamp" in text]
    # 18 mm of margin are 51 points.
    assert x >= 50 and any("…" in text and "1" in text for _, y, text in places if y < 45)


def test_what_was_brought_out_of_a_dark_screen_stands_under_its_picture_in_both_files():
    words = "dark parts brought out, no picture found"
    photo = ReportPhoto(photo_with_metadata(), photo_with_metadata(), "dark", (), words)
    for text in (report_html(make(photos=(photo,))), pdf_text(report_pdf(make(photos=(photo,))))):
        assert f"squared up, {words}" in text and "faint picture brought out" not in text


def test_a_photo_that_is_not_relied_on_is_not_said_to_have_findings():
    quiet = ReportPhoto(photo_with_metadata(), None, "can't tell", ())
    page = report_html(make(photos=(quiet,)))
    assert "findings drawn on" not in page and "Photo 1: can&#x27;t tell" in page
    assert "findings drawn on" not in pdf_text(report_pdf(make(photos=(quiet,))))
