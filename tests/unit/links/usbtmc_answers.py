"""Answers that a USBTMC link must carry whole, and one way to ask for them."""

# Line feeds inside, but none where a part of 100 bytes ends: see the limit in the link's docstring.
BLOCK = b"#3300" + bytes(range(256)) + b"\n" * 20 + b"z" * 24 + b"\n"


LONG = b",".join(b"%+.5E" % (n / 7) for n in range(400)) + b"\n"


ANSWERS = {b"LONG?": LONG, b"CURV?": BLOCK, b"BARE?": b"+1.5", b"EDGE?": b"x" * 499 + b"\n"}


def ask(link, query, whole):
    link.write(query + b"\n")
    return whole(link)
