"""The texts of records: one catalogue a language, a file `LANGUAGE.toml` in this folder."""

import re
import tomllib
from datetime import date, datetime
from functools import cache
from importlib.resources import files
from typing import Any

from capture.errors import InputError

_OR = re.compile(" or ")
_POINT = re.compile(r"(?<=\d)\.(?=\d)")


class Catalogue:
    """All text of a record in one language, and how it writes numbers and days."""

    def __init__(self, language: str, content: dict[str, dict[str, str]]) -> None:
        self.language = language
        self._content = content
        self._phrases = [
            (re.compile(_pattern(said), re.DOTALL), meant)
            for said, meant in content["phrases"].items()
        ]
        self._exact = content["phrases"]

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
        found = self._said(english)
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

    def _said(self, english: str) -> str | None:
        if english in self._exact:
            return self._exact[english]
        for pattern, meant in self._phrases:
            if found := pattern.fullmatch(english):
                return meant.format(*(self._part(each) for each in found.groups()))
        return None

    def _part(self, text: str) -> str:
        """Give a part of a phrase: translated, else its numbers in this language."""
        for translate in (self._said, self._alternatives):
            if (found := translate(text)) is not None:
                return found
        return self._content["values"].get(text) or self.number(text)

    def _alternatives(self, text: str) -> str | None:
        """Give "A or B or C" where each is known; what is known may hold an "or" of its own."""
        if text in self._exact:
            return self._exact[text]
        for found in _OR.finditer(text):
            first, rest = text[: found.start()], self._alternatives(text[found.end() :])
            if first in self._exact and rest is not None:
                return f"{self._exact[first]} {self('or')} {rest}"
        return None


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
