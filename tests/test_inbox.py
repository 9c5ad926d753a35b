"""Reading folders, zip files and mail: everything found, nothing trusted."""

import io
import os
import re
import struct
import tracemalloc
import zipfile
from email.message import EmailMessage
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from panelvision import inbox
from panelvision.errors import PhotoError
from panelvision.inbox import InboxError, Incoming, Trouble, read_inbox
from tests import tally
from tests.toy_pipeline import photo

JPEG = photo("normal", form="JPEG")
PNG = photo("cracked")


def read(*paths) -> tuple[dict[str, Incoming], dict[str, str]]:
    """What came, by name, and what is in trouble, with the reason."""
    items = list(read_inbox(paths))
    return (
        {i.name: i for i in items if isinstance(i, Incoming)},
        {i.name: i.reason for i in items if isinstance(i, Trouble)},
    )


def mail(sender: str = "Ann <ann@example.org>", subject: str = "my TV", **files: bytes) -> bytes:
    message = EmailMessage()
    message["From"], message["To"], message["Subject"] = sender, "shop@example.org", subject
    message.set_content("It went dark.")
    for name, data in files.items():
        message.add_attachment(
            data, maintype="image", subtype="jpeg", filename=name.replace("_", ".")
        )
    return message.as_bytes()


def packed(**files: bytes) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data)
    return file.getvalue()


def unmarked(group: str) -> str:
    """Without the mark of the source, which depends on where it lies."""
    return re.sub(r"^(folder|mail):[0-9a-f]{8}:", r"\1:", group)


def test_a_folder_gives_its_photos_by_subfolder(tmp_path):
    box = tmp_path / "box"
    (box / "anna" / "more").mkdir(parents=True)
    (box / "loose.JPG").write_bytes(JPEG)
    (box / "no suffix").write_bytes(PNG)
    (box / "notes.txt").write_text("hello")
    (box / "anna" / "a b.heic").write_bytes(b"broken")
    (box / "anna" / "more" / "ü.png").write_bytes(PNG)
    (box / ".hidden.jpg").write_bytes(JPEG)
    (box / "Thumbs.db").write_bytes(JPEG)
    found, trouble = read(box)
    assert list(found) == ["loose.JPG", "no suffix", "anna/a b.heic", "anna/more/ü.png"]
    assert [unmarked(i.group) for i in found.values()] == [
        "", "", "folder:box/anna", "folder:box/anna/more",
    ]  # fmt: skip
    assert found["loose.JPG"].read() == JPEG
    assert trouble == {}


def test_links_special_and_vanished_files_are_told(tmp_path):
    box, outside = tmp_path / "box", tmp_path / "secret.jpg"
    box.mkdir()
    outside.write_bytes(JPEG)
    (box / "link.jpg").symlink_to(outside)
    (box / "loop").symlink_to(box)
    os.mkfifo(box / "pipe.jpg")
    (box / "gone.jpg").write_bytes(JPEG)
    found, trouble = read(box)
    assert list(found) == ["gone.jpg"]
    assert set(trouble) == {"link.jpg", "pipe.jpg"}
    (box / "gone.jpg").unlink()
    with pytest.raises(PhotoError, match=r"^gone.jpg: cannot be opened[^\n]*$"):
        found["gone.jpg"].read()
    with pytest.raises(InboxError, match=r"^[^\n]*check the path$"):
        read(tmp_path / "no\nwhere")


def test_a_zip_whose_list_of_entries_is_huge_is_refused_before_it_is_read(tmp_path):
    # 46 bytes of each entry and its name: PKWARE, APPNOTE.TXT section 4.3.12.
    count = 1_000_000
    entry = struct.pack("<4s6H3L5H2L", b"PK\1\2", *[0] * 9, 1, *[0] * 6) + b"x"
    assert len(entry) == 47
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 0xFFFF, 0xFFFF, 47 * count, 0, 0)
    (tmp_path / "list.zip").write_bytes(entry * count + end)
    tracemalloc.start()
    try:
        found, trouble = read(tmp_path / "list.zip")
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert not found
    assert "list of entries takes more than 30 MB" in trouble["list.zip"]
    assert peak < 5_000_000  # zipfile itself takes 367 MB for it, measured so


