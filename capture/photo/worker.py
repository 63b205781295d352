"""Reading photos in a process of its own, with limits on time and memory.

A photo is hostile until it has been decoded, and decoders and recognisers are large native code:
whatever one of them does, the daemon goes on. The process is started with the first photo, keeps
its models for the next, and is ended when it takes too long; the photo after that gets a new one.

Both ways a message is two lengths (of the JSON text, and of the bytes after it), 32 bits each in
network order, and then these two.
"""

import contextlib
import json
import struct
import subprocess
import sys
import threading
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from types import TracebackType
from typing import IO, Any, Self

from pydantic import ValidationError

from capture.driver.profile.display import Display
from capture.errors import CaptureError, InputError
from capture.extras import require_extra
from capture.model.photo import LabelCode, PhotoProposals
from capture.photo.expect import Expectation
from capture.photo.store import MOST_BYTES

_HEAD = struct.Struct("!II")
_LARGEST = 4_000_000  # bytes of JSON text
_GOODBYE = 2.0  # seconds
_NO_ANSWER = (
    "the process that reads photos sent what is no answer; hand the photo in again, or key the "
    "value"
)


class PhotoReadError(CaptureError):
    """A photo could not be read, through no fault of its own that is known; says what happened."""


_KINDS: dict[str, type[CaptureError]] = {
    "input": InputError,
    "read": PhotoReadError,
}


@dataclass(frozen=True, slots=True)
class Limits:
    """What a photo may take.

    Attributes:
        seconds: from handing it in to having its proposals; loading the models included.
        processor_seconds: of all processors together.
        memory: bytes of address space of the whole process, libraries included.
    """

    seconds: float = 30.0
    processor_seconds: int = 40
    memory: int = 2 * 1024**3


class PhotoReader:
    """Reads photos, one at a time, in its process. May be used from any thread."""

    def __init__(self, limits: Limits | None = None) -> None:
        self._limits = limits or Limits()
        self._lock = threading.Lock()
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def read(
        self, data: bytes, expected: Expectation, display: Display, *, kept: bool = False
    ) -> PhotoProposals:
        """Propose values from a photo as it was uploaded, or as it is ``kept`` in the evidence.

        Raises:
            InputError: too large, or no photo in a format that is taken.
            MissingExtraError: the extra is not installed.
            PhotoReadError: it took too long or too much memory; the next photo may be read.
        """
        asked = {
            "quantity": expected.quantity,
            "points": expected.points,
            "display": display.model_dump(mode="json"),
        }
        answer = self._answer("read", {"kept": kept, **asked}, data)
        with _no_other_answer():
            return PhotoProposals.model_validate(answer["proposals"])

    def codes(self, data: bytes, *, kept: bool = False) -> list[LabelCode]:
        """Read the codes on a label from a photo as it was uploaded, or as it is ``kept``.

        Raises:
            InputError, MissingExtraError, PhotoReadError: as for `read`.
        """
        answer = self._answer("codes", {"kept": kept}, data)
        with _no_other_answer():
            return [LabelCode.model_validate(each) for each in answer["codes"]]

    def close(self) -> None:
        """End the process, and what it is reading. Another photo starts it again."""
        process = self._process
        if process is not None and self._lock.locked():
            process.kill()  # whoever waits for it is told
        with self._lock:
            self._end()

    def _answer(self, what: str, asked: dict[str, Any], data: bytes) -> dict[str, Any]:
        if len(data) > MOST_BYTES:
            raise InputError(f"the photo has {len(data)} bytes; {MOST_BYTES} are taken at most")
        require_extra("reading photos", "photo")
        if not self._lock.acquire(timeout=self._limits.seconds):
            raise PhotoReadError("other photos are being read; hand it in again in a while")
        try:
            answer = self._ask({"what": what, "limits": asdict(self._limits), **asked}, data)
        finally:
            self._lock.release()
        if "error" in answer:
            kind = _KINDS.get(str(answer.get("kind")), PhotoReadError)
            raise kind(" ".join(str(answer["error"]).split()))
        return answer

    def _ask(self, asked: dict[str, Any], data: bytes) -> dict[str, Any]:
        process = self._running()
        late = threading.Event()

        def end() -> None:
            late.set()
            process.kill()

        timer = threading.Timer(self._limits.seconds, end)
        timer.start()
        try:
            assert process.stdin is not None
            assert process.stdout is not None
            send(process.stdin, asked, data)
            received = receive(process.stdout)
        except OSError:
            received = None  # it went away while it was written to
        except PhotoReadError:
            self._end()  # where its next answer would begin is not known
            raise
        finally:
            timer.cancel()
            timer.join()
        if received is not None:
            return received[0]
        self._end()
        if late.is_set():
            raise PhotoReadError(
                f"reading the photo took longer than {self._limits.seconds:g} s and was ended; "
                "take one that shows little but the display, or key the value"
            )
        raise PhotoReadError(
            "reading the photo ended the process that reads (its memory or processor time may "
            "have run out); take a smaller photo, or key the value"
        )

    def _running(self) -> subprocess.Popen[bytes]:
        if self._process is not None and self._process.poll() is None:
            return self._process
        self._end()
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", "capture.photo.child"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,  # native code writes there; what counts comes as an answer
        )
        return self._process

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is None:
            return
        assert process.stdin is not None
        assert process.stdout is not None
        with contextlib.suppress(OSError):
            process.stdin.close()
        try:
            process.wait(_GOODBYE)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
        process.stdout.close()


def send(stream: IO[bytes], message: dict[str, Any], data: bytes = b"") -> None:
    """Write one message."""
    text = json.dumps(message).encode()
    stream.write(_HEAD.pack(len(text), len(data)) + text + data)
    stream.flush()


def receive(stream: IO[bytes]) -> tuple[dict[str, Any], bytes] | None:
    """Read one message; None at the end of the stream, or where it is cut off.

    Raises:
        PhotoReadError: it claims a size that no message has, or its text is no JSON object.
    """
    head = stream.read(_HEAD.size)
    if len(head) < _HEAD.size:
        return None
    text_size, data_size = _HEAD.unpack(head)
    if text_size > _LARGEST or data_size > MOST_BYTES:
        raise PhotoReadError(_NO_ANSWER)
    text, data = stream.read(text_size), stream.read(data_size)
    if len(text) < text_size or len(data) < data_size:
        return None
    try:
        message = json.loads(text)
    except (ValueError, RecursionError) as error:
        raise PhotoReadError(_NO_ANSWER) from error
    if not isinstance(message, dict):
        raise PhotoReadError(_NO_ANSWER)
    return message, data


@contextlib.contextmanager
def _no_other_answer() -> Iterator[None]:
    """Take what is not as an answer must be for what it is: native code that went astray."""
    try:
        yield
    except (KeyError, TypeError, ValidationError) as error:
        raise PhotoReadError(_NO_ANSWER) from error
