"""What an instrument says again of what it was told, where somebody switched its echo on.

A question that comes back is an echo, whoever sends it: no answer is a question. A command that
comes back may be an answer: with headers on, a setting is told in the words that set it (IEEE
488.2 §8.3, from memory). It is taken for an echo only of an instrument that has said a question
again before.
"""

_QUESTION = b"?"


class Echo:
    """Knows what was sent since the last answer; each of it is passed over once."""

    def __init__(self) -> None:
        self._sent: set[bytes] = set()
        self._asked = b""
        self._is_on = False

    def sent(self, data: bytes) -> None:
        """Hear what is sent."""
        text = data.strip()
        self._sent.add(text)
        if text.endswith(_QUESTION):
            self._asked = text

    def is_one(self, data: bytes, *, awaited: bool) -> bool:
        """Tell whether a frame is an echo; ``awaited`` says that an answer is due."""
        text = data.strip()
        is_question = text.endswith(_QUESTION)
        is_sent = text in self._sent
        # Known from here on, even where it comes behind what was taken for the question's answer.
        self._is_on |= (text == self._asked) if is_question else (is_sent and not awaited)
        if not is_sent or (awaited and not is_question and not self._is_on):
            return False
        self._sent.discard(text)
        return True

    def answered(self) -> None:
        """Hear that an answer came: what was sent before it is said again no more."""
        self._sent.clear()

    def silent(self) -> None:
        """Hear that no answer came: what was passed over may have been it."""
        self._is_on = False
