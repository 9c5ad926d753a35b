"""What a customer's files say of place, device and owner stays there, and nothing leaves here."""

import base64
import io
import json
import os
import re
import shutil
import struct
import subprocess
import sys
import textwrap
import zipfile
import zlib
from pathlib import Path

import pytest
from PIL import Image, PngImagePlugin
from PIL.TiffImagePlugin import IFDRational
from streamlit.testing.v1 import AppTest

from panelvision.cases import open_store
from panelvision.cli import main
from panelvision.examples import load_examples

pypdf = pytest.importorskip("pypdf")
REPO = Path(__file__).resolve().parents[1]
# Tags of Exif 2.32 (CIPA DC-008): maker, model, software, artist, copyright; in the Exif part
# maker note, comment, owner, serial number of the body, of the lens; then the part for the place.
MAKER, MODEL, SOFTWARE, ARTIST, COPYRIGHT = 0x010F, 0x0110, 0x0131, 0x013B, 0x8298
NOTE, COMMENT, OWNER, BODY, LENS = 0x927C, 0x9286, 0xA430, 0xA431, 0xA435
EXIF_PART, PLACE_PART = 0x8769, 0x8825
WORDS = ("Zephonix-Maker", "QX-77-Device", "SN-88121-Body", "Quillon-Owner", "NOTE-5512-Inner")
# 48 degrees 12' 34.567", as text of XMP and as the fraction of Exif.
PLACE_WORDS = ("48,12.57612N", "16.373819")
SECONDS = (34567, 1000)
NEEDLES = (
    *(w.encode() for w in (*WORDS, *PLACE_WORDS)),
    *(w.encode("utf-16-le") for w in (*WORDS, *PLACE_WORDS)),
    struct.pack("<II", *SECONDS),
    struct.pack(">II", *SECONDS),
)
XMP = f"""<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF
xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#"><rdf:Description
xmlns:exif="http://ns.adobe.com/exif/1.0/" xmlns:aux="http://ns.adobe.com/exif/1.0/aux/"
exif:GPSLatitude="{PLACE_WORDS[0]}" exif:GPSLongitude="{PLACE_WORDS[1]}"
aux:SerialNumber="{WORDS[2]}" aux:OwnerName="{WORDS[3]}"/></rdf:RDF></x:xmpmeta>""".encode()
FORMS = ("JPEG", "PNG", "WEBP", "TIFF", "HEIF")
ENDINGS = dict(zip(FORMS, ("jpg", "png", "webp", "tif", "heic"), strict=True))


def marked(form: str) -> bytes:
    """A photo of a broken screen that carries every word of :data:`WORDS`, and the place."""
    number = FORMS.index(form)
    with Image.open(io.BytesIO(load_examples()[number % 2].read())) as whole:
        # Each a little different, so that each is a photo of its own.
        image = whole.convert("RGB").resize((640 + 8 * number, 480 + 6 * number))
    exif = Image.Exif()
    exif[MAKER], exif[MODEL], exif[ARTIST] = WORDS[0], WORDS[1], WORDS[3]
    exif[SOFTWARE], exif[COPYRIGHT] = WORDS[1], WORDS[3]
    inner = exif.get_ifd(EXIF_PART)
    inner[NOTE] = inner[COMMENT] = WORDS[4].encode()
    inner[OWNER], inner[BODY], inner[LENS] = WORDS[3], WORDS[2], WORDS[2]
    place = tuple(IFDRational(*part) for part in ((48, 1), (12, 1), SECONDS))
    exif.get_ifd(PLACE_PART).update({1: "N", 2: place, 3: "E", 4: place})
    out, more = io.BytesIO(), {}
    if form == "JPEG":
        more = {"comment": " ".join(WORDS).encode(), "xmp": XMP}
    elif form == "PNG":
        text = PngImagePlugin.PngInfo()
        text.add_text("Author", WORDS[3])
        text.add_text("Comment", " ".join(WORDS), zip=True)
        text.add_itxt("XML:com.adobe.xmp", XMP.decode())
        more = {"pnginfo": text}
    elif form in ("WEBP", "HEIF"):
        more = {"xmp": XMP}
    elif form == "TIFF":
        more = {"description": " ".join(WORDS)}
    image.save(out, form, exif=exif.tobytes(), **more)
    return out.getvalue()


def layers(blob: bytes, depth: int = 4):
    """A file and all that is packed into it: archives, pictures in pages, PDF streams, PNG text."""
    yield blob
    if depth == 0:
        return
    inner = []
    if blob[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(blob)) as archive:
            inner += [archive.read(name) for name in archive.namelist()]
            inner += ["\n".join(archive.namelist()).encode(), archive.comment]
    if blob[:4] == b"%PDF":
        pages = pypdf.PdfReader(io.BytesIO(blob)).pages
        inner += [image.data for page in pages for image in page.images]
        inner += [page.extract_text().encode() for page in pages]
        inner += [_inflated(s) for s in re.findall(rb"stream\r?\n(.*?)endstream", blob, re.S)]
    if blob[:8] == b"\x89PNG\r\n\x1a\n":
        with Image.open(io.BytesIO(blob)) as image:
            image.load()
            inner.append(repr({k: str(v) for k, v in image.info.items()}).encode())
    inner += [base64.b64decode(p) for p in re.findall(rb"base64,([A-Za-z0-9+/=]{40,})", blob)]
    for each in inner:
        yield from layers(each, depth - 1)


