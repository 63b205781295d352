"""The texts of records: one catalogue a language, a file `LANGUAGE.toml` in this folder."""

import re
import tomllib
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from typing import Any

from capture.errors import InputError

_OR = re.compile(" or ")
_NAMED = re.compile(r"[a-z_]+: {}")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")


class Catalogue:
    """All text of a record in one language, and how it writes numbers and days."""

    def __init__(self, language: str, content: dict[str, dict[str, str]]) -> None:
        self.language = language
        self._content = content
        self._phrases = _Phrases(content["phrases"])
        # A remark is the code's own; only it is read by patterns that a person's words could fit.
        self._remarks = _Phrases({**content["phrases"], **content["remarks"]})

    def __call__(self, name: str, /, **more: object) -> str:
        """Give a text of the catalogue, with what is to be put in."""
        return self._content["words"][name].format(**more)

    def of(self, group: str, name: str) -> str:
        """Give a text of a group; the name itself, as words, where the catalogue has none."""
        return self._content[group].get(name, name.replace("_", " "))

    def has(self, group: str, name: str) -> bool:
        """Tell whether a group has a text."""
        return name in self._content[group]

    def say(self, english: str) -> str:
        """Give what was said in English in this language; as it is where nobody translated it."""
        found = self._said(english, self._phrases)
        return english if found is None else found

    def remark(self, english: str) -> str:
        """Give what a computation remarked, said in English, in this language."""
        found = self._said(english, self._remarks)
        return english if found is None else found

    def number(self, text: str) -> str:
        """Write a number, or text that holds numbers, with this language's decimal mark."""
        return _POINT.sub(self._content["numbers"]["decimal"], text)

    def day(self, day: date) -> str:
        """Write a day."""
        return day.strftime(self._content["numbers"]["date"])

    def moment(self, moment: datetime) -> str:
        """Write a UTC stamp to the minute."""
        return moment.strftime(self._content["numbers"]["moment"])

    def _said(self, english: str, phrases: "_Phrases") -> str | None:
        if english in phrases.exact:
            return phrases.exact[english]
        for pattern, meant in phrases.patterns:
            if found := pattern.fullmatch(english):
                return meant.format(*(self._part(each, phrases) for each in found.groups()))
        return None

    def _part(self, text: str, phrases: "_Phrases") -> str:
        """Give a part of a phrase: translated, else its numbers in this language."""
        for translate in (self._listed, self._said, self._alternatives):
            if (found := translate(text, phrases)) is not None:
                return found
        return ", ".join(self._word(each, phrases) for each in text.split(", "))

    def _word(self, text: str, phrases: "_Phrases") -> str:
        for words in (phrases.exact, self._content["values"], self._content["quantities"]):
            if text in words:
                return words[text]
        return self.number(text)

    def _listed(self, text: str, phrases: "_Phrases") -> str | None:
        """Give "A, B, C" where each of them is a phrase."""
        if text in phrases.exact or ", " not in text:
            return None
        found = [self._said(each, phrases) for each in text.split(", ")]
        return None if None in found else ", ".join(each for each in found if each is not None)

    def _alternatives(self, text: str, phrases: "_Phrases") -> str | None:
        """Give "A or B or C" where each is known; what is known may hold an "or" of its own."""
        exact = phrases.exact
        if text in exact:
            return exact[text]
        for found in _OR.finditer(text):
            first, rest = text[: found.start()], self._alternatives(text[found.end() :], phrases)
            if first in exact and rest is not None:
                return f"{exact[first]} {self('or')} {rest}"
        return None


class _Phrases:
    """What is said word for word, and what with gaps, in the order in which it is tried.

    A name before a colon comes off first: what follows it is a phrase of its own.
    """

    def __init__(self, exact: dict[str, str]) -> None:
        self.exact = exact
        self.patterns = [
            (re.compile(_pattern(said), re.DOTALL), exact[said])
            for said in sorted(exact, key=lambda said: _NAMED.fullmatch(said) is None)
            if "{}" in said
        ]


def _pattern(said: str) -> str:
    return "(.+?)".join(re.escape(part) for part in said.split("{}"))


def languages() -> list[str]:
    """List the languages that there are."""
    folder = files(__name__)
    return sorted(
        each.name.removesuffix(".toml") for each in folder.iterdir() if each.name.endswith(".toml")
    )


@cache
def catalogue(language: str) -> Catalogue:
    """Give the catalogue of a language.

    Raises:
        InputError: there is none; says which there are.
    """
    if language not in languages():
        raise InputError(f"no texts in {language!r}; there are {', '.join(languages())}")
    text = (files(__name__) / f"{language}.toml").read_text("utf-8")
    content: dict[str, Any] = tomllib.loads(text)
    return Catalogue(language, content)
