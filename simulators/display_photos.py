"""Photos of drawn displays: the instrument around them, the angle, the light, the camera.

Every condition is one thing that goes wrong, beyond a fair photo; the same seed gives the same
pixels.
"""

import io
import math
import random
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFilter

from simulators.displays import Arrangement, Content, Face, content, draw, plain_font

Condition = Literal["fair", "glare", "tilt", "blur", "low-light", "jpeg", "missing-point"]
CONDITIONS: tuple[Condition, ...] = get_args(Condition)
SIZE = (1600, 1200)
_BODIES = ((48, 50, 54), (212, 170, 40), (70, 84, 96), (150, 40, 34))

Pixels = NDArray[np.float64]
Corners = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class DisplayPhoto:
    """A photo with its truth.

    Attributes:
        image: what the camera gave.
        content: what the display shows.
        condition: what went wrong.
        corners: the display's corners in the photo, clockwise from its upper left, in pixels.
    """

    image: Image.Image
    content: Content
    condition: Condition
    corners: Corners

    def encoded(self, quality: int = 90) -> bytes:
        """Write it as a JPEG file."""
        out = io.BytesIO()
        self.image.save(out, "JPEG", quality=quality)
        return out.getvalue()


def photograph(
    seed: int, face: Face, arrangement: Arrangement, condition: Condition = "fair"
) -> DisplayPhoto:
    """Make up a display and photograph it."""
    shown = content(seed, face, arrangement, point_shown=condition != "missing-point")
    return photograph_of(shown, seed, condition)


def photograph_of(shown: Content, seed: int, condition: Condition = "fair") -> DisplayPhoto:
    """Photograph a display that shows what is given."""
    name = f"{seed}/{shown.face}/{shown.arrangement}/{condition}"
    chance = random.Random(name)  # noqa: S311 - pictures, no secrets
    noise = np.random.default_rng(chance.randrange(2**32))
    body, place = _instrument(draw(shown), chance)
    degrees = chance.uniform(10, 20) if condition == "tilt" else chance.uniform(0, 4)
    image, corners = _seen_at(body, place, math.radians(degrees), chance)
    if condition == "glare":
        image = _glare(image, corners, chance)
    if condition == "blur":
        image = image.filter(ImageFilter.GaussianBlur(chance.uniform(1.8, 3.6)))
    image = image.filter(ImageFilter.GaussianBlur(0.7))
    pixels = np.asarray(image, dtype=np.float64)
    grain = 3.0
    if condition == "low-light":
        pixels, grain = pixels * chance.uniform(0.16, 0.3), 7.0
    pixels += noise.normal(0.0, grain, pixels.shape)
    image = Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8))
    quality = chance.randrange(10, 22) if condition == "jpeg" else 88
    return DisplayPhoto(_compressed(image, quality), shown, condition, corners)


def _instrument(face: Image.Image, chance: random.Random) -> tuple[Image.Image, Corners]:
    """Set a face into an instrument's front with some print on it, and that on a bench."""
    part = chance.uniform(0.5, 0.75)  # of the photo's width, taken by the display
    scale = min(SIZE[0] * part / face.width, SIZE[1] * 0.5 / face.height)
    face = face.resize(
        (round(face.width * scale), round(face.height * scale)), Image.Resampling.LANCZOS
    )
    bench = chance.randrange(90, 180)
    scene = Image.new("RGB", SIZE, (bench, bench - 12, bench - 30))
    pen = ImageDraw.Draw(scene)
    left, top = (SIZE[0] - face.width) // 2, (SIZE[1] - face.height) // 3
    right, bottom = left + face.width, top + face.height
    body = chance.choice(_BODIES)
    pen.rounded_rectangle((left - 120, top - 110, right + 120, bottom + 330), 60, fill=body)
    pen.rounded_rectangle((left - 40, top - 40, right + 40, bottom + 40), 24, fill=(16, 17, 18))
    scene.paste(face, (left, top))
    for place, word in enumerate(("HOLD", "RANGE", "ZERO")):
        x, y = left + place * face.width // 3, bottom + 160
        pen.rounded_rectangle((x, y, x + 170, y + 70), 20, fill=(90, 92, 96))
        pen.text(
            (x + 30, y + 14), word, fill=(235, 235, 235), font=plain_font("DejaVuSans.ttf", 32)
        )
    return scene, ((left, top), (right, top), (right, bottom), (left, bottom))


def _seen_at(
    scene: Image.Image, place: Corners, angle: float, chance: random.Random
) -> tuple[Image.Image, Corners]:
    """See a flat scene at an angle: turned about an axis in its plane, and a little within it."""
    axis, roll = chance.uniform(0, 2 * math.pi), chance.uniform(-0.3, 0.3) * angle
    width, height = scene.size
    far = 1.6 * width  # from the camera to the scene
    x, y = math.cos(axis), math.sin(axis)
    cos, sin = math.cos(angle), math.sin(angle)
    about_axis = np.array(  # Rodrigues' formula for an axis without a third component
        [
            [cos + x * x * (1 - cos), x * y * (1 - cos), y * sin],
            [x * y * (1 - cos), cos + y * y * (1 - cos), -x * sin],
            [-y * sin, x * sin, cos],
        ]
    )
    within = np.array(
        [[math.cos(roll), -math.sin(roll), 0], [math.sin(roll), math.cos(roll), 0], [0, 0, 1]]
    )
    turn = about_axis @ within
    middle = np.array([[1, 0, -width / 2], [0, 1, -height / 2], [0, 0, 1]])
    lens = np.array([[far, 0, width / 2], [0, far, height / 2], [0, 0, 1]])
    seen = np.column_stack([turn[:, 0], turn[:, 1], [0, 0, far]])
    forth = lens @ seen @ middle
    back = np.linalg.inv(forth)
    back /= back[2, 2]
    image = scene.transform(
        scene.size,
        Image.Transform.PERSPECTIVE,
        tuple(back.ravel()[:8]),
        Image.Resampling.BICUBIC,
        fillcolor=(110, 104, 96),
    )
    corners = []
    for at in place:
        u, v, w = forth @ np.array([*at, 1.0])
        corners.append((float(u / w), float(v / w)))
    return image, tuple(corners)


def _glare(image: Image.Image, corners: Corners, chance: random.Random) -> Image.Image:
    """Lay the reflection of a lamp over a part of the display."""
    left, right = min(x for x, _ in corners), max(x for x, _ in corners)
    top, bottom = min(y for _, y in corners), max(y for _, y in corners)
    x, y = chance.uniform(left, right), chance.uniform(top, bottom)
    long, short = chance.uniform(0.2, 0.45) * (right - left), chance.uniform(30, 90)
    veil = Image.new("L", image.size, 0)
    ImageDraw.Draw(veil).ellipse(
        (x - long, y - short, x + long, y + short), fill=chance.randrange(120, 215)
    )
    veil = veil.rotate(chance.uniform(-50, 50), center=(x, y))
    veil = veil.filter(ImageFilter.GaussianBlur(chance.uniform(12, 40)))
    return Image.composite(Image.new("RGB", image.size, (255, 253, 246)), image, veil)


def _compressed(image: Image.Image, quality: int) -> Image.Image:
    out = io.BytesIO()
    image.save(out, "JPEG", quality=quality)
    return Image.open(io.BytesIO(out.getvalue())).convert("RGB")