def _inflated(stream: bytes) -> bytes:
    try:
        return zlib.decompressobj().decompress(stream)
    except zlib.error:
        return b""


def given_away(blob: bytes) -> list[bytes]:
    return [needle for layer in layers(blob) for needle in NEEDLES if needle in layer]


def assert_clean(folder: Path, *, least: int) -> None:
    """At least so many files lie below ``folder``, and none gives anything away."""
    files = [path for path in folder.rglob("*") if path.is_file()]
    assert len(files) >= least, files
    for path in files:
        assert given_away(path.read_bytes()) == [], path
        assert not any(word in str(path) for word in (*WORDS, *PLACE_WORDS))


@pytest.fixture(scope="module")
def inbox(tmp_path_factory):
    """Marked photos in every format, one of them in a zip file."""
    folder = tmp_path_factory.mktemp("marked")
    for form in FORMS[:4]:
        (folder / f"photo-{form}.{ENDINGS[form]}").write_bytes(marked(form))
    with zipfile.ZipFile(folder / "more.zip", "w") as archive:
        archive.writestr("inner.heic", marked("HEIF"))
    return folder


@pytest.mark.parametrize("form", FORMS)
def test_the_inputs_really_carry_what_must_not_come_out(form):
    found = set(given_away(marked(form)))
    assert {w.encode() for w in WORDS} <= found
    with Image.open(io.BytesIO(marked(form))) as image:
        place = image.getexif().get_ifd(PLACE_PART)
        assert float(place[2][2]) == pytest.approx(34.567)
    assert form == "TIFF" or {w.encode() for w in PLACE_WORDS} <= found


def test_nothing_sorted_stored_exported_or_backed_up_holds_it(inbox, tmp_path, monkeypatch):
    store, out = tmp_path / "store", tmp_path / "sorted"
    monkeypatch.setenv("PANELVISION_STORE", str(store / "cases.sqlite"))
    monkeypatch.setenv("PANELVISION_CONFIG", str(tmp_path / "config"))
    sort = ["sort", str(inbox), "--out", str(out), "--workers", "0", "--quiet", "--store"]
    assert main(sort) == 0
    assert_clean(out, least=3)
    with open_store() as cases:
        for form in FORMS:
            cases.add_photo(marked(form), name="kept")
        assert cases.search()
    (tmp_path / "export").mkdir(exist_ok=True)
    assert main(["cases", "export", str(tmp_path / "export" / "cases.zip")]) == 0
    assert main(["cases", "backup", str(tmp_path / "backup")]) == 0
    assert_clean(store, least=1 + len(FORMS))
    assert_clean(tmp_path / "export", least=1)
    assert_clean(tmp_path / "backup", least=1)


def test_no_json_and_no_written_picture_holds_it(inbox, tmp_path, capsys):
    photos = [str(path) for path in sorted(inbox.glob("photo-*"))]
    target = tmp_path / "out.jsonl"
    pictures = ["--overlay", str(tmp_path / "drawn"), "--enhanced", str(tmp_path / "enhanced")]
    assert main(["examine", *photos, "--jsonl", str(target), *pictures]) == 0
    assert_clean(tmp_path, least=1 + 2 * len(photos))
    assert given_away("".join(capsys.readouterr()).encode()) == []


def _photo_then_report(photos: list, folder: str) -> None:
    """A script for the pages' test runner: look at the photos, and write the report."""
    import json
    from pathlib import Path

    from panelvision.pages import report_page, session
    from panelvision.report import report_html
    from panelvision.report_pdf import report_pdf

    for name, data in photos:
        session.examine_entry(session.desk().entries[session.add_photo(name, data)])
    report, target = report_page.make_report(), Path(folder)
    (target / "report.html").write_text(report_html(report), encoding="utf-8")
    (target / "report.pdf").write_bytes(report_pdf(report))
    for number, (key, entry) in enumerate(session.desk().entries.items()):
        found = entry.answer
        (target / f"{number}.json").write_text(json.dumps(found.record), encoding="utf-8")
        for kind in ("shown", "overlay", "thumbnail"):
            (target / f"{number}-{kind}.jpg").write_bytes(getattr(found, kind))
        for kind, data in enumerate(session.plain_and_enhanced(key, 0.5)):
            (target / f"{number}-squared-{kind}.jpg").write_bytes(data)