def test_clips_and_unknown_pictures_are_told_and_not_passed_over(tmp_path):
    others = {"walk.MOV": b"\0\0\0\x14ftypqt  ", "old.sgi": b"\1\xda", "notes.txt": b"hello"}
    (tmp_path / "box").mkdir()
    for name, data in {**others, "fine.ico": JPEG}.items():  # by its content it is a photo
        (tmp_path / "box" / name).write_bytes(data)
    (tmp_path / "x.zip").write_bytes(packed(**others))
    (tmp_path / "x.eml").write_bytes(mail(**{n.replace(".", "_"): d for n, d in others.items()}))
    found, trouble = read(tmp_path / "box", tmp_path / "x.zip", tmp_path / "x.eml")
    assert list(found) == ["fine.ico"]
    for place in ("", "x.zip/", "x.eml/"):
        assert "clip" in trouble.pop(f"{place}walk.MOV")
        assert "JPEG" in trouble.pop(f"{place}old.sgi")
    assert trouble == {}


def test_a_zip_is_read_where_it_lies(tmp_path):
    path = tmp_path / "photos.zip"
    path.write_bytes(packed(**{
        "a.jpg": JPEG, "set 2/b.png": PNG, "__MACOSX/._a.jpg": b"x", "readme.txt": b"x",
        "empty.jpg": b"", "inner.zip": packed(**{"c.jpg": JPEG}),
    }))  # fmt: skip
    found, trouble = read(path)
    assert list(found) == [
        "photos.zip/a.jpg", "photos.zip/empty.jpg", "photos.zip/inner.zip/c.jpg",
        "photos.zip/set 2/b.png",
    ]  # fmt: skip
    assert unmarked(found["photos.zip/set 2/b.png"].group) == "folder:photos.zip/set 2"
    assert found["photos.zip/a.jpg"].group == ""
    assert found["photos.zip/inner.zip/c.jpg"].read() == JPEG
    assert trouble == {}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["photos.zip"]


def test_names_that_try_to_leave_are_only_labels(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "evil.zip"
    path.write_bytes(packed(**{
        "../../../up.jpg": JPEG, "/abs.jpg": JPEG, "C:\\win.jpg": JPEG,
        "a\nb\x1b[31m.jpg": JPEG, "x" * 400 + ".jpg": JPEG,
    }))  # fmt: skip
    found, _ = read(path)
    assert len(found) == 5
    for name, item in found.items():
        assert ".." not in name.split("/") and not name.startswith("/") and len(name) < 260
        assert name.isprintable()
        assert item.read() == JPEG
    assert [p.name for p in tmp_path.iterdir()] == ["evil.zip"]


def test_an_entry_without_a_name_is_read(tmp_path):
    path = tmp_path / "x.zip"
    raw = bytearray(packed(**{"a": JPEG, "b.jpg": JPEG}))
    at = raw.index(b"PK\x01\x02")
    # the directory's first name shrinks to nothing: its byte goes to the field behind it
    struct.pack_into("<HHH", raw, at + 28, 0, 0, 1)
    path.write_bytes(raw)
    found, trouble = read(path)
    assert "x.zip/b.jpg" in found
    assert set(found) | set(trouble) == {"x.zip/b.jpg", "x.zip/photo"}


def test_links_and_locked_entries_of_a_zip_are_told(tmp_path):
    path = tmp_path / "x.zip"
    with zipfile.ZipFile(path, "w") as archive:
        link = zipfile.ZipInfo("link.jpg")
        link.external_attr = 0o120777 << 16
        archive.writestr(link, "/etc/passwd")
        archive.writestr("locked.jpg", JPEG)
        archive.writestr("fine.jpg", JPEG)
    raw = bytearray(path.read_bytes())
    at = raw.index(b"PK\x01\x02", raw.index(b"PK\x01\x02") + 4)  # second entry of the directory
    raw[at + 8] |= 1  # general purpose bit 0: encrypted (APPNOTE 4.4.4)
    path.write_bytes(raw)
    found, trouble = read(path)
    assert list(found) == ["x.zip/fine.jpg"]
    assert "link" in trouble["x.zip/link.jpg"]
    assert "encrypted" in trouble["x.zip/locked.jpg"]


def test_bombs_are_left_out_and_headers_are_not_believed(tmp_path, monkeypatch):
    path = tmp_path / "bomb.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros.jpg", b"\0" * 20_000_000)
        archive.writestr("fine.jpg", JPEG)
    found, trouble = read(path)
    assert list(found) == ["bomb.zip/fine.jpg"]
    assert "swells" in trouble["bomb.zip/zeros.jpg"]
    # the same with a directory that claims a small size
    raw = bytearray(path.read_bytes())
    at = raw.index(b"PK\x01\x02")
    struct.pack_into("<I", raw, at + 24, 1000)
    path.write_bytes(raw)
    found, trouble = read(path)
    assert "bomb.zip/fine.jpg" in found
    if "bomb.zip/zeros.jpg" in found:
        with pytest.raises(PhotoError, match=r"^[^\n]+$"):
            found["bomb.zip/zeros.jpg"].read()
    else:
        assert "bomb.zip/zeros.jpg" in trouble
    # nested without end
    data = packed(**{"a.jpg": JPEG})
    for _ in range(6):
        data = packed(**{"in.zip": data})
    (tmp_path / "nest.zip").write_bytes(data)
    found, trouble = read(tmp_path / "nest.zip")
    assert found == {} and "nested" in next(iter(trouble.values()))
    monkeypatch.setattr(inbox, "MAX_ENTRIES", 3)
    (tmp_path / "dust.zip").write_bytes(packed(**{f"{i}.jpg": JPEG for i in range(5)}))
    assert "more than 3" in read(tmp_path / "dust.zip")[1]["dust.zip"]
    (tmp_path / "flood.mbox").write_bytes(b"From \n\n" * 5)
    assert "more than 3 messages" in read(tmp_path / "flood.mbox")[1]["flood.mbox"]
    monkeypatch.setattr(inbox, "MAX_TOTAL_BYTES", len(JPEG) + 1)
    (tmp_path / "much.zip").write_bytes(packed(**{"0.jpg": JPEG, "1.jpg": JPEG}))
    first, second = read(tmp_path / "much.zip")[0].values()
    first.read()
    with pytest.raises(PhotoError, match="swell"):
        second.read()


