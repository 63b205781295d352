"""A block of configuration for what a probe found, ready to paste."""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from capture.discovery.candidates import Candidate
from capture.discovery.probe import Finding

_SHOWN = 3  # values read, in a comment
_LONGEST = 160


@dataclass(frozen=True, slots=True)
class Proposal:
    """One way to configure an instrument.

    Attributes:
        driver: its driver's id.
        profile: name of the profile; empty for a driver without one.
        why: what speaks for it, on one line.
        link: link settings.
    """

    driver: str
    profile: str
    why: str
    link: dict[str, Any]

    def toml(self, name: str) -> str:
        """Write it as the instrument ``name``."""
        lines = [
            f"# {_comment(self.why)}",
            f"[instruments.{name}]",
            f"driver = {_text(self.driver)}",
        ]
        lines += ["", f"[instruments.{name}.link]"]
        lines += [f"{key} = {_text(value)}" for key, value in self.link.items()]
        if self.profile:
            lines += ["", f"[instruments.{name}.options]", f"profile = {_text(self.profile)}"]
        return "\n".join(lines) + "\n"


def proposals(finding: Finding, candidates: Sequence[Candidate], port: str) -> list[Proposal]:
    """List what could read the instrument that was found, the likeliest first.

    ``port`` is the lasting name to write for it, instead of the one that it was probed under.
    """
    link = {**finding.link}
    for key in ("port", "device"):
        if isinstance(link.get(key), str):
            link[key] = port
    if finding.identity:
        return _by_identity(finding.identity, candidates, link)
    return _by_ear(finding, candidates, link)


def _by_identity(
    identity: str, candidates: Sequence[Candidate], link: dict[str, Any]
) -> list[Proposal]:
    why = f"it answered *IDN? with {identity}"
    fitting = [each for each in candidates if each.fits(identity) and each.suits(link)]
    if fitting:
        return [Proposal(each.driver, each.profile_name, why, link) for each in fitting]
    why += "; no profile names it, so say in options what it measures"
    asking = [each for each in candidates if not each.profile_name and each.asks_identity]
    # A driver that falls back on a profile of its own expects one kind of instrument.
    asking.sort(key=lambda each: each.profile is not None)
    return [Proposal(each.driver, "", why, link) for each in asking]


def _by_ear(
    finding: Finding, candidates: Sequence[Candidate], link: dict[str, Any]
) -> list[Proposal]:
    found = []
    for each in candidates:
        read = each.read(finding.heard) if finding.heard and each.suits(link) else []
        if read:
            shown = ", ".join(
                f"{value.quantity} {value.digits} {value.shown_unit}".strip()
                for value in read[:_SHOWN]
            )
            proposal = Proposal(each.driver, each.profile_name, f"heard and read: {shown}", link)
            found.append((-len(read), proposal))
    return [proposal for _, proposal in sorted(found, key=lambda pair: pair[0])]


def _comment(text: str) -> str:
    """Make text fit to stand in a comment: one line, printable, bounded."""
    clean = "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)
    return clean[:_LONGEST]


def _text(value: object) -> str:
    """Write a value in TOML; JSON's strings, numbers and booleans are TOML's, too."""
    return json.dumps(value)
