"""SCPI errors: the numbers and texts of SCPI-99 vol. 2 §21.8, and the error/event queue."""

from collections import deque

TEXTS = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -131: "Invalid suffix",
    -151: "Invalid string data",
    -211: "Trigger ignored",
    -213: "Init ignored",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -230: "Data corrupt or stale",
    -350: "Queue overflow",
    -363: "Input buffer overrun",
    -410: "Query INTERRUPTED",
    -420: "Query UNTERMINATED",
    -440: "Query UNTERMINATED after indefinite response",
}

# Bits of the standard event status register, IEEE 488.2 §11.5.1.1.
OPERATION_COMPLETE = 1
QUERY_ERROR = 4
DEVICE_ERROR = 8
EXECUTION_ERROR = 16
COMMAND_ERROR = 32
POWER_ON = 128


class ScpiError(Exception):
    """An error that goes into the instrument's error queue; never out of the instrument."""

    def __init__(self, code: int, detail: str = "") -> None:
        super().__init__(code, detail)
        self.code = code
        self.detail = detail


def event_bit(code: int) -> int:
    """Return the standard event bit that an error of that class sets (SCPI-99 §21.8)."""
    return {1: COMMAND_ERROR, 2: EXECUTION_ERROR, 3: DEVICE_ERROR, 4: QUERY_ERROR}.get(
        -code // 100, 0
    )


class ErrorQueue:
    """First in, first out; when full, the *last* entry becomes -350 (SCPI-99 §21.8.1)."""

    def __init__(self, size: int = 10) -> None:
        self._size = size
        self._entries: deque[tuple[int, str]] = deque()

    def __len__(self) -> int:
        return len(self._entries)

    def put(self, code: int, detail: str = "") -> None:
        """Append an error."""
        if len(self._entries) < self._size:
            self._entries.append((code, detail))
        else:
            self._entries[-1] = (-350, "")

    def take(self) -> str:
        """Remove the oldest error and return it as SYSTem:ERRor? answers it."""
        code, detail = self._entries.popleft() if self._entries else (0, "")
        text = f"{TEXTS[code]};{detail}" if detail else TEXTS[code]
        quoted = text.encode("ascii", "replace").decode().replace('"', '""')[:255]
        return f'{code},"{quoted}"'

    def clear(self) -> None:
        """Forget all errors (*CLS)."""
        self._entries.clear()