def test_a_large_entry_is_refused_while_it_is_read(tmp_path, monkeypatch):
    monkeypatch.setattr(inbox, "MAX_BYTES", 1000)
    (tmp_path / "x.zip").write_bytes(packed(**{"a.jpg": b"\xff\xd8\xff" + os.urandom(5000)}))
    (tmp_path / "a.jpg").write_bytes(os.urandom(5000))
    for item in read(tmp_path / "x.zip", tmp_path / "a.jpg")[0].values():
        with pytest.raises(PhotoError, match="larger than"):
            item.read()


def test_mail_gives_photos_with_their_sender(tmp_path):
    path = tmp_path / "one.eml"
    path.write_bytes(mail("Ann <ANN@Example.org>", "=?utf-8?q?Fernseher_=C3=BC?=", a_jpg=JPEG))
    found, trouble = read(path)
    (item,) = found.values()
    assert item.name == "one.eml/a.jpg"
    assert (item.sender, item.group, item.subject) == (
        "ann@example.org", "mail:ann@example.org", "Fernseher ü",
    )  # fmt: skip
    assert item.read() == JPEG
    assert trouble == {}


def test_a_comma_in_a_senders_name_is_no_second_sender(tmp_path):
    """RFC 2047 words are decoded after the address is parsed: RFC 2047, section 6.2."""
    for first in ("Hans", "Eva"):
        sender = f"=?utf-8?Q?M=C3=BCller=2C_{first}?= <{first.lower()}@example.org>"
        raw = mail(a_jpg=JPEG).replace(b"Ann <ann@example.org>", sender.encode())
        (tmp_path / f"{first}.eml").write_bytes(raw)
    found, _ = read(*sorted(tmp_path.glob("*.eml")))
    assert sorted(unmarked(i.group) for i in found.values()) == [
        "mail:eva@example.org", "mail:hans@example.org",
    ]  # fmt: skip


def test_two_entries_of_one_name_are_both_read(tmp_path):
    path = tmp_path / "twice.zip"
    with zipfile.ZipFile(path, "w") as archive, pytest.warns(UserWarning, match="Duplicate name"):
        archive.writestr("a.jpg", JPEG)
        archive.writestr("a.jpg", PNG)
    items = [item for item in read_inbox([path]) if isinstance(item, Incoming)]
    assert [item.read() for item in items] == [JPEG, PNG]


def test_a_forwarded_mail_an_inline_photo_and_a_zip_in_a_mail(tmp_path):
    message = EmailMessage()
    message["From"] = "bob@example.org"
    message.set_content("see below")
    message.add_attachment(JPEG, maintype="image", subtype="jpeg")  # no name
    message.add_attachment(
        packed(**{"z.png": PNG}), maintype="application", subtype="zip", filename="p.zip"
    )
    inner = EmailMessage()
    inner["From"] = "carl@example.org"
    inner.set_content("original")
    inner.add_attachment(PNG, maintype="image", subtype="png", filename="../../in.png")
    message.add_attachment(inner)
    path = tmp_path / "x.eml"
    path.write_bytes(message.as_bytes())
    found, trouble = read(path)
    assert trouble == {}
    assert sorted(found) == ["x.eml/in.png", "x.eml/p.zip/z.png", "x.eml/photo2.jpeg"]
    assert {i.sender for i in found.values()} == {"bob@example.org"}
    assert {i.group for i in found.values()} == {"mail:bob@example.org"}
    assert found["x.eml/p.zip/z.png"].read() == PNG
    assert found["x.eml/in.png"].read() == PNG


