"""A photograph from the phone: kept small and bare in the session's folder, named by a note, shown in the report."""

import io
from pathlib import Path

import pytest
from PIL import Image

from busdoc.analysis.postmortem import postmortem
from busdoc.errors import InputError
from busdoc.files.photograph import upright_jpeg
from busdoc.report.record.html import html
from busdoc.session.photographs import photographs_of
from tests.page.served import served

MARK = "ab" * 16


def taken(width: int = 2400, height: int = 1200) -> bytes:
    """Take one as a phone does: lying on its side, with the place in it."""
    image = Image.new("RGB", (width, height), (200, 30, 30))
    exif = Image.Exif()
    exif[0x0112] = 6  # orientation: turned by a quarter (Exif 2.3, 4.6.4)
    exif[0x010E] = "the yard of a customer"
    out = io.BytesIO()
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()


def test_it_is_kept_upright_small_and_without_what_the_phone_wrote_into_it() -> None:
    data, width, height = upright_jpeg(taken())
    assert (width, height) == (800, 1600)
    with Image.open(io.BytesIO(data)) as kept:
        assert kept.size == (800, 1600)
        assert dict(kept.getexif()) == {}
    assert b"customer" not in data


@pytest.mark.parametrize("data", [b"", b"GIF89a", taken()[:100], b"\x89PNG\r\n\x1a\n" + b"\0" * 50])
def test_what_is_none_is_refused_in_a_sentence(data: bytes) -> None:
    with pytest.raises(InputError, match="the photograph: expected"):
        upright_jpeg(data)


def test_one_with_more_pixels_than_memory_is_refused_before_it_is_unpacked() -> None:
    out = io.BytesIO()
    Image.new("1", (8_000, 8_000)).save(out, "PNG")
    with pytest.raises(InputError, match="8000 x 8000 pixels"):
        upright_jpeg(out.getvalue())


def test_a_photograph_of_a_mark_is_shown_in_the_report(tmp_path: Path) -> None:
    folder = tmp_path / "session"
    with served(folder, seconds=2.5) as page:
        phone = page.phone()
        kind = {"Content-Type": "image/jpeg"}
        status, answer = phone.ask("POST", f"/photograph?mark={MARK}", raw=taken(), headers=kind)
        assert status == 200
        logged = phone.press("act", action="mark", text="green pin", photograph=answer["name"])
        assert logged["logged"]
    result = postmortem([folder])
    assert [(n, path.name) for n, path in result.photographs] == [(1, answer["name"])]
    page_text = html(result)
    assert page_text.count('<img src="data:image/jpeg;base64,/9j/') == 1
    assert "green pin" in page_text


def test_a_note_names_no_file_outside_the_folder(tmp_path: Path) -> None:
    from busdoc.actions.action import Action, ActionKind

    (tmp_path / "secret.jpg").write_bytes(b"x")
    (tmp_path / "photographs").mkdir()
    note = "../secret.jpg /etc/passwd C:\\x.jpg gone.jpg"
    action = Action(n=1, time_ns=0, uncertainty_ns=0, kind=ActionKind.MARK, part=None, note=note)
    assert photographs_of(tmp_path / "photographs", [action]) == ()
