r"""Patterns that may never come to an end.

The matcher of Python goes back and tries every way in which a text can be shared out among the
repeats of a pattern. Where a repeat without end holds another repeat, as in ``([0-9]+)+``, the ways
double with every character: one noisy line of forty digits takes hours. The matcher lets nobody
else run meanwhile, so it is not one instrument that stands still then but the daemon.

Such a pattern is refused when its profile is read, though it may be harmless, as ``( +[A-Z]+)*``
is: what tells them apart is what the parts have in common, and that is not looked at here. A repeat
that gives nothing back (possessive, ``++``) makes each of them harmless, and passes. What is not
seen: alternatives that begin alike, and many repeats in a row, which are slow but do end.
"""

import re

_PARTS = r"""(?P<atom> \\N\{[^}]*\} | \\. | \[\^?\]?(?:\\.|[^]\\])*+\] )
    | (?P<comment> \(\?\#[^)]*\) )
    | (?P<opens> \((?:\?(?P<atomic>>)?)? )
    | (?P<closes> \) )
    | (?P<repeat>
        (?: [*+] | (?P<once>\?) | \{(?!\})(?P<least>[0-9]*)(?P<range>,(?P<most>[0-9]*))?\} )
        (?P<how>[+?])? )
    | """
_PLAIN = re.compile(_PARTS + ".", re.VERBOSE | re.DOTALL)
_VERBOSE = re.compile(_PARTS + r"(?P<blank>\s+|\#[^\n]*) | .", re.VERBOSE | re.DOTALL)


def may_not_end(pattern: str) -> bool:
    """Tell whether a repeat without end holds a repeat; ``pattern`` must be one that compiles."""
    verbose = re.compile(pattern).flags & re.VERBOSE
    groups = [(False, False)]  # each: whether it holds a repeat so far, and whether it is atomic
    held = False  # whether what stands last holds one

    def add() -> None:
        groups[-1] = (groups[-1][0] or held, groups[-1][1])

    for token in (_VERBOSE if verbose else _PLAIN).finditer(pattern):
        if token.lastgroup in ("comment", "blank"):
            continue
        if token["repeat"]:
            endless, varies = _kind(token)
            keeps = token["how"] == "+"
            if endless and held and not keeps:
                return True
            held = (held or varies) and not keeps
            continue
        add()
        held = False
        if token["opens"]:
            groups.append((False, token["atomic"] is not None))
        elif token["closes"] and len(groups) > 1:
            holds, atomic = groups.pop()
            held = holds and not atomic
    return False


def _kind(repeat: re.Match[str]) -> tuple[bool, bool]:
    """Tell whether a repeat has no end, and whether it can take one text more or less often."""
    if repeat["once"]:
        return False, False
    if repeat["least"] is None:
        return True, True  # * or +
    if repeat["range"] is None:
        return False, False
    endless = not repeat["most"]
    return endless, endless or int(repeat["most"]) > max(int(repeat["least"] or 0), 1)