def test_neither_the_report_nor_a_picture_of_the_pages_holds_it(tmp_path, monkeypatch):
    monkeypatch.setenv("PANELVISION_STORE", str(tmp_path / "store" / "cases.sqlite"))
    monkeypatch.setenv("PANELVISION_CONFIG", str(tmp_path / "config"))
    target = tmp_path / "made"
    target.mkdir()
    photos = [(f"{form}.x", marked(form)) for form in ("JPEG", "PNG", "HEIF")]
    given = {"photos": photos, "folder": str(target)}
    at = AppTest.from_function(_photo_then_report, kwargs=given, default_timeout=120).run()
    assert not at.exception
    assert_clean(target, least=2 + 6 * len(photos))


# What is run without a network: the commands that read photos, and every page. An attempt to
# reach anything but this machine is noted where Python reports it (PEP 578), whether or not the
# caller swallows the failure.
_OFFLINE = """
import json, sys
tried = []

def watch(event, args):
    if event in ("socket.connect", "socket.sendto", "socket.sendmsg"):
        address = args[1]
        host = address[0] if isinstance(address, tuple) else "local"
    elif event in ("socket.getaddrinfo", "socket.gethostbyname", "socket.gethostbyaddr"):
        host = str(args[0])
    else:
        return
    if host not in ("local", "localhost", "127.0.0.1", "::1", "", "None", "0.0.0.0"):
        tried.append([event, host])
        raise OSError("no network in this test")

sys.addaudithook(watch)
from panelvision.cli import main
photo, folder = sys.argv[1:]
with open("seen.json", "w") as file:
    json.dump({"observations": {}}, file)
codes = [
    main(["examine", photo, "--jsonl", "one.jsonl"]),
    main(["sort", folder, "--out", "sorted", "--workers", "0", "--quiet", "--store"]),
    main(["advise", "--observations", "seen.json", "--json"]),
    main(["cases", "export", "cases.zip"]),
    main(["compare", photo, photo]),
]
from streamlit.testing.v1 import AppTest

def script(page):
    import importlib
    import streamlit as st
    from panelvision.pages import main
    listed = main.pages()
    st.session_state["pages"] = {each.title: each for each in listed}
    st.navigation(listed, position="hidden")
    importlib.import_module(f"panelvision.pages.{page}_page").show()

with open(photo, "rb") as file:
    data = file.read()
at = AppTest.from_function(script, kwargs={"page": "photo"}, default_timeout=120).run()
at.file_uploader[0].set_value([("one.jpg", data, "image/jpeg")]).run()
failed = [str(each.value) for each in at.exception]
answered = len(at.session_state["desk"].answers())
for page in ("bench", "report", "cases", "inbox", "settings"):
    next_page = AppTest.from_function(script, kwargs={"page": page}, default_timeout=120)
    next_page.session_state["desk"] = at.session_state["desk"]
    failed += [str(each.value) for each in next_page.run().exception]
with open("end.json", "w") as file:
    json.dump({"codes": codes, "failed": failed, "answered": answered, "tried": tried}, file)
"""


def _without_a_network() -> list[str]:
    """A prefix that takes the network away, where the system lets us."""
    if shutil.which("unshare") is None:
        return []
    prefix = ["unshare", "--map-root-user", "--net"]
    works = subprocess.run([*prefix, "true"], capture_output=True).returncode == 0
    return prefix if works else []


def test_everything_works_without_a_network_and_nothing_asks_for_one(tmp_path):
    inbox = tmp_path / "inbox"
    inbox.mkdir()
    photo = inbox / "one.jpg"
    photo.write_bytes(load_examples()[1].read())
    (tmp_path / "offline.py").write_text(textwrap.dedent(_OFFLINE), encoding="utf-8")
    done = subprocess.run(
        [*_without_a_network(), sys.executable, "offline.py", str(photo), str(inbox)],
        cwd=tmp_path,
        env=_environment(tmp_path),
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    end = json.loads((tmp_path / "end.json").read_text(encoding="utf-8"))
    assert end == {"codes": [0, 0, 0, 0, 0], "failed": [], "answered": 1, "tried": []}


def _environment(folder: Path) -> dict[str, str]:
    return dict(
        os.environ,
        PYTHONPATH=str(REPO),
        PANELVISION_STORE=str(folder / "store" / "cases.sqlite"),
        PANELVISION_CONFIG=str(folder / "config"),
    )


def test_what_a_killed_server_left_is_swept_by_the_next(tmp_path):
    from panelvision.pages.memory_folder import sweep

    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        gone.wait()
    dead = tmp_path / f"panelvision-{gone.pid}-abc"
    alive = tmp_path / f"panelvision-{os.getpid()}-abc"
    others = tmp_path / "somebody-else"
    for folder in (dead, alive, others):
        folder.mkdir()
        (folder / "0001.jpg").write_bytes(b"photo")
    sweep(tmp_path)
    assert not dead.exists() and alive.exists() and others.exists()
