"""The process that reads photos for `worker.PhotoReader`: one message in, one out, until the end.

It answers on its standard output, which nothing else in it can write to. It ends when its
standard input does, however its parent ended.
"""

import os
import signal
import sys
from typing import IO, Any

from capture.driver.profile.display import Display
from capture.errors import CaptureError, InputError
from capture.photo.store import reencoded
from capture.photo.worker import receive, send


def main() -> int:
    """Serve until standard input ends."""
    # Ctrl-C in a terminal reaches this process as well; its parent decides when it ends.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    out = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    serve(sys.stdin.buffer, out)
    return 0


def serve(requests: IO[bytes], answers: IO[bytes]) -> None:
    """Answer each request with proposals, or with one line that says why there are none."""
    engine: Any = None
    while (received := receive(requests)) is not None:
        asked, data = received
        answer: dict[str, Any]
        try:
            limit(asked["limits"])
            if not asked["kept"]:
                data = reencoded(data)
            if asked["what"] == "codes":
                answer = _codes(data)
            else:
                engine = engine or _engine()
                answer = _proposals(asked, data, engine)
        except InputError as error:
            answer = {"kind": "input", "error": str(error)}
        except CaptureError as error:
            answer = {"kind": "read", "error": str(error)}
        except MemoryError:
            answer = {"kind": "read", "error": _too_much(asked)}
        except Exception as error:  # noqa: BLE001 - native code raises what it likes
            words = " ".join(str(error).split())[:160]
            named = f"the photo could not be read ({type(error).__name__}: {words})"
            answer = {"kind": "read", "error": f"{named}; key the value"}
        send(answers, answer)


def _proposals(asked: dict[str, Any], data: bytes, engine: Any) -> dict[str, Any]:
    from capture.photo.expect import Expectation  # noqa: PLC0415 - after the limits are set
    from capture.photo.read import read_photo  # noqa: PLC0415 - same

    expected = Expectation(asked["quantity"], tuple(asked["points"]))
    display = Display.model_validate(asked["display"])
    proposals = read_photo(data, expected, display, engine)
    return {"proposals": proposals.model_dump(mode="json")}


def _codes(data: bytes) -> dict[str, Any]:
    from capture.photo.labels import read_codes  # noqa: PLC0415 - after the limits are set

    return {"codes": [code.model_dump(mode="json") for code in read_codes(data)]}


def limit(limits: dict[str, Any]) -> None:
    """Set limits on memory and processor time, where the system has such."""
    try:
        import resource  # noqa: PLC0415 - POSIX only
    except ImportError:
        return
    _set(resource.RLIMIT_AS, int(limits["memory"]))
    used = resource.getrusage(resource.RUSAGE_SELF)
    spent = int(used.ru_utime + used.ru_stime) + 1
    _set(resource.RLIMIT_CPU, spent + int(limits["processor_seconds"]))
    _set(resource.RLIMIT_CORE, 0)


def _set(which: int, most: int) -> None:
    """Lower or raise a soft limit; the hard one stays, so that the next photo has its own time."""
    import resource  # noqa: PLC0415 - POSIX only

    _, hard = resource.getrlimit(which)
    if hard != resource.RLIM_INFINITY:
        most = min(most, hard)
    resource.setrlimit(which, (most, hard))


def _engine() -> Any:
    from capture.photo.engine import TextEngine  # noqa: PLC0415 - loads the recogniser

    return TextEngine()


def _too_much(asked: dict[str, Any]) -> str:
    megabytes = int(asked["limits"]["memory"]) // 1024**2
    return f"reading the photo needs more than {megabytes} MB of memory; take a smaller one"


if __name__ == "__main__":
    sys.exit(main())
