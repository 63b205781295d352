"""Photos: whatever is uploaded becomes a small JPEG of its pixels, or is refused in one line.

What is kept is decoded again, holds no metadata, and its codes are short printable text.
"""

import io
import warnings

from choices import Choices
from legal import refused_in_words
from PIL import Image

from capture.errors import InputError
from capture.photo.labels import read_codes
from capture.photo.store import reencoded

MUTATIONS = 60
warnings.simplefilter("ignore")  # the decoder's, about files that are none


def seeds():
    """Give a photo of each format, turned and not, and a label with a code."""
    image = Image.effect_noise((24, 16), 40).convert("RGB")
    exif = image.getexif()
    exif[0x0112], exif[0x013B] = 6, "somebody"
    for form in ("JPEG", "PNG", "WEBP", "GIF", "TIFF", "BMP"):
        out = io.BytesIO()
        image.save(out, form, **({"exif": exif} if form in ("JPEG", "PNG", "WEBP") else {}))
        yield b"\0" + out.getvalue()
    for mode in ("1", "L", "P", "RGBA", "I;16", "CMYK"):
        out = io.BytesIO()
        made = Image.new(mode, (8, 8)) if mode == "I;16" else image.convert(mode)
        made.save(out, "JPEG" if mode == "CMYK" else "PNG")
        yield b"\0" + out.getvalue()
    out = io.BytesIO()
    import segno  # noqa: PLC0415 - only the seeds need it

    segno.make_micro("FAN-07").save(out, kind="png", scale=4)
    yield b"\1" + out.getvalue()
    out = io.BytesIO()
    segno.make("ID=FAN-07").save(out, kind="png", scale=3)
    yield b"\1" + out.getvalue()


def target(data):
    """Take a photo in, and look for codes on it."""
    choices = Choices(data)
    codes = choices.byte() & 1
    with refused_in_words(InputError):
        kept = reencoded(choices.rest())
        with Image.open(io.BytesIO(kept)) as image:
            image.load()
            assert image.format == "JPEG"
            assert image.mode == "RGB"
            assert max(image.size) <= 2400
            assert not dict(image.getexif())
        for code in read_codes(kept) if codes else ():
            assert code.text.isprintable()
            assert len(code.text) <= 200
