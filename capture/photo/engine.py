"""The text recogniser: finds texts in a picture, and reads them character by character.

RapidOCR on ONNX Runtime, with the models that lie in its own package: they are named by their
path, so that it has no reason to fetch any. Nothing here opens a connection.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

import numpy as np

from capture.errors import CaptureError
from capture.extras import needs_extra
from capture.photo.straighten import Pixels, Points

_DETECTION_SIDE = 736  # pixels of the longest side when texts are looked for
_THREADS = 2


class EngineError(CaptureError):
    """The recogniser's own files are not as they must be; says what to install."""


@dataclass(frozen=True, slots=True)
class ReadLine:
    """One line of text as read once.

    Attributes:
        text: what was read; empty where nothing was.
        confidences: one for each character of ``text``.
        places: the middle of each character, as a part of the line's width.
    """

    text: str
    confidences: tuple[float, ...]
    places: tuple[float, ...]

    @property
    def confidence(self) -> float:
        """The mean over the characters, from 0 to 1; 0 where nothing was read."""
        return sum(self.confidences) / len(self.confidences) if self.confidences else 0.0


class TextEngine:
    """Loads the models once. Used by one thread at a time."""

    def __init__(self) -> None:
        """Load.

        Raises:
            MissingExtraError: the extra is not installed.
            EngineError: it is, but without its models.
        """
        with needs_extra("reading photos", "photo"):
            from rapidocr import RapidOCR  # noqa: PLC0415 - an extra, and slow to import
        self._engine: Any = RapidOCR(
            params={
                "Global.log_level": "error",
                "Global.return_word_box": True,
                "Global.text_score": 0.0,  # we judge ourselves
                "Det.model_path": _model("det"),
                "Det.limit_type": "max",
                "Det.limit_side_len": _DETECTION_SIDE,
                "Rec.model_path": _model("rec"),
                "EngineConfig.onnxruntime.intra_op_num_threads": _THREADS,
                "EngineConfig.onnxruntime.inter_op_num_threads": 1,
            }
        )

    def find(self, picture: Pixels) -> list[Points]:
        """Find the texts: four corners each, clockwise from where the text begins."""
        from rapidocr.main import RapidOCRError  # noqa: PLC0415 - an extra

        record = {"preprocess": {"ratio_h": 1.0, "ratio_w": 1.0}}
        wide = picture.shape[1] > 6 * picture.shape[0]
        edge = picture.shape[1] // 10 if wide else 8
        framed = np.pad(picture[:, :, ::-1], ((edge, edge), (8, 8), (0, 0)), mode="edge")
        try:
            _, found = self._engine.detect_and_crop(np.ascontiguousarray(framed), record)
        except RapidOCRError:  # its way to say that there is no text
            return []
        return [np.asarray(box, dtype=np.float64) - (8, edge) for box in found.boxes]

    def read(self, crops: Sequence[Pixels]) -> list[ReadLine]:
        """Read lines of text, each in a picture of its own."""
        if not crops:
            return []
        pictures = [np.ascontiguousarray(crop[:, :, ::-1]) for crop in crops]
        result = self._engine.recognize_txt(pictures)
        return [
            _line(str(text), info)
            for text, info in zip(result.txts, result.word_results, strict=True)
        ]


def _line(text: str, info: Any) -> ReadLine:
    """Take a line over; spaces are in the text and have a confidence, but no column."""
    if not text:
        return ReadLine("", (), ())
    columns = [column for word in info.word_cols for column in word]
    at = iter(columns)
    places: list[float] = []
    for character in text:
        if character.isspace():
            places.append(places[-1] if places else 0.0)
        else:
            places.append((next(at) + 0.5) / max(info.line_txt_len, 1.0))
    return ReadLine(text, tuple(float(each) for each in info.confs), tuple(places))


def _model(task: str) -> str:
    """Give the path of the model for a task, in the recogniser's own package."""
    folder = Path(str(resources.files("rapidocr") / "models"))
    found = sorted(folder.glob(f"*_{task}_*.onnx"))
    if not found:
        raise EngineError(
            f"{folder} holds no model to read photos with; install it again: "
            "pip install --force-reinstall rapidocr"
        )
    return str(found[-1])
