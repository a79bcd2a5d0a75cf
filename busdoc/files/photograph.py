"""A photograph that somebody gave: looked at, turned upright, made small, and freed of all but the picture.

Phones write into a photograph where and when it was taken, and by whom: that is nobody else's to keep.
"""

import io

from busdoc.errors import InputError

__all__ = ["MOST_BYTES", "upright_jpeg"]

MOST_BYTES = 6_000_000
_MOST_PIXELS = 40_000_000
_LONGEST_SIDE = 1600
_QUALITY = 80


def upright_jpeg(data: bytes) -> tuple[bytes, int, int]:
    """Give a photograph as JPEG with its longest side at most 1600 pixels; with its width and height.

    Raises
    ------
    InputError : it is no photograph, or one that is too large to be opened
    """
    from PIL import Image, ImageOps

    if len(data) > MOST_BYTES:
        raise _refused("a smaller photograph", f"{len(data) / 1e6:.1f} MB")
    try:
        with Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "WEBP")) as given:
            width, height = given.size
            if width * height > _MOST_PIXELS:  # asked before it is unpacked
                raise _refused("a smaller photograph", f"{width} x {height} pixels")
            given.draft("RGB", (_LONGEST_SIDE, _LONGEST_SIDE))
            upright = ImageOps.exif_transpose(given).convert("RGB")
            upright.thumbnail((_LONGEST_SIDE, _LONGEST_SIDE))
            bare = Image.new("RGB", upright.size)
            bare.paste(upright)
            out = io.BytesIO()
            bare.save(out, "JPEG", quality=_QUALITY)
    except InputError:
        raise
    except Exception as error:  # the picture library raises much: for it this is any file at all
        raise _refused("a photograph (JPEG, PNG or WebP)", "something else, or a damaged one") from error
    return out.getvalue(), *upright.size


def _refused(expected: str, found: str) -> InputError:
    return InputError("the photograph", expected, found, "Take it again.")