@pytest.mark.parametrize("ending", [b"\n", b"\r\n"])
def test_a_mailbox_gives_every_message(tmp_path, ending):
    box = b""
    for i, sender in enumerate(("a@x.org", "b@x.org", "a@x.org")):
        text = mail(sender, a_jpg=JPEG, b_jpg=PNG + bytes([i]))
        text = text.replace(b"It went dark.", b"It went dark.\n\n>From here on it is quoted.")
        box += b"From - Thu Jan  1 00:00:00 2026" + b"\n" + text + b"\n"
    path = tmp_path / "all.mbox"
    path.write_bytes(box.replace(b"\n", ending))
    found, trouble = read(path)
    assert trouble == {}
    assert len(found) == 6
    assert [i.sender for i in found.values()] == ["a@x.org"] * 2 + ["b@x.org"] * 2 + ["a@x.org"] * 2
    assert found["all.mbox/message 2/b.jpg"].read() == PNG + b"\1"


def test_broken_mail_is_told_or_read_as_far_as_it_goes(tmp_path):
    whole = mail("=?broken?q?=FF?= <x@y>", "=?utf-8?b?!!!?=", a_jpg=JPEG)
    for i, data in enumerate((
        b"", b"\0\0\0", b"From: a\r\n\r\n", whole[: len(whole) // 2],
        b"Content-Type: " + b"x" * 9999,
        b"Content-Type: multipart/mixed; boundary=x\n\n--x\n--x\n--x--",
    )):  # fmt: skip
        path = tmp_path / f"{i}.eml"
        path.write_bytes(data)
        found, trouble = read(path)
        for item in found.values():
            item.read()
        assert all("\n" not in reason for reason in trouble.values())
        if i == 3:  # cut within its photo: the photo is told, not lost
            assert list(found) == ["3.eml/a.jpg"]
    (tmp_path / "empty.mbox").write_bytes(b"no mail here")
    assert "no message" in read(tmp_path / "empty.mbox")[1]["empty.mbox"]


@settings(max_examples=80, deadline=None)
@given(data=st.data())
def test_damaged_archives_and_mails_never_raise(tmp_path_factory, data):
    which = data.draw(st.sampled_from(["x.zip", "x.eml", "x.mbox"]))
    whole = bytearray({
        "x.zip": packed(**{"a.jpg": JPEG, "b/c.png": PNG, "m.eml": mail(a_jpg=JPEG)}),
        "x.eml": mail(a_jpg=JPEG, b_zip=packed(**{"c.png": PNG})),
        "x.mbox": b"From x\n" + mail(a_jpg=JPEG) + b"\nFrom y\n" + mail(b_jpg=PNG),
    }[which])  # fmt: skip
    for _ in range(data.draw(st.integers(0, 8))):
        whole[data.draw(st.integers(0, len(whole) - 1))] = data.draw(st.integers(0, 255))
    path: Path = tmp_path_factory.mktemp("damaged") / which
    path.write_bytes(whole[: data.draw(st.integers(0, len(whole)))])
    with tally.tried(), tally.nothing_left(path.parent):
        for item in read_inbox([path]):
            if isinstance(item, Trouble):
                assert "\n" not in item.reason and "\n" not in item.name
            else:
                assert item.name.isprintable()
                try:
                    item.read()
                except PhotoError as fault:
                    assert "\n" not in str(fault)


def test_a_form_on_a_web_page_writes_for_many_customers(tmp_path):
    """RFC 5322, section 3.6.2: answers go to Reply-To, where it is given."""
    form = mail("Contact form <form@shop.example>", a_jpg=JPEG)
    (tmp_path / "a.eml").write_bytes(b"Reply-To: Bob <bob@example.org>\r\n" + form)
    (tmp_path / "b.eml").write_bytes(form)
    found, _ = read(tmp_path / "a.eml", tmp_path / "b.eml")
    assert sorted(item.sender for item in found.values()) == [
        "bob@example.org", "form@shop.example",
    ]  # fmt: skip
